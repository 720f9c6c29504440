package pgserver

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"

	"nextprobe/internal/problem"
)

// oldest is the oldest major version that the schema works with: it uses
// UNIQUE NULLS NOT DISTINCT, which came with 15.
const oldest = 15

// installHint names the command for each common system.
const installHint = "Install it: Debian or Ubuntu `apt-get install postgresql`, Fedora `dnf install postgresql-server`, Homebrew `brew install postgresql@17`. Or name a server of your own with --database-url."

// binaries is one installed Postgres.
type binaries struct {
	dir   string
	major int
}

func (b binaries) path(name string) string { return filepath.Join(b.dir, name) }

// Tool returns the path of one of Postgres's own programs (pg_dump, psql) from
// the newest installation found, since an older one refuses a newer server; or
// problem.Unavailable.
func Tool(name string) (string, error) {
	found, err := findBinaries(context.Background(), nil)
	if err == nil {
		slices.SortStableFunc(found, func(a, b binaries) int { return cmp.Compare(b.major, a.major) })
	}
	for _, b := range found {
		if path := b.path(name); isProgram(path) {
			return path, nil
		}
	}
	// A machine with the client's programs alone serves a database elsewhere.
	if path, err := exec.LookPath(name); err == nil {
		return path, nil
	}
	return "", problem.New(problem.Unavailable, "The Postgres program %s is not installed on this machine. %s", name, installHint)
}

// findBinaries returns the installed servers in order of preference.
func findBinaries(ctx context.Context, search []string) ([]binaries, error) {
	var found []binaries
	var tooOld []string
	for _, dir := range searchDirs(search) {
		if !isProgram(filepath.Join(dir, "postgres")) || !isProgram(filepath.Join(dir, "initdb")) {
			continue
		}
		major, err := majorOf(ctx, filepath.Join(dir, "postgres"))
		switch {
		case err != nil:
			continue // A broken installation is as good as none.
		case major < oldest:
			tooOld = append(tooOld, fmt.Sprintf("%d in %s", major, dir))
		default:
			found = append(found, binaries{dir: dir, major: major})
		}
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if len(found) > 0 {
		return found, nil
	}
	if len(tooOld) > 0 {
		return nil, problem.New(problem.Unavailable, "Postgres %d or newer is needed; installed is %s. %s", oldest, strings.Join(tooOld, ", "), installHint)
	}
	return nil, problem.New(problem.Unavailable, "No Postgres server is installed on this machine. %s", installHint)
}

// choose picks the installation that fits the cluster in dataDir: the same major
// version, or for a new cluster the first.
func choose(found []binaries, dataDir string) (binaries, error) {
	raw, err := os.ReadFile(filepath.Join(dataDir, "PG_VERSION"))
	if errors.Is(err, os.ErrNotExist) {
		return found[0], nil
	}
	if err != nil {
		return binaries{}, problem.New(problem.Unavailable, "The database folder %s cannot be read; run nextprobe as the user who made it.", dataDir).Because(err)
	}
	want := strings.TrimSpace(string(raw))
	var have []string
	for _, b := range found {
		if strconv.Itoa(b.major) == want {
			return b, nil
		}
		have = append(have, strconv.Itoa(b.major))
	}
	return binaries{}, problem.New(problem.Unavailable,
		"The database in %s was made by Postgres %s, and only %s is installed. Install Postgres %s beside it, back up with `nextprobe backup`, and restore into a fresh data folder; a folder is never upgraded in place.",
		dataDir, want, strings.Join(slices.Compact(have), ", "), want)
}

var versionPattern = regexp.MustCompile(`\(PostgreSQL\) (\d+)`)

func majorOf(ctx context.Context, postgres string) (int, error) {
	out, err := exec.CommandContext(ctx, postgres, "--version").Output()
	if err != nil {
		return 0, err
	}
	m := versionPattern.FindSubmatch(out)
	if m == nil {
		return 0, fmt.Errorf("%s: unknown version %q", postgres, out)
	}
	return strconv.Atoi(string(m[1]))
}

// searchDirs lists the directories to look in, best first, each once. A program
// on PATH may be a link into the installation, whose other programs are not
// linked; the link's target is what counts.
func searchDirs(search []string) []string {
	if search == nil {
		search = usualDirs()
	}
	var dirs []string
	for _, dir := range search {
		if real, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres")); err == nil {
			dir = filepath.Dir(real)
		}
		if !slices.Contains(dirs, dir) {
			dirs = append(dirs, dir)
		}
	}
	return dirs
}

func usualDirs() []string {
	var dirs []string
	if path, err := exec.LookPath("postgres"); err == nil {
		dirs = append(dirs, filepath.Dir(path))
	}
	if config, err := exec.LookPath("pg_config"); err == nil {
		if out, err := exec.CommandContext(context.Background(), config, "--bindir").Output(); err == nil {
			dirs = append(dirs, strings.TrimSpace(string(out)))
		}
	}
	for _, pattern := range []string{
		"/usr/lib/postgresql/*/bin",          // Debian
		"/usr/pgsql-*/bin",                   // packages of the project for Fedora and its kin
		"/opt/homebrew/opt/postgresql@*/bin", // Homebrew, arm64
		"/usr/local/opt/postgresql@*/bin",    // Homebrew, amd64
		"/home/linuxbrew/.linuxbrew/opt/postgresql@*/bin",
		"/usr/lib/postgresql*/bin", // Alpine, SUSE
		"/opt/local/lib/postgresql*/bin",
		"/Applications/*.app/Contents/Versions/*/bin",
		"/usr/local/pgsql/bin", // from source
		"/usr/bin",
		"/usr/local/bin",
	} {
		matches, _ := filepath.Glob(pattern) // Only a malformed pattern fails.
		sort.SliceStable(matches, func(i, j int) bool { return versionIn(matches[i]) > versionIn(matches[j]) })
		dirs = append(dirs, matches...)
	}
	return dirs
}

var numberPattern = regexp.MustCompile(`\d+`)

// versionIn returns the last number in a path: its major version.
func versionIn(path string) int {
	all := numberPattern.FindAllString(path, -1)
	if len(all) == 0 {
		return 0
	}
	n, _ := strconv.Atoi(all[len(all)-1])
	return n
}

func isProgram(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular() && info.Mode()&0o111 != 0
}
