package pgserver

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"nextprobe/internal/problem"
)

// running is one process of the system.
type running struct {
	pid  int
	args string // arguments joined by spaces; Postgres's children write a title here
}

// processes lists what runs, from /proc or, where there is none, from ps.
func processes(ctx context.Context) ([]running, error) {
	entries, err := os.ReadDir("/proc")
	if err != nil || len(entries) == 0 {
		return psProcesses(ctx)
	}
	var list []running
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		raw, err := os.ReadFile(filepath.Join("/proc", e.Name(), "cmdline"))
		if err != nil || len(raw) == 0 {
			continue // It has just ended, or is a thread of the kernel.
		}
		list = append(list, running{pid, string(bytes.ReplaceAll(raw, []byte{0}, []byte{' '}))})
	}
	return list, nil
}

func psProcesses(ctx context.Context) ([]running, error) {
	out, err := exec.CommandContext(ctx, "ps", "-axww", "-o", "pid=,args=").Output()
	if err != nil {
		return nil, fmt.Errorf("list processes: %w", err)
	}
	var list []running
	for line := range strings.Lines(string(out)) {
		id, args, _ := strings.Cut(strings.TrimSpace(line), " ")
		if pid, err := strconv.Atoi(id); err == nil {
			list = append(list, running{pid, args + " "})
		}
	}
	return list, nil
}

// isServer reports whether the process is a postgres main process of any kind.
func (r running) isServer() bool {
	program, _, _ := strings.Cut(r.args, " ")
	return filepath.Base(program) == "postgres"
}

// family finds the processes of this instance: the main one (0 when it has gone)
// and its children. The instance's name stands in the command line of the first
// and in the title of the others.
func (i *instance) family(ctx context.Context) (main int, children []int, err error) {
	list, err := processes(ctx)
	if err != nil {
		return 0, nil, err
	}
	for _, r := range list {
		switch {
		case strings.HasPrefix(r.args, "postgres: "+i.name()+": "):
			if !i.elsewhere(r.pid) {
				children = append(children, r.pid)
			}
		case r.isServer() && strings.Contains(r.args, " cluster_name="+i.name()+" "):
			if !i.elsewhere(r.pid) {
				main = r.pid
			}
		}
	}
	return main, children, nil
}

// elsewhere reports whether the process lives in another root or mount namespace
// and works on another cluster. The host sees the processes of its containers,
// and the same path, hence the same name, may be another folder in there.
// Where the system does not tell, the name decides.
func (i *instance) elsewhere(pid int) bool {
	proc := filepath.Join("/proc", strconv.Itoa(pid))
	cwd, err := os.Stat(filepath.Join(proc, "cwd")) // Postgres works in its data folder.
	if err != nil {
		return false
	}
	if data, err := os.Stat(i.data()); err == nil && os.SameFile(cwd, data) {
		return false
	}
	return differ(filepath.Join(proc, "root"), "/") ||
		differ(filepath.Join(proc, "ns", "mnt"), "/proc/self/ns/mnt")
}

func differ(one, other string) bool {
	a, err1 := os.Stat(one)
	b, err2 := os.Stat(other)
	return err1 == nil && err2 == nil && !os.SameFile(a, b)
}

// reap ends what an earlier run has left: a server whose parent was killed, or
// children whose server was killed and that still hold its memory. It is called
// under the folder's lock, so none of them belongs to a living nextprobe.
func (i *instance) reap(ctx context.Context) error {
	began := time.Now()
	told := false
	for step := 0; ; step++ {
		main, children, err := i.family(ctx)
		if err != nil {
			return err
		}
		if main == 0 && len(children) == 0 {
			return i.clearPIDFiles(ctx)
		}
		if !told {
			i.opt.Log.Warn("ending the database processes that an earlier run left behind", "main", main, "children", children)
			told = true
		}
		if err := i.nudge(main, children, time.Since(began), step); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("an earlier server in %s does not end: %w", i.dir, ctx.Err())
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// nudge signals with growing force: a fast shutdown, after 20 s an immediate one
// (the next start recovers from the log), after 30 s no more asking.
func (i *instance) nudge(main int, children []int, since time.Duration, step int) error {
	if main != 0 {
		sig := syscall.SIGINT
		switch {
		case since > 30*time.Second:
			sig = syscall.SIGKILL
		case since > 20*time.Second:
			sig = syscall.SIGQUIT
		case step > 0:
			return nil // Asked already; it is writing its checkpoint.
		}
		return i.kill(main, sig)
	}
	// Children notice by themselves that the main process has gone; a busy one may not.
	if since < 2*time.Second {
		return nil
	}
	sig := syscall.SIGQUIT
	if since > 5*time.Second {
		sig = syscall.SIGKILL
	}
	for _, pid := range children {
		if err := i.kill(pid, sig); err != nil {
			return err
		}
	}
	return nil
}

func (i *instance) kill(pid int, sig syscall.Signal) error {
	err := syscall.Kill(pid, sig)
	if err == nil || errors.Is(err, syscall.ESRCH) {
		return nil
	}
	return problem.New(problem.Unavailable, "A database process (%d) of an earlier run is still there and belongs to another user; end it first.", pid).Because(err)
}

// clearPIDFiles removes the pid files of a dead server when their number now
// belongs to something else, as it often does after a container or the machine
// was restarted: Postgres would take that process for a running server. A number
// that belongs to some Postgres is left for Postgres itself to judge.
func (i *instance) clearPIDFiles(ctx context.Context) error {
	list, err := processes(ctx)
	if err != nil {
		return err
	}
	for _, path := range []string{filepath.Join(i.data(), "postmaster.pid"), socketFile(i.socket) + ".lock"} {
		raw, err := os.ReadFile(path)
		if err != nil {
			continue
		}
		first, _, _ := strings.Cut(string(raw), "\n")
		pid, err := strconv.Atoi(strings.TrimSpace(first))
		if err == nil && servesAs(list, pid) {
			continue
		}
		i.opt.Log.Warn("the database was not shut down in order; recovering", "stale", path)
		if err := os.Remove(path); err != nil {
			return fmt.Errorf("remove the stale %s: %w", path, err)
		}
	}
	return nil
}

func servesAs(list []running, pid int) bool {
	for _, r := range list {
		if r.pid == pid {
			return r.isServer()
		}
	}
	return false
}

// StopRunning stops the server that runs in dir without its nextprobe: a
// detached one, or one whose parent was killed. It does nothing when none runs,
// and returns an error with ErrInUse in its chain when a living process holds it.
func StopRunning(ctx context.Context, opt Options) error {
	if _, err := os.Stat(opt.Dir); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	i, err := newInstance(opt)
	if err != nil {
		return err
	}
	lock, err := acquire(i.lockPath())
	if err != nil {
		return err
	}
	defer unlock(lock) //nolint:errcheck // Nothing is lost: the lock ends with the process at the latest.
	if i.owner, err = chooseOwner(opt.User, i.home()); err != nil {
		return err
	}
	if _, err := os.Stat(i.home()); errors.Is(err, os.ErrNotExist) {
		return nil // No server has ever run here.
	}
	if i.socket, err = i.socketDir(); err != nil {
		return err
	}
	if err := i.reap(ctx); err != nil {
		return err
	}
	return i.clear()
}
