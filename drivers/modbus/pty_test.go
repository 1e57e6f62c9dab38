package modbus

import (
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// serialPair is a pseudo terminal: path is what the driver opens, far is the other end of the
// wire, where the device is. A pseudo terminal has no speed, no parity errors and no RS-485
// direction control; everything else is the kernel's serial layer.
func serialPair(t *testing.T) (path string, far *os.File) {
	t.Helper()
	return serialPairOf(t)
}

func serialPairOf(t testing.TB) (path string, far *os.File) {
	t.Helper()
	blocking, near, err := pty.Open()
	require.NoError(t, err)
	// The pty package leaves the master blocking, and closing it then does not end a read.
	fd, err := unix.Dup(int(blocking.Fd()))
	require.NoError(t, err)
	require.NoError(t, unix.SetNonblock(fd, true))
	require.NoError(t, blocking.Close())
	far = os.NewFile(uintptr(fd), "ptmx")
	// Raw from the start: a new pseudo terminal echoes and translates line ends.
	raw, err := unix.IoctlGetTermios(int(near.Fd()), unix.TCGETS)
	require.NoError(t, err)
	raw.Iflag, raw.Oflag, raw.Lflag = 0, 0, 0
	raw.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL
	require.NoError(t, unix.IoctlSetTermios(int(near.Fd()), unix.TCSETS, raw))
	// A link whose name stays, as under /dev/serial/by-id.
	path = filepath.Join(t.TempDir(), "adapter")
	require.NoError(t, os.Symlink(near.Name(), path))
	t.Cleanup(func() {
		near.Close()
		far.Close()
	})
	return path, far
}

// serial serves the field on the far end of a pseudo terminal.
func (f *field) serial() string {
	f.t.Helper()
	f.rtu = true
	path, far := serialPair(f.t)
	f.wg.Go(func() { f.serve(far) })
	f.t.Cleanup(func() {
		far.Close()
		f.wg.Wait()
	})
	return path
}

func serialLink(path string, devices ...Device) Link {
	l := DefaultLink(Serial)
	l.ID, l.Path, l.Devices = "line", path, devices
	l.Baud, l.DataBits, l.Parity, l.StopBits = 115200, 8, ParityNone, 1
	l.Listen, l.Late = 0, l.Late/4
	return l
}

var _ io.ReadWriteCloser = (*os.File)(nil)
