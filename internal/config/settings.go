package config

import (
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/viper"
)

// setting is one row of the table that file, environment, flags and the example
// file share.
type setting struct {
	key      string // in the file; the environment variable follows from it
	flag     string // "" when there is none
	usage    string
	fallback any // nil: the zero value
	// set stores the value, or says what a right one looks like.
	set func(c *Config, value any) string
}

func (s setting) env() string {
	return envPrefix + "_" + strings.ToUpper(strings.ReplaceAll(s.key, ".", "_"))
}

var settings = []setting{
	{"listen", "listen", "address to serve at, `HOST:PORT` (default 127.0.0.1:8585)", "127.0.0.1:8585", setListen},
	{"data", "data", "data folder `DIR` (default ./data)", "data", setData},
	{"database.url", "database-url", "`URL` of a Postgres of your own (default: an embedded one in the data folder)", nil, setDatabaseURL},
	{"max_conns", "", "", nil, whole(0, 1000, "connections", func(c *Config, n int64) { c.MaxConns = int(n) })},
	{"log.level", "log-level", "`LEVEL` from which to log: debug, info, warn or error (default info)", "info", setLogLevel},
	{"log.format", "log-format", "`FORMAT` of the log: text or json (default text)", "text", setLogFormat},
	{"body_limit", "", "", "1MiB", setBodyLimit},
	{"session_hours", "", "", 72, whole(1, 8760, "hours", func(c *Config, n int64) { c.Session = time.Duration(n) * time.Hour })},
	{"base_url", "", "", nil, setBaseURL},
	{"secure_cookies", "", "", nil, setSecureCookies},
	{"shutdown_seconds", "", "", 20, whole(1, 600, "seconds", func(c *Config, n int64) { c.Shutdown = time.Duration(n) * time.Second })},
}

func keys() []string {
	list := make([]string, len(settings))
	for i, s := range settings {
		list[i] = s.key
	}
	return list
}

func known(key string) bool { return slices.Contains(keys(), key) }

func sortedKeys(v *viper.Viper) []string {
	list := v.AllKeys()
	slices.Sort(list)
	return list
}

func setListen(c *Config, value any) string {
	const want = "must be HOST:PORT such as 127.0.0.1:8585, or :8585 for every address"
	s, ok := value.(string)
	if !ok {
		return want
	}
	_, port, err := net.SplitHostPort(s)
	if err != nil {
		return want
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || strconv.FormatUint(n, 10) != port {
		return want + ", with a port from 0 to 65535"
	}
	c.Listen = s
	return ""
}

func setData(c *Config, value any) string {
	s, ok := value.(string)
	if !ok || strings.ContainsRune(s, 0) {
		return "must be the path of a folder"
	}
	abs, err := filepath.Abs(s)
	if err != nil {
		return "must be the path of a folder: " + err.Error()
	}
	c.Data = abs
	return ""
}

// keywordPattern recognises libpq's other form, "host=db user=nextprobe".
var keywordPattern = regexp.MustCompile(`^\s*[a-z_]+\s*=`)

func setDatabaseURL(c *Config, value any) string {
	const want = "must be a Postgres URL such as postgres://nextprobe@db.example/nextprobe"
	s, ok := value.(string)
	if !ok {
		return want
	}
	if !keywordPattern.MatchString(s) {
		u, err := url.Parse(s)
		if err != nil || (u.Scheme != "postgres" && u.Scheme != "postgresql") {
			return want
		}
	}
	c.DatabaseURL = s
	return ""
}

func setLogLevel(c *Config, value any) string {
	s := strings.ToLower(fmt.Sprint(value))
	if !slices.Contains([]string{"debug", "info", "warn", "error"}, s) || c.LogLevel.UnmarshalText([]byte(s)) != nil {
		c.LogLevel = slog.LevelInfo
		return "must be debug, info, warn or error"
	}
	return ""
}

func setLogFormat(c *Config, value any) string {
	s := strings.ToLower(fmt.Sprint(value))
	if s != "text" && s != "json" {
		return "must be text or json"
	}
	c.LogFormat = s
	return ""
}

var sizeUnits = map[string]int64{"": 1, "b": 1, "kib": 1 << 10, "mib": 1 << 20}

var sizePattern = regexp.MustCompile(`^(\d{1,9})\s*([A-Za-z]*)$`)

func setBodyLimit(c *Config, value any) string {
	const want = "must be 16KiB to 64MiB (bytes, KiB or MiB)"
	m := sizePattern.FindStringSubmatch(strings.TrimSpace(fmt.Sprint(value)))
	if m == nil {
		return want
	}
	n, err := strconv.ParseInt(m[1], 10, 64)
	unit, ok := sizeUnits[strings.ToLower(m[2])]
	if err != nil || !ok || n*unit < 16<<10 || n*unit > 64<<20 {
		return want
	}
	c.BodyLimit = n * unit
	return ""
}

func setBaseURL(c *Config, value any) string {
	const want = "must be the address people reach the pages under, such as https://nextprobe.example, without a path"
	s, ok := value.(string)
	if !ok {
		return want
	}
	u, err := url.Parse(s)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" || u.User != nil ||
		strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "" {
		return want
	}
	c.BaseURL = u.Scheme + "://" + u.Host
	return ""
}

func setSecureCookies(c *Config, value any) string {
	switch strings.ToLower(fmt.Sprint(value)) {
	case "true", "1", "yes", "on":
		c.SecureCookies = true
	case "false", "0", "no", "off":
		c.SecureCookies = false
	default:
		return "must be true or false"
	}
	return ""
}

// whole makes the check of a whole number with bounds.
func whole(from, to int64, unit string, set func(*Config, int64)) func(*Config, any) string {
	return func(c *Config, value any) string {
		n, err := strconv.ParseInt(strings.TrimSpace(fmt.Sprint(value)), 10, 64)
		if err != nil || n < from || n > to {
			return fmt.Sprintf("must be a whole number of %s from %d to %d", unit, from, to)
		}
		set(c, n)
		return ""
	}
}
