// Package config reads the server's settings from a file, the environment and
// flags (in that order, the later wins) into one validated struct. Only
// cmd/nextprobe imports it.
package config

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/pflag"
	"github.com/spf13/viper"

	"nextprobe/internal/problem"
)

// Config is what the server runs with. Load fills and checks every field.
type Config struct {
	// Listen is the TCP address of the web server, HOST:PORT; port 0 takes a free one.
	Listen string
	// Data is the data folder, absolute.
	Data string
	// DatabaseURL is a libpq URL or keyword string; empty means the embedded database.
	DatabaseURL string
	// MaxConns bounds the database connections, 1 to 1000; 0 leaves it to the driver
	// (the larger of 4 and the number of CPUs).
	MaxConns int
	// LogLevel is the least level that is logged.
	LogLevel slog.Level
	// LogFormat is "text" or "json".
	LogFormat string
	// BodyLimit is the largest request body in bytes, 16 KiB to 64 MiB.
	BodyLimit int64
	// Session is how long a sign-in lasts, 1 h to 8760 h.
	Session time.Duration
	// BaseURL is the address that QR codes on tags lead to, without a final
	// slash; empty means the address the page was asked for under.
	BaseURL string
	// SecureCookies marks the session cookie for HTTPS only. Its default follows
	// the scheme of BaseURL.
	SecureCookies bool
	// Shutdown is how long running requests may take after a stop signal, 1 s to 600 s.
	Shutdown time.Duration
}

// envPrefix begins the name of every environment variable.
const envPrefix = "NEXTPROBE"

// AddFlags declares the flags that all commands share.
func AddFlags(fs *pflag.FlagSet) {
	fs.String("config", "", "configuration `FILE` (YAML, TOML or JSON; also "+envPrefix+"_CONFIG)")
	for _, s := range settings {
		if s.flag != "" {
			fs.String(s.flag, "", s.usage)
		}
	}
}

// Load reads and checks all settings. It returns a problem.Invalid that names
// every mistake at once, each with the place it was made in.
func Load(fs *pflag.FlagSet) (Config, error) {
	v := viper.New()
	fields, err := readFile(v, configFile(fs))
	if err != nil {
		return Config{}, err
	}
	v.SetEnvPrefix(envPrefix)
	v.SetEnvKeyReplacer(strings.NewReplacer(".", "_"))
	var cfg Config
	for _, s := range settings {
		if err := s.bind(v, fs); err != nil {
			return Config{}, err
		}
		value := v.Get(s.key)
		if value == nil || value == "" {
			value = s.fallback
		}
		if value == nil {
			continue
		}
		if msg := s.set(&cfg, value); msg != "" {
			if s.key != "database.url" { // It may hold a password.
				msg = fmt.Sprintf("%s, not %q", msg, fmt.Sprint(value))
			}
			fields = append(fields, problem.Field{Field: s.key, Message: fmt.Sprintf("%s (%s)", msg, s.origin(v, fs))})
		}
	}
	fields = append(fields, cfg.contradictions(v)...)
	return cfg, problem.InFields(fields)
}

func configFile(fs *pflag.FlagSet) string {
	if f := fs.Lookup("config"); f != nil && f.Changed {
		return f.Value.String()
	}
	return os.Getenv(envPrefix + "_CONFIG")
}

// readFile reads the configuration file, if one is named, and reports the keys
// that no setting has: a misspelt key must not pass for a default.
func readFile(v *viper.Viper, path string) ([]problem.Field, error) {
	if path == "" {
		return nil, nil
	}
	v.SetConfigFile(path)
	if err := v.ReadInConfig(); err != nil {
		var unsupported viper.UnsupportedConfigError
		switch {
		case errors.Is(err, os.ErrNotExist):
			return nil, problem.InField("config", "there is no file %s", path)
		case errors.As(err, &unsupported):
			return nil, problem.InField("config", "%s must end in .yaml, .toml or .json", path)
		}
		return nil, problem.InField("config", "%s cannot be read: %v", path, err)
	}
	var fields []problem.Field
	for _, key := range sortedKeys(v) {
		if !known(key) {
			fields = append(fields, problem.Field{Field: key, Message: fmt.Sprintf("there is no such setting (%s); known are %s", path, strings.Join(keys(), ", "))})
		}
	}
	return fields, nil
}

// contradictions checks settings against each other.
func (c *Config) contradictions(v *viper.Viper) []problem.Field {
	if v.Get("secure_cookies") == nil {
		c.SecureCookies = strings.HasPrefix(c.BaseURL, "https://")
	}
	if c.SecureCookies && strings.HasPrefix(c.BaseURL, "http://") {
		return []problem.Field{{Field: "secure_cookies", Message: "must be false while base_url is plain http: browsers would drop the sign-in"}}
	}
	return nil
}

// origin names where a value came from, for the person who must mend it.
func (s setting) origin(v *viper.Viper, fs *pflag.FlagSet) string {
	if f := fs.Lookup(s.flag); s.flag != "" && f != nil && f.Changed {
		return "--" + s.flag
	}
	if os.Getenv(s.env()) != "" {
		return s.env()
	}
	return filepath.Base(v.ConfigFileUsed())
}

func (s setting) bind(v *viper.Viper, fs *pflag.FlagSet) error {
	if err := v.BindEnv(s.key); err != nil {
		return fmt.Errorf("setting %s: %w", s.key, err)
	}
	// Only a flag that was given counts: an unset one must not hide the file.
	if f := fs.Lookup(s.flag); s.flag != "" && f != nil && f.Changed {
		if err := v.BindPFlag(s.key, f); err != nil {
			return fmt.Errorf("setting %s: %w", s.key, err)
		}
	}
	return nil
}
