package pgtest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"syscall"

	"github.com/jackc/pgx/v5"

	"nextprobe/store/pgserver"
)

// The shared server lives in base()/server. Two locks (flock) guard it:
// start.lock is held while one looks whether it runs and starts it; use.lock is
// held, shared, by every test binary as long as it lives, so that a Stop never
// takes the server away from a test run that is not its own.

var (
	sharedOnce  sync.Once
	sharedPlace place
	errShared   error
	// inUse is kept here for the life of the process: an unreferenced file is closed
	// by the garbage collector, and the lock with it.
	inUse *os.File //nolint:unused // It is only held.
)

func shared() (place, error) {
	sharedOnce.Do(func() { sharedPlace, errShared = join() })
	return sharedPlace, errShared
}

func base() string {
	return filepath.Join(os.TempDir(), fmt.Sprintf("nextprobe-test-%d", os.Geteuid()))
}

func serverOptions() pgserver.Options {
	return pgserver.Options{
		Dir:      filepath.Join(base(), "server"),
		Tuning:   pgserver.Tuning{Unsafe: true, MaxConnections: 300},
		Log:      slog.New(slog.DiscardHandler),
		Detached: true,
	}
}

// join takes part in the shared server, starting it when it does not run.
func join() (place, error) {
	if err := makeBase(); err != nil {
		return place{}, err
	}
	var err error
	if inUse, err = lockFile("use.lock", syscall.LOCK_SH); err != nil {
		return place{}, err
	}
	starting, err := lockFile("start.lock", syscall.LOCK_EX)
	if err != nil {
		return place{}, err
	}
	defer starting.Close() //nolint:errcheck // Closing frees the lock.
	return find()
}

func find() (place, error) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	opt := serverOptions()
	user, err := pgserver.RunningURL(opt.Dir)
	if err == nil {
		return asPlace(user)
	}
	s, err := pgserver.Start(ctx, opt)
	if err != nil {
		return place{}, err
	}
	return asPlace(s.URL())
}

// asPlace derives the administrator's URL from the application's.
func asPlace(user string) (place, error) {
	cfg, err := pgx.ParseConfig(user)
	if err != nil {
		return place{}, err
	}
	admin, err := pgserver.AdminURL(user)
	return place{admin: admin, user: user, role: cfg.User}, err
}

// makeBase makes the folder and refuses one that somebody else has laid there.
func makeBase() error {
	mode := os.FileMode(0o700)
	if os.Geteuid() == 0 {
		mode = 0o711 // Postgres's own user must pass.
	}
	if err := os.Mkdir(base(), mode); err != nil && !errors.Is(err, os.ErrExist) {
		return fmt.Errorf("folder of the test server: %w", err)
	}
	info, err := os.Lstat(base())
	if err != nil {
		return fmt.Errorf("folder of the test server: %w", err)
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok || !info.IsDir() || int(st.Uid) != os.Geteuid() || info.Mode().Perm()&0o022 != 0 {
		return fmt.Errorf("%s must be a folder that only this user can write to; remove it", base())
	}
	return nil
}

func lockFile(name string, how int) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(base(), name), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock of the test server: %w", err)
	}
	for {
		err = syscall.Flock(int(f.Fd()), how)
		if !errors.Is(err, syscall.EINTR) {
			break
		}
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// Stop ends the shared server and removes its files. It does nothing and reports
// false while test binaries still use it.
func Stop(ctx context.Context) (bool, error) {
	if _, err := os.Stat(base()); errors.Is(err, os.ErrNotExist) {
		return true, nil
	}
	if err := makeBase(); err != nil {
		return false, err
	}
	use, err := lockFile("use.lock", syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer use.Close() //nolint:errcheck // Closing frees the lock.
	opt := serverOptions()
	if err := pgserver.StopRunning(ctx, opt); err != nil {
		return false, err
	}
	return true, os.RemoveAll(opt.Dir)
}
