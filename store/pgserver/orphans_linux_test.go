package pgserver

import (
	"os"
	"os/exec"
	"syscall"
	"testing"
)

// The host sees the processes of its containers. One whose folder has the same
// path, and hence the same name, must not be taken for an orphan and ended.
func TestAServerInAContainerIsNoOrphanOfOurs(t *testing.T) {
	t.Parallel()
	inst, err := newInstance(options(t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name    string
		unshare uintptr
		ours    bool
	}{
		{"on the same system", 0, true},
		{"in a mount namespace of its own", syscall.CLONE_NEWNS, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.unshare != 0 && os.Geteuid() != 0 {
				t.Skip("only root makes a namespace")
			}
			pid := namesake(t, inst, c.unshare)
			main, _, err := inst.family(t.Context())
			if err != nil || (main == pid) != c.ours {
				t.Errorf("family finds process %d, %v; process %d is ours: %v", main, err, pid, c.ours)
			}
		})
	}
}

// namesake starts a process with the command line of inst's server.
func namesake(t *testing.T, inst *instance, unshare uintptr) int {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Args = []string{"postgres", "-c", "cluster_name=" + inst.name(), "-c", "port=5432"}
	cmd.Env = append(os.Environ(), helperWait+"=1")
	cmd.Dir = "/"
	cmd.SysProcAttr = &syscall.SysProcAttr{Unshareflags: unshare}
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = stdin.Close() // The helper ends with its input.
		if err := cmd.Wait(); err != nil {
			t.Errorf("helper: %v", err)
		}
	})
	return cmd.Process.Pid
}
