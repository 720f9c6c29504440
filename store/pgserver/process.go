package pgserver

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"syscall"
	"time"
)

// process is a launched postgres.
type process struct {
	cmd     *exec.Cmd
	done    chan struct{} // closed when the process has ended
	err     error         // how it ended; read after done
	logPath string
	logFrom int64 // where this run's words begin in the log
}

// logLimit is the size at which the log starts anew; one older file is kept.
const logLimit = 8 << 20

// openLog appends to the log. It is opened here and inherited, so that it may
// lie where Postgres's user may not write.
func (i *instance) openLog() (*os.File, int64, error) {
	if info, err := os.Stat(i.logPath()); err == nil && info.Size() > logLimit {
		if err := os.Rename(i.logPath(), i.logPath()+".old"); err != nil {
			return nil, 0, fmt.Errorf("turn the log over: %w", err)
		}
	}
	f, err := os.OpenFile(i.logPath(), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return nil, 0, fmt.Errorf("open the log: %w", err)
	}
	info, err := f.Stat()
	if err != nil {
		return nil, 0, errors.Join(err, f.Close())
	}
	return f, info.Size(), nil
}

// launch starts postgres; it does not wait until it answers.
func (i *instance) launch() (*process, error) {
	args := []string{"-D", filepath.Join(i.launchPath(), "data")}
	for _, s := range i.settings() {
		args = append(args, "-c", s)
	}
	// Not bound to a context: the server is stopped in order, never killed with a request.
	cmd, release, err := i.command(context.Background(), "postgres", args...)
	if err != nil {
		return nil, err
	}
	defer release()
	log, from, err := i.openLog()
	if err != nil {
		return nil, err
	}
	defer log.Close() //nolint:errcheck // The child has its own descriptor.
	cmd.Stdout, cmd.Stderr = log, log
	p := &process{cmd: cmd, done: make(chan struct{}), logPath: i.logPath(), logFrom: from}
	if i.opt.Detached {
		// A shell starts it in the background and ends, so that nobody has to wait for it.
		cmd.Args = append([]string{"sh", "-c", `"$@" &`, "sh"}, append([]string{cmd.Path}, args...)...)
		cmd.Path = "/bin/sh"
		cmd.SysProcAttr.Setpgid, cmd.SysProcAttr.Setsid = false, true
	} else {
		dieWithParent(cmd.SysProcAttr)
	}
	started := make(chan error)
	go p.keep(started)
	if err := <-started; err != nil {
		return nil, fmt.Errorf("start %s: %w", cmd.Path, err)
	}
	return p, nil
}

// keep starts the process and waits for it on one system thread: Linux sends the
// parent-death signal when the *thread* that started the child ends, and the Go
// runtime may end threads that carry no locked goroutine.
func (p *process) keep(started chan<- error) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	err := p.cmd.Start()
	started <- err
	if err != nil {
		return
	}
	p.err = p.cmd.Wait()
	close(p.done)
}

// stop ends the process: fast, and hard once ctx is over.
func (p *process) stop(ctx context.Context) error {
	select {
	case <-p.done:
		return nil
	default:
	}
	if err := p.cmd.Process.Signal(syscall.SIGINT); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return fmt.Errorf("stop the embedded database: %w", err)
	}
	select {
	case <-p.done:
		return nil
	case <-ctx.Done():
	}
	_ = p.cmd.Process.Signal(syscall.SIGQUIT) // It may just have ended; then there is nothing to do.
	select {
	case <-p.done:
	case <-time.After(5 * time.Second):
		_ = p.cmd.Process.Kill()
		<-p.done
	}
	return fmt.Errorf("the embedded database was stopped hard, the next start recovers: %w", ctx.Err())
}

// lastWords returns the end of what this run has logged.
func (p *process) lastWords() string {
	f, err := os.Open(p.logPath)
	if err != nil {
		return err.Error()
	}
	defer f.Close() //nolint:errcheck // Read only.
	buf := make([]byte, 4096)
	n, _ := f.ReadAt(buf, p.logFrom) // A short read is the usual end of the file.
	return lastLines(string(buf[:n]), 4)
}
