package main

import (
	"bufio"
	"bytes"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// asProgram makes this test binary be nextprobe itself, so that it can be
// signalled and killed like the real one without a build of its own.
const asProgram = "NEXTPROBE_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main() // It exits.
	}
	os.Exit(m.Run())
}

// program is a nextprobe in a process of its own.
type program struct {
	t      *testing.T
	cmd    *exec.Cmd
	url    string
	exited chan struct{}

	mu     sync.Mutex
	errOut bytes.Buffer
}

// Write takes the program's standard error.
func (p *program) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.errOut.Write(b)
}

func (p *program) said() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.errOut.String()
}

// launch starts the program; when it serves, url is where.
func launch(t *testing.T, args ...string) *program {
	t.Helper()
	p := &program{t: t, cmd: exec.Command(os.Args[0], args...), exited: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), asProgram+"=1")
	p.cmd.Stderr = p
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	address := make(chan string, 1)
	go func() {
		defer close(p.exited)
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			if _, at, ok := strings.Cut(lines.Text(), "serves at "); ok {
				address <- at
			}
		}
		_ = p.cmd.Wait() // status reads how it ended.
	}()
	t.Cleanup(func() {
		_ = p.cmd.Process.Kill() // It has usually ended.
		<-p.exited
	})
	select {
	case p.url = <-address:
	case <-p.exited:
	case <-time.After(2 * time.Minute):
		t.Fatalf("%v neither serves nor ends: %s", args, p.said())
	}
	return p
}

// serveFolder starts a server on the data folder and waits until it answers.
func serveFolder(t *testing.T, dir string) *program {
	t.Helper()
	p := launch(t, "serve", "--data", dir, "--listen", "127.0.0.1:0")
	if p.url == "" {
		t.Fatalf("serve ended with status %d: %s", p.status(), p.said())
	}
	res, err := http.Get(p.url + "/readyz")
	if err != nil {
		t.Fatal(err)
	}
	_ = res.Body.Close()
	if res.StatusCode != http.StatusOK {
		t.Fatalf("/readyz: %s", res.Status)
	}
	return p
}

// status waits for the end and returns the exit status; -1 after a signal.
func (p *program) status() int {
	p.t.Helper()
	select {
	case <-p.exited:
		return p.cmd.ProcessState.ExitCode()
	case <-time.After(time.Minute):
		p.t.Fatalf("nextprobe does not end: %s", p.said())
		return 0
	}
}

func (p *program) signal(s syscall.Signal) {
	p.t.Helper()
	if err := p.cmd.Process.Signal(s); err != nil {
		p.t.Fatal(err)
	}
}

// postmaster returns the process of the folder's embedded Postgres.
func postmaster(t *testing.T, dir string) int {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(dir, "postgres", "data", "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	line, _, _ := strings.Cut(string(raw), "\n")
	pid, err := strconv.Atoi(line)
	if err != nil {
		t.Fatalf("postmaster.pid begins with %q", line)
	}
	return pid
}

// TestTheLifeOfADataFolder starts and ends servers on one folder in the ways that
// happen: each step finds what the one before has left.
func TestTheLifeOfADataFolder(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "shop")
	steps := []struct {
		name string
		do   func(*testing.T)
	}{
		{"SIGTERM ends it in order, and meanwhile a second server is refused", func(t *testing.T) {
			p := serveFolder(t, dir)
			second := launch(t, "serve", "--data", dir, "--listen", "127.0.0.1:0")
			if got := second.status(); got != exitFailed || !strings.Contains(second.said(), "in use by another nextprobe (process "+strconv.Itoa(p.cmd.Process.Pid)+")") {
				t.Errorf("second server: status %d, %s", got, second.said())
			}
			p.signal(syscall.SIGTERM)
			if got := p.status(); got != 0 {
				t.Errorf("status %d, want 0: %s", got, p.said())
			}
			if _, err := os.Stat(filepath.Join(dir, "postgres", "data", "postmaster.pid")); err == nil {
				t.Error("the database was not shut down in order: postmaster.pid is still there")
			}
		}},
		{"it does not outlive its database", func(t *testing.T) {
			p := serveFolder(t, dir)
			if err := syscall.Kill(postmaster(t, dir), syscall.SIGKILL); err != nil {
				t.Fatal(err)
			}
			if got := p.status(); got != exitFailed || !strings.Contains(p.said(), "embedded database has ended by itself") {
				t.Errorf("status %d, want %d and the reason: %s", got, exitFailed, p.said())
			}
		}},
		{"killed itself, it has lost nothing that was saved", func(t *testing.T) {
			p := serveFolder(t, dir)
			add := []string{"user", "add", "--login", testLogin, "--role", "owner", "--data", dir}
			if status, _, errOut := call(t, add...); status != 0 {
				t.Fatalf("user add beside the server: status %d: %s", status, errOut)
			}
			p.signal(syscall.SIGKILL)
			if got := p.status(); got != -1 {
				t.Errorf("status %d, want death by signal", got)
			}
			p = serveFolder(t, dir)
			if status, _, errOut := call(t, add...); status != exitFailed || !strings.Contains(errOut, "login") {
				t.Errorf("the same user again: status %d, want a refusal that names the login: %s", status, errOut)
			}
			p.signal(syscall.SIGINT)
			if got := p.status(); got != 0 {
				t.Errorf("status %d, want 0: %s", got, p.said())
			}
		}},
	}
	for _, step := range steps {
		if !t.Run(step.name, step.do) {
			return // The folder is not in the state that the next step begins with.
		}
	}
}
