package pgserver

import "syscall"

// dieWithParent has the kernel shut Postgres down (SIGINT: fast shutdown) when
// this process dies without stopping it.
func dieWithParent(attr *syscall.SysProcAttr) { attr.Pdeathsig = syscall.SIGINT }
