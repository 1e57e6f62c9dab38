package servertest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// MosquittoOptions are what a test may want different from an open, plain broker.
type MosquittoOptions struct {
	// TLS makes the broker speak TLS with a certificate of the test's own authority.
	TLS bool
	// Username and Password, when set, are asked of every client.
	Username, Password string
	// Conf are further lines of mosquitto.conf.
	Conf string
}

// MosquittoServer is an MQTT broker that keeps its messages over Stop and Start.
type MosquittoServer struct {
	*Process
	// URL is the broker's address for clients: tcp://127.0.0.1:port or ssl://localhost:port.
	URL string
	// Port is the port in URL.
	Port int
	// CAFile is the certificate of the authority that signed the broker's; empty without TLS.
	CAFile string
}

// Mosquitto starts an empty broker.
func Mosquitto(t testing.TB, o MosquittoOptions) *MosquittoServer {
	t.Helper()
	path, dir := Program(t, "mosquitto"), t.TempDir()
	s := &MosquittoServer{}
	var certs Certificates
	if o.TLS {
		certs = NewCertificates(t)
		s.CAFile = certs.CAFile
	}
	auth := "allow_anonymous true\n"
	if o.Username != "" {
		pw := filepath.Join(dir, "passwords")
		cmd := exec.Command(Program(t, "mosquitto_passwd"), "-b", "-c", pw, o.Username, o.Password)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("servertest: mosquitto_passwd: %v: %s", err, out)
		}
		auth = "allow_anonymous false\npassword_file " + pw + "\n"
	}
	s.Process = launch(t, func(int) *Process {
		s.Port = FreePorts(t, 1)[0]
		var conf strings.Builder
		if os.Geteuid() == 0 {
			// As root it would become the user mosquitto and could not write into the folder.
			conf.WriteString("user root\n")
		}
		fmt.Fprintf(&conf, "listener %d 127.0.0.1\n%spersistence true\npersistence_location %s/\nlog_type error\nlog_type warning\n", s.Port, auth, dir)
		s.URL = fmt.Sprintf("tcp://127.0.0.1:%d", s.Port)
		if o.TLS {
			fmt.Fprintf(&conf, "cafile %s\ncertfile %s\nkeyfile %s\n", certs.CAFile, certs.CertFile, certs.KeyFile)
			s.URL = fmt.Sprintf("ssl://localhost:%d", s.Port)
		}
		conf.WriteString(o.Conf)
		file := filepath.Join(dir, "mosquitto.conf")
		writeFile(t, file, conf.String())
		return &Process{name: "mosquitto", path: path, args: []string{"-c", file}, ready: Accepts(loopback(s.Port))}
	})
	return s
}

// Certificates are the files of a private certificate authority and of one server certificate
// it has signed, for localhost and 127.0.0.1.
type Certificates struct{ CAFile, CertFile, KeyFile string }

// NewCertificates makes an authority and a server certificate that are valid for a day.
func NewCertificates(t testing.TB) Certificates {
	t.Helper()
	dir := t.TempDir()
	c := Certificates{CAFile: filepath.Join(dir, "ca.pem"), CertFile: filepath.Join(dir, "cert.pem"), KeyFile: filepath.Join(dir, "key.pem")}
	fail := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("servertest: certificates: %v", err)
		}
	}
	caKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	fail(err)
	from := time.Now().Add(-time.Hour)
	ca := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"},
		NotBefore: from, NotAfter: from.Add(25 * time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	caDER, err := x509.CreateCertificate(rand.Reader, ca, ca, &caKey.PublicKey, caKey)
	fail(err)
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	fail(err)
	leaf := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "localhost"},
		NotBefore: from, NotAfter: from.Add(25 * time.Hour), KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		DNSNames:    []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback}}
	leafDER, err := x509.CreateCertificate(rand.Reader, leaf, ca, &key.PublicKey, caKey)
	fail(err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	fail(err)
	for _, f := range []struct {
		path, kind string
		der        []byte
	}{{c.CAFile, "CERTIFICATE", caDER}, {c.CertFile, "CERTIFICATE", leafDER}, {c.KeyFile, "PRIVATE KEY", keyDER}} {
		fail(os.WriteFile(f.path, pem.EncodeToMemory(&pem.Block{Type: f.kind, Bytes: f.der}), 0o600))
	}
	return c
}
