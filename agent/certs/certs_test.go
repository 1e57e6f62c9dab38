package certs

import (
	"crypto/tls"
	"net"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
)

// TestClient shakes hands with a server of a private authority, and without it, and says what is
// wrong with files that cannot be used.
func TestClient(t *testing.T) {
	files := servertest.NewCertificates(t)
	pair, err := tls.LoadX509KeyPair(files.CertFile, files.KeyFile)
	require.NoError(t, err)
	l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{pair}, ClientAuth: tls.RequireAnyClientCert})
	require.NoError(t, err)
	defer l.Close()
	hands := func(c *tls.Config) error {
		ended := make(chan error, 1)
		go func() {
			server, err := l.Accept()
			if err == nil {
				_ = server.(*tls.Conn).Handshake() // what the client finds is the matter
				err = server.Close()
			}
			ended <- err
		}()
		raw, err := net.Dial("tcp", l.Addr().String())
		require.NoError(t, err)
		err = tls.Client(raw, c).HandshakeContext(t.Context())
		require.NoError(t, raw.Close())
		<-ended // closing after the client has gone may fail
		return err
	}
	good, err := Client("localhost", files.CAFile, files.CertFile, files.KeyFile)
	require.NoError(t, err)
	require.NoError(t, hands(good))
	other, err := Client("elsewhere.example.org", files.CAFile, "", "")
	require.NoError(t, err)
	require.ErrorContains(t, hands(other), "elsewhere.example.org")
	system, err := Client("localhost", "", "", "")
	require.NoError(t, err)
	require.ErrorContains(t, hands(system), "authority")

	empty := filepath.Join(t.TempDir(), "ca.pem")
	require.NoError(t, os.WriteFile(empty, []byte("no certificate"), 0o600))
	for _, row := range []struct{ ca, cert, key, says string }{
		{"/nowhere", "", "", "read the authority's certificate: open /nowhere"},
		{empty, "", "", "holds none"},
		{"", files.CertFile, empty, "read the client certificate"},
	} {
		_, err := Client("localhost", row.ca, row.cert, row.key)
		require.ErrorContains(t, err, row.says)
	}
}
