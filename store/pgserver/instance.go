package pgserver

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/problem"
)

// instance is the place of one server: its folders, its user, its name.
type instance struct {
	opt    Options
	dir    string // the data folder, absolute, links resolved
	owner  owner
	bin    binaries
	socket string // the socket's directory as clients reach it
	// viaFD: Postgres's user cannot enter a folder above dir, so Postgres is
	// handed the open folder itself; see launchPath.
	viaFD bool
}

// newInstance makes the data folder and resolves its name. It starts nothing.
func newInstance(opt Options) (*instance, error) {
	if opt.Dir == "" {
		return nil, problem.InField("data", "name a data folder")
	}
	if opt.Log == nil {
		opt.Log = slog.Default()
	}
	// Root's folder must let Postgres's own user pass; the folders inside are closed.
	mode := os.FileMode(0o700)
	if os.Geteuid() == 0 {
		mode = 0o711
	}
	if err := os.MkdirAll(opt.Dir, mode); err != nil {
		return nil, problem.New(problem.Unavailable, "The data folder %s cannot be made; check its path and rights.", opt.Dir).Because(err)
	}
	dir, err := resolve(opt.Dir)
	if err != nil {
		return nil, err
	}
	return &instance{opt: opt, dir: dir}, nil
}

func resolve(dir string) (string, error) {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return "", fmt.Errorf("data folder %s: %w", dir, err)
	}
	real, err := filepath.EvalSymlinks(abs)
	if err != nil {
		return "", problem.New(problem.Unavailable, "The data folder %s cannot be reached.", dir).Because(err)
	}
	return real, nil
}

func (i *instance) lockPath() string { return filepath.Join(i.dir, "postgres.lock") }
func (i *instance) logPath() string  { return filepath.Join(i.dir, "postgres.log") }
func (i *instance) urlPath() string  { return filepath.Join(i.dir, "postgres.url") }
func (i *instance) home() string     { return filepath.Join(i.dir, "postgres") }
func (i *instance) data() string     { return filepath.Join(i.home(), "data") }

// name marks every process of this server in the process list, so that what a
// crash leaves running is recognised for certain.
func (i *instance) name() string {
	sum := sha256.Sum256([]byte(i.dir))
	return "nextprobe-" + hex.EncodeToString(sum[:8])
}

// prepare brings the folder to a state in which a server can be launched.
func (i *instance) prepare(ctx context.Context) error {
	found, err := findBinaries(ctx, i.opt.Search)
	if err != nil {
		return err
	}
	if i.owner, err = chooseOwner(i.opt.User, i.home()); err != nil {
		return err
	}
	if err := i.owner.ownFolder(i.home()); err != nil {
		return err
	}
	if err := i.checkPath(); err != nil {
		return err
	}
	if i.bin, err = choose(found, i.data()); err != nil {
		return err
	}
	if i.socket, err = i.socketDir(); err != nil {
		return err
	}
	if err := i.reap(ctx); err != nil {
		return err
	}
	return i.initdb(ctx)
}

// checkPath finds out whether Postgres's user can walk to the cluster.
func (i *instance) checkPath() error {
	barred := i.owner.barredAt(i.home())
	if barred == "" {
		return nil
	}
	if runtime.GOOS == "linux" {
		i.viaFD = true
		return nil
	}
	return problem.New(problem.Unavailable,
		"Postgres does not run as root, and its user %s may not enter %s. Choose a data folder that others may enter, or run nextprobe as an ordinary user.",
		i.owner.name, barred)
}

// launchPath is the path of home as Postgres sees it. Where its user may not
// enter a folder above (a checkout under /root, say), it is the open folder
// inherited as descriptor 3: the kernel then asks for no right on the way there.
func (i *instance) launchPath() string {
	if i.viaFD {
		return "/proc/self/fd/3"
	}
	return i.home()
}

// command builds a Postgres command that runs as the owner.
func (i *instance) command(ctx context.Context, program string, args ...string) (*exec.Cmd, func(), error) {
	cmd := exec.CommandContext(ctx, i.bin.path(program), args...)
	cmd.Dir = "/"
	// A clean environment: PGDATA, PGHOST and the like of the caller must not leak in.
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "HOME=/", "LC_ALL=C", "TZ=UTC"}
	cmd.SysProcAttr = i.owner.attr()
	if !i.viaFD {
		return cmd, func() {}, nil
	}
	home, err := os.Open(i.home())
	if err != nil {
		return nil, nil, fmt.Errorf("open %s: %w", i.home(), err)
	}
	cmd.ExtraFiles = []*os.File{home}
	return cmd, func() { _ = home.Close() }, nil
}

// initdb makes the cluster when there is none. It works in a folder beside and
// renames at the end: a crash inside leaves no half-made cluster.
func (i *instance) initdb(ctx context.Context) error {
	if _, err := os.Stat(filepath.Join(i.data(), "PG_VERSION")); err == nil {
		return nil
	}
	if entries, err := os.ReadDir(i.data()); err == nil && len(entries) > 0 {
		return problem.New(problem.Unavailable, "%s holds files but no Postgres cluster; move them away, or restore the folder from a backup.", i.data())
	}
	i.opt.Log.Info("making the embedded database", "folder", i.data(), "postgres", i.bin.major)
	// C.UTF-8 orders by code point on every machine alike; systems without it have plain C.
	err := i.runInitdb(ctx, "C.UTF-8")
	if err != nil && ctx.Err() == nil {
		err = i.runInitdb(ctx, "C")
	}
	if err != nil {
		return err
	}
	fresh := i.data() + ".new"
	if err := writeHBA(fresh); err != nil {
		return err
	}
	_ = os.Remove(i.data()) // An empty folder would bar the rename on some systems.
	if err := os.Rename(fresh, i.data()); err != nil {
		return fmt.Errorf("put the new cluster in place: %w", err)
	}
	return syncDir(i.home())
}

func (i *instance) runInitdb(ctx context.Context, locale string) error {
	fresh := i.data() + ".new"
	if err := os.RemoveAll(fresh); err != nil {
		return fmt.Errorf("clear %s: %w", fresh, err)
	}
	args := []string{"--pgdata=" + filepath.Join(i.launchPath(), "data.new"), "--username=" + superuser, "--auth=trust",
		"--encoding=UTF8", "--locale=" + locale, "--data-checksums"}
	if i.opt.Tuning.Unsafe {
		args = append(args, "--no-sync")
	}
	cmd, done, err := i.command(ctx, "initdb", args...)
	if err != nil {
		return err
	}
	defer done()
	if out, err := cmd.CombinedOutput(); err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return problem.New(problem.Unavailable, "initdb could not make the database in %s: %s", i.data(), lastLines(string(out), 3)).Because(err)
	}
	return nil
}

// writeHBA lets in whoever can reach the socket, which is its folder's owner and
// root, and nobody by network even if someone turns a listener on.
func writeHBA(cluster string) error {
	f, err := os.OpenFile(filepath.Join(cluster, "pg_hba.conf"), os.O_WRONLY|os.O_TRUNC, 0)
	if err != nil {
		return fmt.Errorf("write pg_hba.conf: %w", err)
	}
	_, err = f.WriteString("# The socket's folder is open to its owner only; nothing listens on the network.\nlocal all all trust\n")
	return errors.Join(err, f.Sync(), f.Close())
}

// settings are given on the command line, so that a cluster follows the program
// that runs it and not what some earlier edition wrote into postgresql.conf.
func (i *instance) settings() []string {
	socket := i.socket
	if i.viaFD && filepath.Dir(socket) == i.home() {
		socket = filepath.Join(i.launchPath(), filepath.Base(socket))
	}
	conns := i.opt.Tuning.MaxConnections
	if conns == 0 {
		conns = 100
	}
	set := []string{
		"listen_addresses=",
		"port=" + strconv.Itoa(socketPort),
		"unix_socket_directories=" + quoteList(socket),
		"unix_socket_permissions=0700",
		"cluster_name=" + i.name(),
		"max_connections=" + strconv.Itoa(conns),
		"timezone=UTC", "log_timezone=UTC",
		"logging_collector=off", "log_destination=stderr", "log_checkpoints=off",
		// A refused statement holds customers' data, which does not belong in a log.
		"log_min_error_statement=panic",
	}
	if i.opt.Tuning.Unsafe {
		set = append(set, "fsync=off", "synchronous_commit=off", "full_page_writes=off", "wal_level=minimal", "max_wal_senders=0", "autovacuum=off")
	}
	return set
}

// quoteList quotes one element of a comma-separated setting.
func quoteList(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }

// awaitReady polls by connecting, the only sign of readiness that cannot be wrong.
func (i *instance) awaitReady(ctx context.Context, p *process) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	done := p.done
	if i.opt.Detached {
		done = i.lost(ctx)
	}
	for {
		conn, err := pgx.Connect(ctx, i.url(superuser, "postgres"))
		if err == nil {
			return conn.Close(ctx)
		}
		select {
		case <-done:
			return problem.New(problem.Unavailable, "Postgres could not start in %s. Its log %s ends: %s", i.data(), i.logPath(), p.lastWords())
		case <-ctx.Done():
			return fmt.Errorf("the embedded database did not answer in time: %w", ctx.Err())
		case <-tick.C:
		}
	}
}

// lost returns a channel that is closed when no process of a detached server can
// be seen for two seconds, which is long after the shell has handed over to it.
func (i *instance) lost(ctx context.Context) chan struct{} {
	gone := make(chan struct{})
	go func() {
		for seen := time.Now(); time.Since(seen) < 2*time.Second; {
			if main, _, err := i.family(ctx); err == nil && main != 0 {
				seen = time.Now()
			}
			select {
			case <-ctx.Done():
				return
			case <-time.After(100 * time.Millisecond):
			}
		}
		close(gone)
	}()
	return gone
}

// ensureDatabase makes the application's role and database when missing.
func (i *instance) ensureDatabase(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, i.url(superuser, "postgres"))
	if err != nil {
		return fmt.Errorf("embedded database: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx)) //nolint:errcheck // Nothing is lost with a connection that only looked.
	for _, step := range []struct{ exists, create string }{
		{`select exists (select from pg_roles where rolname = $1)`, `create role ` + appUser + ` login`},
		{`select exists (select from pg_database where datname = $1)`, `create database ` + appDB + ` owner ` + appUser},
	} {
		var there bool
		if err := conn.QueryRow(ctx, step.exists, appDB).Scan(&there); err != nil {
			return fmt.Errorf("embedded database: %w", err)
		}
		if there {
			continue
		}
		if _, err := conn.Exec(ctx, step.create); err != nil {
			return fmt.Errorf("embedded database: %s: %w", step.create, err)
		}
	}
	return nil
}

// url is the libpq form of a socket address. libpq reads + literally, so a space
// must be %20.
func (i *instance) url(user, db string) string {
	host := strings.ReplaceAll(url.QueryEscape(i.socket), "+", "%20")
	return fmt.Sprintf("postgres://%s@/%s?host=%s&port=%d", user, db, host, socketPort)
}
