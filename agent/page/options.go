package page

import (
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Options are the page's part of the site file.
type Options struct {
	// Listen is the address the agent binds, host:port. Port 0 lets the system choose.
	Listen string
	// CertFile and KeyFile are a PEM certificate chain and its key; both or neither.
	CertFile, KeyFile string
	// Insecure allows log-ins over plain HTTP on an address other machines can reach. Every page
	// then says so.
	Insecure bool
	// OpenReading lets anybody who can reach the address read, /metrics and API alike; changing
	// anything needs a log-in always.
	OpenReading bool
	// UsersFile is where names and password hashes are kept; empty means that nobody can log in
	// and the page can be read only.
	UsersFile string
	// URL is how people reach the page from where they are, for links in notices; empty means
	// the listening address.
	URL string
	// Fresh is how old the newest reading may be before /healthz says that the watch is blind.
	Fresh time.Duration
	// MaxStreams bounds the viewers that are kept up to date at the same time; one more is told
	// to come back later, and sees the page without live updates.
	MaxStreams int
}

// Loopback reports whether only this machine can reach the listening address.
func (o Options) Loopback() bool {
	host, _, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return false
	}
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback()
}

// TLS reports whether the page is served over TLS.
func (o Options) TLS() bool { return o.CertFile != "" }

// Validate returns every mistake in the options.
func (o Options) Validate() site.Problems {
	var p site.Problems
	if _, port, err := net.SplitHostPort(o.Listen); err != nil || port == "" {
		p.Add("listen", "write host:port, for example 127.0.0.1:8420", "%q is not an address to listen on", o.Listen)
	}
	switch {
	case o.CertFile != "" && o.KeyFile == "":
		p.Add("key_file", "name the key that belongs to the certificate", "there is a certificate but no key")
	case o.CertFile == "" && o.KeyFile != "":
		p.Add("cert_file", "name the certificate that belongs to the key", "there is a key but no certificate")
	}
	if o.UsersFile != "" && !o.Loopback() && !o.TLS() && !o.Insecure {
		p.Add("listen", "give cert_file and key_file, listen on 127.0.0.1 behind a proxy, or accept it with insecure: yes",
			"people would log in over plain HTTP on %s, where the network can read their passwords", o.Listen)
	}
	if !o.OpenReading && o.UsersFile == "" {
		p.Add("users_file", "name a users file, or let everybody read with open_reading: yes", "nobody may read without a log-in, and nobody can log in")
	}
	if o.URL != "" {
		if u, err := url.Parse(o.URL); err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "" {
			p.Add("url", "write for example https://courts.example.net", "%q is not the address of a page at the root of a host", o.URL)
		}
	}
	if o.Fresh < 10*time.Second || o.Fresh > time.Hour {
		p.Add("fresh", "between 10s and 1h", "%s is no useful limit for the age of the newest reading", o.Fresh)
	}
	if o.MaxStreams < 1 || o.MaxStreams > 10000 {
		p.Add("max_streams", "between 1 and 10000", "%d viewers cannot be the limit", o.MaxStreams)
	}
	for i := range p {
		p[i].Path = fmt.Sprintf("page.%s", p[i].Path)
	}
	return p
}
