package pgserver

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"go.uber.org/goleak"

	"nextprobe/internal/problem"
)

// helperDir makes this test binary act as a nextprobe that can be killed: it
// starts a server in the folder named and waits.
const helperDir = "PGSERVER_TEST_HELPER_DIR"

// helperWait makes this test binary do nothing until its input ends.
const helperWait = "PGSERVER_TEST_HELPER_WAIT"

func TestMain(m *testing.M) {
	if os.Getenv(helperWait) != "" {
		_, _ = io.Copy(io.Discard, os.Stdin)
		os.Exit(0)
	}
	if dir := os.Getenv(helperDir); dir != "" {
		s, err := Start(context.Background(), Options{Dir: dir})
		if err != nil {
			_, _ = os.Stderr.WriteString(err.Error())
			os.Exit(1)
		}
		<-s.Done()
		os.Exit(0)
	}
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		if prepared.dir != "" {
			_ = os.RemoveAll(prepared.dir)
		}
		os.Exit(code)
	}))
}

// prepared is a stopped cluster, made once: initdb costs a second or more of
// processor time, a copy a tenth of that.
var prepared struct {
	once sync.Once
	dir  string
	err  error
}

// withCluster returns a data folder that holds a cluster already, for the tests
// that are not about making one.
func withCluster(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	copyCluster(t, dir)
	return dir
}

func copyCluster(t *testing.T, dir string) {
	t.Helper()
	prepared.once.Do(func() { prepared.dir, prepared.err = prepareCluster() })
	if prepared.err != nil {
		t.Fatalf("prepare a cluster: %v", prepared.err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	// -a keeps the owner, who is not root.
	if out, err := exec.Command("cp", "-a", filepath.Join(prepared.dir, "postgres"), dir).CombinedOutput(); err != nil {
		t.Fatalf("copy the cluster: %v: %s", err, out)
	}
}

func prepareCluster() (string, error) {
	dir, err := os.MkdirTemp("", "pgserver-test-")
	if err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Minute)
	defer cancel()
	s, err := Start(ctx, options(dir))
	if err != nil {
		return dir, err
	}
	return dir, s.Stop(ctx)
}

func options(dir string) Options {
	return Options{Dir: dir, Tuning: Tuning{Unsafe: true, MaxConnections: 20}, Log: slog.New(slog.DiscardHandler)}
}

func start(t *testing.T, opt Options) *Server {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	s, err := Start(ctx, opt)
	if err != nil {
		t.Fatalf("start: %v", err)
	}
	t.Cleanup(func() { stop(t, s) })
	return s
}

func stop(t *testing.T, s *Server) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := s.Stop(ctx); err != nil {
		t.Errorf("stop: %v", err)
	}
}

func scan[T any](t *testing.T, url, sql string) T {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatalf("connect %s: %v", url, err)
	}
	defer conn.Close(t.Context()) //nolint:errcheck // A connection that only read.
	var v T
	if err := conn.QueryRow(t.Context(), sql).Scan(&v); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return v
}

func exec1(t *testing.T, url, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatalf("connect %s: %v", url, err)
	}
	defer conn.Close(t.Context()) //nolint:errcheck // The statement has been committed.
	if _, err := conn.Exec(t.Context(), sql); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

func postmaster(t *testing.T, s *Server) int {
	t.Helper()
	main, _, err := s.inst.family(t.Context())
	if err != nil || main == 0 {
		t.Fatalf("the main process is not found by its name: pid %d, %v", main, err)
	}
	return main
}

func TestANewServerIsPrivateAndSafe(t *testing.T) {
	t.Parallel()
	s := start(t, options(t.TempDir()))
	for sql, want := range map[string]string{
		"select current_user":       "nextprobe",
		"select current_database()": "nextprobe",
		"select rolsuper::text from pg_roles where rolname = current_user": "false",
		"show listen_addresses": "",
		"show data_checksums":   "on",
		"show server_encoding":  "UTF8",
		"show timezone":         "UTC",
	} {
		if got := scan[string](t, s.URL(), sql); got != want {
			t.Errorf("%s: %q, want %q", sql, got, want)
		}
	}
	if got := scan[string](t, s.URL(), "select datcollate from pg_database where datname = 'nextprobe'"); got != "C.UTF-8" && got != "C" {
		t.Errorf("collation %q", got)
	}
	info, err := os.Stat(s.inst.socket)
	if err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("socket folder: %v, %v; want rights 0700", info.Mode(), err)
	}
	if n := tcpListeners(t, postmaster(t, s)); n != 0 {
		t.Errorf("%d TCP listeners, want none", n)
	}
}

// tcpListeners counts the listening TCP sockets among the process's descriptors.
func tcpListeners(t *testing.T, pid int) int {
	t.Helper()
	links, err := filepath.Glob("/proc/" + strconv.Itoa(pid) + "/fd/*")
	if err != nil || len(links) == 0 {
		t.Logf("no /proc here: relying on listen_addresses")
		return 0
	}
	own := map[string]bool{}
	for _, l := range links {
		if to, err := os.Readlink(l); err == nil {
			own[strings.TrimSuffix(strings.TrimPrefix(to, "socket:["), "]")] = true
		}
	}
	n := 0
	for _, table := range []string{"/proc/net/tcp", "/proc/net/tcp6"} {
		raw, _ := os.ReadFile(table) // tcp6 may be switched off.
		for line := range strings.Lines(string(raw)) {
			f := strings.Fields(line)
			if len(f) > 9 && f[3] == "0A" && own[f[9]] {
				n++
			}
		}
	}
	return n
}

func TestARestartKeepsData(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	s := start(t, options(dir))
	exec1(t, s.URL(), "create table kept as select 42 as n")
	stop(t, s)
	stop(t, s) // A second stop does nothing.
	if _, err := pgx.Connect(t.Context(), s.URL()); err == nil {
		t.Fatal("the server still answers after Stop")
	}
	if _, err := RunningURL(dir); !problem.Is(err, problem.Unavailable) {
		t.Errorf("RunningURL of a stopped server: %v", err)
	}
	s = start(t, options(dir))
	if n := scan[int](t, s.URL(), "select n from kept"); n != 42 {
		t.Errorf("n = %d", n)
	}
}

func TestASecondStartIsRefusedAndToldWhere(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	s := start(t, options(dir))
	_, err := Start(t.Context(), options(dir))
	if !errors.Is(err, ErrInUse) || !problem.Is(err, problem.Conflict) {
		t.Fatalf("second start: %v, want ErrInUse", err)
	}
	if pid := strconv.Itoa(os.Getpid()); !strings.Contains(problem.As(err).Message, pid) {
		t.Errorf("%q does not name the process %s", err, pid)
	}
	url, err := RunningURL(dir)
	if err != nil || url != s.URL() {
		t.Errorf("RunningURL: %q, %v; want %q", url, err, s.URL())
	}
}

func TestAKilledPostgresRecovers(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	opt := options(dir)
	opt.Tuning.Unsafe = false // What was committed must outlive the kill.
	s := start(t, opt)
	exec1(t, s.URL(), "create table kept as select 42 as n")
	if err := syscall.Kill(postmaster(t, s), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-s.Done()
	stop(t, s)
	s = start(t, options(dir))
	if n := scan[int](t, s.URL(), "select n from kept"); n != 42 {
		t.Errorf("n = %d", n)
	}
}

func TestAKilledParentRecovers(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	helper := exec.Command(os.Args[0]) //nolint:gosec // This test binary itself.
	helper.Env = append(os.Environ(), helperDir+"="+dir)
	if err := helper.Start(); err != nil {
		t.Fatal(err)
	}
	url := awaitURL(t, dir)
	exec1(t, url, "create table kept as select 42 as n")
	if _, err := Start(t.Context(), options(dir)); !errors.Is(err, ErrInUse) {
		t.Errorf("a start beside the helper: %v, want ErrInUse", err)
	}
	if err := helper.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = helper.Wait() // Killed, as wanted.
	s := start(t, options(dir))
	if n := scan[int](t, s.URL(), "select n from kept"); n != 42 {
		t.Errorf("n = %d", n)
	}
}

func awaitURL(t *testing.T, dir string) string {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	for {
		url, err := RunningURL(dir)
		if err == nil {
			return url
		}
		if time.Now().After(deadline) {
			t.Fatalf("the helper's server does not come up: %v", err)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

func TestADetachedServerIsStoppedByTheNextStart(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	opt := options(dir)
	opt.Detached = true
	d := start(t, opt)
	old := postmaster(t, d)
	s := start(t, options(dir))
	if now := postmaster(t, s); now == old {
		t.Errorf("still process %d", old)
	}
	stop(t, s)
	start(t, opt)
	if err := StopRunning(t.Context(), opt); err != nil {
		t.Fatal(err)
	}
	if _, err := RunningURL(dir); !problem.Is(err, problem.Unavailable) {
		t.Errorf("RunningURL after StopRunning: %v", err)
	}
	if err := StopRunning(t.Context(), opt); err != nil {
		t.Errorf("a second StopRunning: %v", err)
	}
}

// After a container restart the old number often belongs to something else.
func TestAStalePIDFileOfAnotherProgramIsNoObstacle(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	s := start(t, options(dir))
	stop(t, s)
	stale := strconv.Itoa(os.Getpid()) + "\n" + s.inst.data() + "\n1\n5432\n" + s.inst.socket + "\n\n  1 1\nready\n"
	for _, path := range []string{filepath.Join(s.inst.data(), "postmaster.pid"), socketFile(s.inst.socket) + ".lock"} {
		if err := os.WriteFile(path, []byte(stale), 0o600); err != nil {
			t.Fatal(err)
		}
		if s.inst.owner.switched {
			if err := os.Chown(path, int(s.inst.owner.uid), int(s.inst.owner.gid)); err != nil {
				t.Fatal(err)
			}
		}
	}
	start(t, options(dir))
}

func TestADeepOrOddPathWorks(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		sub   string
		fresh bool // initdb, too, must cope with the path
	}{
		"too deep for a socket":        {strings.Repeat("deep/", 30), false},
		"space, quote, plus and comma": {`my shop's "data", 1+1`, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := filepath.Join(t.TempDir(), c.sub)
			if !c.fresh {
				copyCluster(t, dir)
			}
			s := start(t, options(dir))
			if n := scan[int](t, s.URL(), "select 1"); n != 1 {
				t.Errorf("select 1 = %d", n)
			}
			if url, err := RunningURL(dir); err != nil || url != s.URL() {
				t.Errorf("RunningURL: %q, %v", url, err)
			}
			stop(t, s)
			if _, err := os.Stat(s.inst.socket); err == nil && !strings.HasPrefix(s.inst.socket, s.inst.dir) {
				t.Errorf("%s is left behind", s.inst.socket)
			}
		})
	}
}

func TestRootStepsDown(t *testing.T) {
	t.Parallel()
	s := start(t, options(t.TempDir()))
	o, err := ownerOf("/proc/" + strconv.Itoa(postmaster(t, s)))
	if err != nil {
		t.Skip("no /proc on this system to look the user up in")
	}
	if o.uid == 0 {
		t.Error("Postgres runs as root")
	}
	if os.Geteuid() != 0 {
		return
	}
	// The test folder lies under one that only root may enter, and the server is up.
	if !s.inst.viaFD {
		t.Errorf("%s: expected the way by an inherited descriptor", s.inst.dir)
	}
	if has, err := ownerOf(s.inst.data()); err != nil || has.uid != o.uid {
		t.Errorf("the cluster belongs to %v (%v), the process to %v", has, err, o)
	}
}

func TestRootNeedsSomebodyToStepDownTo(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		t.Skip("only root steps down")
	}
	opt := options(t.TempDir())
	opt.User = "nobody-of-this-name"
	_, err := Start(t.Context(), opt)
	wantUnavailable(t, err, "nobody-of-this-name")
}

func TestMissingBinariesNameTheInstallCommand(t *testing.T) {
	t.Parallel()
	opt := options(t.TempDir())
	opt.Search = []string{t.TempDir()}
	_, err := Start(t.Context(), opt)
	wantUnavailable(t, err, "apt-get install postgresql", "dnf install", "brew install", "--database-url")
}

func TestOldBinariesAreNamed(t *testing.T) {
	t.Parallel()
	opt := options(t.TempDir())
	opt.Search = []string{fakeBinaries(t, 9)}
	_, err := Start(t.Context(), opt)
	wantUnavailable(t, err, "Postgres 15 or newer", "installed is 9")
}

// fakeBinaries makes an installation that only tells a version.
func fakeBinaries(t *testing.T, major int) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"postgres", "initdb"} {
		script := "#!/bin/sh\necho 'postgres (PostgreSQL) " + strconv.Itoa(major) + ".4'\n"
		if err := os.WriteFile(filepath.Join(dir, name), []byte(script), 0o755); err != nil { //nolint:gosec // A program must be executable.
			t.Fatal(err)
		}
	}
	return dir
}

func TestAClusterOfAnotherVersionIsNotTouched(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	s := start(t, options(dir))
	stop(t, s)
	if err := os.WriteFile(filepath.Join(s.inst.data(), "PG_VERSION"), []byte("8\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Start(t.Context(), options(dir))
	wantUnavailable(t, err, "made by Postgres 8", "Install Postgres 8")
}

func TestChooseTakesTheClustersVersion(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	found := []binaries{{dir: "/a", major: 17}, {dir: "/b", major: 15}}
	if b, err := choose(found, dir); err != nil || b.major != 17 {
		t.Errorf("new cluster: %v, %v; want the first", b, err)
	}
	if err := os.WriteFile(filepath.Join(dir, "PG_VERSION"), []byte("15\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if b, err := choose(found, dir); err != nil || b.dir != "/b" {
		t.Errorf("cluster of 15: %v, %v", b, err)
	}
}

func TestAFailedStartTellsPostgressOwnWordsAndFreesTheFolder(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	s := start(t, options(dir))
	stop(t, s)
	conf := filepath.Join(s.inst.data(), "postgresql.conf")
	was, err := os.ReadFile(conf)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(conf, append(was, "\nno_such_setting = 1\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = Start(t.Context(), options(dir))
	wantUnavailable(t, err, "no_such_setting")
	if err := os.WriteFile(conf, was, 0o600); err != nil {
		t.Fatal(err)
	}
	start(t, options(dir))
}

func TestACancelledStartLeavesNothing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Start(ctx, options(dir)); !errors.Is(err, context.Canceled) {
		t.Errorf("start: %v, want cancelled", err)
	}
	start(t, options(dir))
}

func TestToolFindsTheClientPrograms(t *testing.T) {
	t.Parallel()
	path, err := Tool("pg_dump")
	if err != nil || !isProgram(path) {
		t.Errorf("pg_dump: %q, %v", path, err)
	}
	_, err = Tool("pg_no_such_tool")
	wantUnavailable(t, err, "pg_no_such_tool", "apt-get install")
}

func wantUnavailable(t *testing.T, err error, parts ...string) {
	t.Helper()
	if !problem.Is(err, problem.Unavailable) {
		t.Fatalf("error %v, want problem.Unavailable", err)
	}
	for _, part := range parts {
		if msg := problem.As(err).Message; !strings.Contains(msg, part) {
			t.Errorf("%q does not name %q", msg, part)
		}
	}
}
