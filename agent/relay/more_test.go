package relay

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"log/slog"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
)

func discard() *slog.Logger { return slog.New(slog.DiscardHandler) }

// fixed is a clock that stands.
type fixed struct{ at time.Time }

func (f fixed) Now() time.Time                            { return f.at }
func (fixed) Wait(ctx context.Context, _ time.Time) error { <-ctx.Done(); return ctx.Err() }
func (fixed) Work() func()                                { return func() {} }

// servertestSub reads one message with Mosquitto's own client.
func servertestSub(t *testing.T, port int, topic string) (string, error) {
	t.Helper()
	out, err := exec.Command(servertest.Program(t, "mosquitto_sub"), "-h", "127.0.0.1", "-p", strconv.Itoa(port), "-t", topic, "-C", "1", "-W", "30").Output()
	return string(out), err
}

// clientCertificate makes an authority and a certificate for a client that it has signed.
func clientCertificate(t *testing.T) (caPEM []byte, certFile, keyFile string) {
	t.Helper()
	caKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	from := time.Now().Add(-time.Hour)
	ca := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "authority of clients"},
		NotBefore: from, NotAfter: from.Add(25 * time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	caDER, err := x509.CreateCertificate(rand.Reader, ca, ca, &caKey.PublicKey, caKey)
	require.NoError(t, err)
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	leaf := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "riedhof"}, NotBefore: from,
		NotAfter: from.Add(25 * time.Hour), KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}
	leafDER, err := x509.CreateCertificate(rand.Reader, leaf, ca, &key.PublicKey, caKey)
	require.NoError(t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	dir := t.TempDir()
	write := func(name, kind string, der []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
		return path
	}
	certFile, keyFile = write("cert.pem", "CERTIFICATE", leafDER), write("key.pem", "PRIVATE KEY", keyDER)
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: caDER}), certFile, keyFile
}
