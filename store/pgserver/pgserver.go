// Package pgserver runs a private Postgres: the embedded default database of
// nextprobe, and the server of the tests. It uses the machine's installed
// binaries, keeps everything under one folder and listens on a Unix socket in a
// directory that only its owner can enter; there is no TCP listener and hence
// no password.
//
// Under Options.Dir it keeps
//
//	postgres/data     the database cluster
//	postgres/socket   the socket, unless its path would be too long for the system
//	postgres.lock     held (flock) by the process that runs the server
//	postgres.log      what Postgres says
//	postgres.url      where the running server is, for commands beside it
package pgserver

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"nextprobe/internal/problem"
)

// ErrInUse is in the chain of the error that Start returns when another process
// runs the server of the same folder.
var ErrInUse = errors.New("the embedded database is in use")

const (
	// superuser owns the cluster; the program itself signs in as appUser, so
	// that row-level rules and missing rights are not silently passed over.
	superuser = "postgres"
	appUser   = "nextprobe"
	appDB     = "nextprobe"
)

// Options configure a server. Only Dir is needed.
type Options struct {
	// Dir is the data folder; it is created when missing.
	Dir string
	// Log takes what is worth telling; nil means slog.Default().
	Log *slog.Logger
	// User is the system user that runs Postgres when this process is root
	// (Postgres refuses to run as root). Empty means the owner of an existing
	// cluster, else the first that exists of nextprobe, postgres, _postgres and nobody.
	User string
	// Search replaces the usual directories in which binaries are looked for.
	Search []string
	// Tuning adapts the server to its use.
	Tuning Tuning
	// Detached leaves the server running when this process ends; StopRunning
	// stops it. Tests share one server this way.
	Detached bool
}

// Tuning adapts a server to its use. The zero value is right for a shop.
type Tuning struct {
	// Unsafe trades safety after a crash for speed (no fsync): for tests only.
	Unsafe bool
	// MaxConnections is the server's limit; 0 means 100.
	MaxConnections int
}

// Server is a running Postgres.
type Server struct {
	inst *instance
	lock *os.File
	proc *process

	mu      sync.Mutex
	stopped bool
}

// Start finds the binaries, makes the cluster when there is none, recovers what
// a crash has left, and returns once the server answers. A second start on the
// same folder is refused with an error in whose chain ErrInUse stands. All other
// errors that the reader can mend are problem.Unavailable and say how.
// ctx bounds the start only.
func Start(ctx context.Context, opt Options) (*Server, error) {
	inst, err := newInstance(opt)
	if err != nil {
		return nil, err
	}
	lock, err := acquire(inst.lockPath())
	if err != nil {
		return nil, err
	}
	s := &Server{inst: inst, lock: lock}
	if err := s.start(ctx); err != nil {
		return nil, errors.Join(err, s.abandon())
	}
	if opt.Detached {
		// The lock guards the start; a server that outlives us must not depend on it.
		return s, s.release()
	}
	go s.watch()
	return s, nil
}

func (s *Server) start(ctx context.Context) error {
	if err := s.inst.prepare(ctx); err != nil {
		return err
	}
	proc, err := s.inst.launch()
	if err != nil {
		return err
	}
	s.proc = proc
	if err := s.inst.awaitReady(ctx, proc); err != nil {
		return err
	}
	if err := s.inst.ensureDatabase(ctx); err != nil {
		return err
	}
	return s.inst.publishURL()
}

// abandon takes down what a failed start has put up.
func (s *Server) abandon() error {
	var err error
	if s.proc != nil {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		err = s.proc.stop(ctx)
		if s.inst.opt.Detached {
			err = s.inst.reap(ctx)
		}
	}
	return errors.Join(err, s.inst.clear(), s.release())
}

// watch reports a server that ends without being asked to.
func (s *Server) watch() {
	<-s.proc.done
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.stopped {
		s.inst.opt.Log.Error("the embedded database ended by itself", "error", s.proc.err, "log", s.inst.logPath())
	}
}

// URL returns the libpq URL of the application's database, over the socket.
func (s *Server) URL() string { return s.inst.url(appUser, appDB) }

// AdminURL returns the URL of the maintenance database as the cluster's
// superuser, for what the application may not do: create and drop databases.
func (s *Server) AdminURL() string { return s.inst.url(superuser, "postgres") }

// Done is closed when the server process has ended, asked or not. It means
// nothing for a detached server.
func (s *Server) Done() <-chan struct{} { return s.proc.done }

// Stop shuts the server down in the fast way (open transactions are rolled back,
// nothing committed is lost), waits for its end and frees the folder. When ctx
// ends first, the server is stopped hard and the next start recovers; the error
// says so. A second Stop does nothing.
func (s *Server) Stop(ctx context.Context) error {
	s.mu.Lock()
	if s.stopped {
		s.mu.Unlock()
		return nil
	}
	s.stopped = true
	s.mu.Unlock()
	return errors.Join(s.proc.stop(ctx), s.inst.clear(), s.release())
}

func (s *Server) release() error {
	if s.lock == nil {
		return nil
	}
	err := unlock(s.lock)
	s.lock = nil
	return err
}

// unlock frees the folder at once. Closing alone would not: a child that another
// goroutine is just starting holds a copy of the descriptor until its exec.
func unlock(f *os.File) error {
	return errors.Join(syscall.Flock(int(f.Fd()), syscall.LOCK_UN), f.Close())
}

// acquire takes the folder's lock without waiting, and notes who holds it.
func acquire(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, problem.New(problem.Unavailable, "The data folder %s cannot be written to; check its owner and rights.", filepath.Dir(path)).Because(err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		holder, _ := os.ReadFile(path)
		_ = f.Close()
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("lock %s: %w", path, err)
		}
		return nil, problem.New(problem.Conflict,
			"The database in %s is in use by another nextprobe (process %s). Stop that one, or choose another data folder with --data.",
			filepath.Dir(path), holderName(holder)).Because(ErrInUse)
	}
	if err := f.Truncate(0); err == nil {
		_, err = fmt.Fprintf(f, "%d\n", os.Getpid())
		if err != nil {
			return nil, errors.Join(fmt.Errorf("write %s: %w", path, err), f.Close())
		}
	}
	return f, nil
}
