package pgserver

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/problem"
)

const (
	// socketPort only names the socket file; nothing listens on a TCP port.
	socketPort = 5432
	// socketPathMax is the longest path of a Unix socket: sun_path holds 108 bytes
	// on Linux and 104 on the BSDs and macOS, one of them the final zero.
	socketPathMax = 103
)

// socketDir makes the socket's directory: postgres/socket in the data folder or,
// where that path is too long for a socket, a private directory named after the
// data folder in XDG_RUNTIME_DIR or the system's temporary folder.
func (i *instance) socketDir() (string, error) {
	dir := filepath.Join(i.home(), "socket")
	if len(socketFile(dir)) > socketPathMax {
		dir = filepath.Join(i.shortBase(), fmt.Sprintf("%s-%d", i.name(), i.owner.uid))
	}
	if n := len(socketFile(dir)); n > socketPathMax {
		return "", problem.New(problem.Unavailable, "The path of the database socket %s has %d bytes, and the system allows %d. Choose a shorter data folder, or set TMPDIR to a shorter one.", socketFile(dir), n, socketPathMax)
	}
	return dir, i.owner.ownFolder(dir)
}

func (i *instance) shortBase() string {
	// Root's runtime directory is closed to the user that Postgres runs as.
	if run := os.Getenv("XDG_RUNTIME_DIR"); run != "" && !i.owner.switched {
		if info, err := os.Stat(run); err == nil && info.IsDir() {
			return run
		}
	}
	if i.owner.barredAt(filepath.Join(os.TempDir(), "x")) != "" {
		return "/tmp"
	}
	return os.TempDir()
}

func socketFile(dir string) string {
	return filepath.Join(dir, fmt.Sprintf(".s.PGSQL.%d", socketPort))
}

// publishURL tells commands beside this server where it is.
func (i *instance) publishURL() error {
	part := i.urlPath() + ".new"
	if err := os.WriteFile(part, []byte(i.url(appUser, appDB)+"\n"), 0o600); err != nil {
		return fmt.Errorf("write %s: %w", part, err)
	}
	if err := os.Rename(part, i.urlPath()); err != nil {
		return fmt.Errorf("write %s: %w", i.urlPath(), err)
	}
	return nil
}

// clear removes what tells of a running server, once it has ended.
func (i *instance) clear() error {
	err := os.Remove(i.urlPath())
	if errors.Is(err, os.ErrNotExist) {
		err = nil
	}
	if i.socket != "" && filepath.Dir(i.socket) != i.home() {
		err = errors.Join(err, os.RemoveAll(i.socket))
	}
	return err
}

// runningWait is how long RunningURL gives a server that is just starting:
// recovery after a crash takes seconds.
const runningWait = 15 * time.Second

// RunningURL returns the URL of the server that runs in the data folder dir, for
// a command beside it. It waits a little for one that is starting, and returns
// problem.Unavailable when none runs or this user may not reach it.
func RunningURL(dir string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), runningWait)
	defer cancel()
	real, err := resolve(dir)
	if err != nil {
		return "", err
	}
	i := &instance{dir: real}
	for {
		where, err := i.answering(ctx)
		if err == nil {
			return where, nil
		}
		if !i.locked() {
			return "", problem.New(problem.Unavailable, "No database runs in %s. Start one with `nextprobe serve`.", dir).Because(err)
		}
		select {
		case <-ctx.Done():
			return "", problem.New(problem.Unavailable, "The database in %s is held by another process but does not answer; look at %s.", dir, i.logPath()).Because(err)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// answering returns the published URL if a server answers there.
func (i *instance) answering(ctx context.Context) (string, error) {
	raw, err := os.ReadFile(i.urlPath())
	if err != nil {
		return "", err
	}
	url := strings.TrimSpace(string(raw))
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return "", err
	}
	return url, conn.Close(ctx)
}

// locked reports whether a process holds the folder's lock.
func (i *instance) locked() bool {
	f, err := os.Open(i.lockPath())
	if err != nil {
		return !errors.Is(err, os.ErrNotExist)
	}
	defer f.Close() //nolint:errcheck // Read only; closing frees a lock that was taken for the test.
	return syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB) != nil
}

func holderName(content []byte) string {
	if pid := strings.TrimSpace(string(content)); pid != "" {
		return pid
	}
	return "unknown"
}

func lastLines(s string, n int) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	if len(lines) > n {
		lines = lines[len(lines)-n:]
	}
	return strings.Join(lines, " | ")
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("sync %s: %w", dir, err)
	}
	return errors.Join(d.Sync(), d.Close())
}

// AdminURL turns the URL of a server of this package (RunningURL, Server.URL) into
// the one of its maintenance database as the cluster's superuser.
func AdminURL(application string) (string, error) {
	u, err := url.Parse(application)
	if err != nil {
		return "", fmt.Errorf("database URL: %w", err)
	}
	u.User, u.Path = url.User(superuser), "/postgres"
	return u.String(), nil
}
