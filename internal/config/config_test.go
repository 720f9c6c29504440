package config

import (
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/pflag"

	"nextprobe/internal/problem"
)

// load runs Load as a command would: args on the command line, file as the
// content of the configuration file ("" for none). Tests with an environment
// cannot be parallel; the others read none, since nothing sets NEXTPROBE_ here.
func load(t *testing.T, file string, args ...string) (Config, error) {
	t.Helper()
	fs := pflag.NewFlagSet("test", pflag.ContinueOnError)
	AddFlags(fs)
	if file != "" {
		path := filepath.Join(t.TempDir(), "nextprobe.yaml")
		if err := os.WriteFile(path, []byte(file), 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, "--config", path)
	}
	if err := fs.Parse(args); err != nil {
		t.Fatal(err)
	}
	return Load(fs)
}

func defaults(t *testing.T) Config {
	t.Helper()
	data, err := filepath.Abs("data")
	if err != nil {
		t.Fatal(err)
	}
	return Config{
		Listen: "127.0.0.1:8585", Data: data, LogLevel: slog.LevelInfo, LogFormat: "text",
		BodyLimit: 1 << 20, Session: 72 * time.Hour, Shutdown: 20 * time.Second,
	}
}

// clearEnv keeps settings of the person who runs the tests out of them.
func clearEnv(t *testing.T) {
	t.Helper()
	t.Setenv(envPrefix+"_CONFIG", "")
	for _, s := range settings {
		t.Setenv(s.env(), "")
	}
}

func TestDefaults(t *testing.T) {
	clearEnv(t)
	got, err := load(t, "")
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(defaults(t), got); d != "" {
		t.Error(d)
	}
}

// The example file documents exactly the settings there are, with the defaults.
func TestTheExampleFileHoldsTheDefaults(t *testing.T) {
	clearEnv(t)
	raw, err := os.ReadFile("../../deploy/config.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	got, err := load(t, string(raw))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(defaults(t), got); d != "" {
		t.Error(d)
	}
	for _, s := range settings {
		if !strings.Contains(string(raw), s.env()) {
			t.Errorf("%s is not documented", s.env())
		}
	}
}

func TestTheLaterWins(t *testing.T) {
	clearEnv(t)
	t.Setenv("NEXTPROBE_LISTEN", ":2")
	t.Setenv("NEXTPROBE_LOG_FORMAT", "json")
	t.Setenv("NEXTPROBE_SESSION_HOURS", "8")
	t.Setenv("NEXTPROBE_DATABASE_URL", "host=/run/postgresql dbname=nextprobe")
	got, err := load(t, "listen: ':1'\nlog: {format: text, level: debug}\nbody_limit: 2MiB\nmax_conns: 7\nbase_url: https://nextprobe.example/\n", "--listen", ":3")
	if err != nil {
		t.Fatal(err)
	}
	want := defaults(t)
	want.Listen, want.LogFormat, want.LogLevel, want.BodyLimit = ":3", "json", slog.LevelDebug, 2<<20
	want.Session, want.MaxConns, want.DatabaseURL = 8*time.Hour, 7, "host=/run/postgresql dbname=nextprobe"
	want.BaseURL, want.SecureCookies = "https://nextprobe.example", true
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestTheFileMayBeNamedInTheEnvironment(t *testing.T) {
	clearEnv(t)
	path := filepath.Join(t.TempDir(), "c.toml")
	if err := os.WriteFile(path, []byte("listen = ':9'\n[log]\nlevel = 'warn'\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("NEXTPROBE_CONFIG", path)
	got, err := load(t, "")
	if err != nil || got.Listen != ":9" || got.LogLevel != slog.LevelWarn {
		t.Errorf("%+v, %v", got, err)
	}
}

func TestEveryMistakeIsNamedAtOnce(t *testing.T) {
	clearEnv(t)
	t.Setenv("NEXTPROBE_LOG_LEVEL", "loud")
	_, err := load(t, "lisen: ':1'\nsession_hours: 0\nbody_limit: 1GB\ndatabase: {url: 'mysql://x', pool: 3}\n", "--listen", "8585")
	p := problem.As(err)
	if p == nil || p.Code != problem.Invalid {
		t.Fatalf("error %v", err)
	}
	want := map[string][]string{
		"lisen":         {"no such setting", "listen"},
		"database.pool": {"no such setting"},
		"session_hours": {"1 to 8760", `"0"`, "nextprobe.yaml"},
		"body_limit":    {"16KiB to 64MiB", "1GB"},
		"database.url":  {"postgres://"},
		"log.level":     {"debug, info, warn or error", "loud", "NEXTPROBE_LOG_LEVEL"},
		"listen":        {"HOST:PORT", "8585", "--listen"},
	}
	if len(p.Fields) != len(want) {
		t.Errorf("%d fields, want %d: %v", len(p.Fields), len(want), p.Fields)
	}
	for _, f := range p.Fields {
		for _, part := range want[f.Field] {
			if !strings.Contains(f.Message, part) {
				t.Errorf("%s: %q does not contain %q", f.Field, f.Message, part)
			}
		}
		if want[f.Field] == nil {
			t.Errorf("unexpected field %s: %s", f.Field, f.Message)
		}
	}
}

func TestRefusedValues(t *testing.T) {
	clearEnv(t)
	for _, tc := range []struct{ field, file string }{
		{"listen", "listen: 8585"},
		{"listen", "listen: 'localhost:http'"},
		{"listen", "listen: 'localhost:70000'"},
		{"listen", "listen: [a]"},
		{"data", "data: 3"},
		{"max_conns", "max_conns: -1"},
		{"max_conns", "max_conns: 2.5"},
		{"log.format", "log: {format: xml}"},
		{"body_limit", "body_limit: 1"},
		{"body_limit", "body_limit: 99999999999999999999"},
		{"base_url", "base_url: nextprobe.example"},
		{"base_url", "base_url: 'https://nextprobe.example/sub'"},
		{"secure_cookies", "secure_cookies: perhaps"},
		{"secure_cookies", "secure_cookies: true\nbase_url: 'http://nextprobe.example'"},
		{"shutdown_seconds", "shutdown_seconds: 601"},
		{"config", ": not yaml : at all"},
	} {
		_, err := load(t, tc.file)
		if p := problem.As(err); p == nil || len(p.Fields) != 1 || p.Fields[0].Field != tc.field {
			t.Errorf("%s: error %v, want one about %s", tc.file, err, tc.field)
		}
	}
}

func TestAMissingOrStrangeFileIsNamed(t *testing.T) {
	clearEnv(t)
	for path, part := range map[string]string{
		filepath.Join(t.TempDir(), "none.yaml"): "there is no file",
		os.Args[0]:                              "must end in",
	} {
		_, err := load(t, "", "--config", path)
		if p := problem.As(err); p == nil || !strings.Contains(p.Message, part) {
			t.Errorf("%s: %v, want %q", path, err, part)
		}
	}
}
