package relay

import (
	"net"
	"sync"
)

// socket is the connection under an MQTT client, so that it can be closed while the library is
// inside a handshake that knows no context.
type socket struct {
	mu     sync.Mutex
	conn   net.Conn
	closed bool
}

// set takes the connection over; if close came first it is closed at once.
func (s *socket) set(c net.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.conn = c
	if s.closed {
		_ = c.Close() // whoever reads from it next is told
	}
}

func (s *socket) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	if s.conn != nil {
		_ = s.conn.Close() // whoever reads from it is told
	}
}
