package modbus

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// tiocsrs485 is the TIOCSRS485 call. x/sys has the number and no function for it.
func tiocsrs485(fd int, s *serialRS485) error {
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), unix.TIOCSRS485, uintptr(unsafe.Pointer(s))); errno != 0 {
		return errno
	}
	return nil
}
