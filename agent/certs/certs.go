// Package certs reads the certificates with which this program goes to a server of somebody's own:
// a broker, a mail server.
package certs

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
)

// Client returns what a TLS client needs. host is the name the server's certificate must be for;
// empty leaves it to whoever dials. caFile holds PEM certificates of the authorities the server's
// must lead to, empty means the system's. certFile and keyFile are the client's own, PEM, both or
// neither. It reads the files at every call, so that they may be renewed.
func Client(host, caFile, certFile, keyFile string) (*tls.Config, error) {
	c := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	if caFile != "" {
		pem, err := os.ReadFile(caFile)
		if err != nil {
			return nil, fmt.Errorf("read the authority's certificate: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("read the authority's certificate: %s holds none", caFile)
		}
	}
	if certFile != "" {
		pair, err := tls.LoadX509KeyPair(certFile, keyFile)
		if err != nil {
			return nil, fmt.Errorf("read the client certificate: %w", err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}
