package servertest

import "syscall"

// attributes makes the kernel end a server when the test that started it is killed.
func attributes() *syscall.SysProcAttr { return &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} }
