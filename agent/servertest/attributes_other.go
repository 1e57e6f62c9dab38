//go:build !linux

package servertest

import "syscall"

// attributes has nothing to offer outside Linux: a killed test may leave a server behind.
func attributes() *syscall.SysProcAttr { return nil }
