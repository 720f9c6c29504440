//go:build !linux

package pgserver

import "syscall"

// dieWithParent does nothing here: only Linux can tie a child to its parent. The
// next start stops what was left running.
func dieWithParent(*syscall.SysProcAttr) {}
