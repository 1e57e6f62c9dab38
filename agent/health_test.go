package agent

import (
	"context"
	"fmt"
	"net"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
	"bayledger/agent/words"
	"bayledger/drivers/modbus"
)

// Whoever is woken by a silent line reads what keeps it silent in their own language; what nobody
// has words for is told as the machine has it.
func TestWhyALineIsSilent(t *testing.T) {
	closed := fmt.Sprintf("127.0.0.1:%d", servertest.FreePorts(t, 1)[0])
	_, refused := net.DialTimeout("tcp", closed, time.Second)
	require.Error(t, refused)
	pump := &net.TCPAddr{IP: net.IPv4(192, 0, 2, 21), Port: 502}
	german := words.Voice{Language: words.German, Zone: time.UTC}
	for _, c := range []struct {
		name string
		err  error
		says string
	}{
		{"nothing listens", refused, closed + " lehnt die Verbindung ab"},
		{"nobody is there", &net.OpError{Op: "dial", Addr: pump, Err: context.DeadlineExceeded}, "192.0.2.21:502 antwortet nicht"},
		{"the cable is out", &net.OpError{Op: "dial", Addr: pump, Err: syscall.ENETUNREACH}, "im Netz führt kein Weg zu 192.0.2.21:502"},
		{"the adapter is out", fmt.Errorf("open /dev/ttyUSB0: %w", syscall.ENOENT), "ihr Adapter steckt nicht"},
		{"a connection that broke", &net.OpError{Op: "read", Addr: pump, Err: syscall.ECONNREFUSED}, "as it was told"},
		{"no error at all", nil, "as it was told"},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Equal(t, c.says, linkNote(german, modbus.LinkStats{Last: "as it was told", Err: c.err}))
		})
	}
}
