package hub

import (
	"crypto/rand"
	"encoding/hex"
	"net/url"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Options say which broker and which sites to hear. Make them with DefaultOptions.
type Options struct {
	// Broker is tcp://host:port or, with TLS, ssl://host:port.
	Broker string
	// Prefixes are the first parts of the topics to hear, one subscription tree each: hubs are
	// split by giving each its own.
	Prefixes []string
	// Sites are the ids of the sites there are. A site that is not among them is refused; one
	// that is and has never been heard is silent.
	Sites []string
	// Username and Password are sent when Username is not empty. Password is called at every
	// connection; nil sends none.
	Username string
	Password func() (string, error)
	// CAFile, CertFile and KeyFile are PEM files for a broker with TLS.
	CAFile, CertFile, KeyFile string
	// SilentAfter is how long nothing new may come from a site before it is silent. Sites tell
	// their status every minute unless told otherwise.
	SilentAfter time.Duration
}

// DefaultOptions returns options that need a broker and sites.
func DefaultOptions() Options {
	return Options{Prefixes: []string{"bayledger"}, SilentAfter: 5 * time.Minute}
}

// Validate returns every mistake of the options.
func (o Options) Validate() site.Problems {
	var p site.Problems
	u, err := url.Parse(o.Broker)
	switch {
	case err != nil || u.Hostname() == "" || !slices.Contains([]string{"tcp", "ssl"}, u.Scheme):
		p.Add("broker", "write tcp://host:1883 or ssl://host:8883", "this is not the address of a broker")
	case u.User != nil:
		p.Add("broker", "give username and password by themselves", "a password does not stand in an address")
	case u.Scheme == "tcp" && (o.CAFile != "" || o.CertFile != "" || o.KeyFile != ""):
		p.Add("broker", "write ssl:// for a broker with TLS", "certificates are given, but tcp:// is not encrypted")
	}
	if (o.CertFile == "") != (o.KeyFile == "") {
		p.Add("cert", "give both, or neither", "a client certificate needs its key, and a key its certificate")
	}
	if len(o.Prefixes) == 0 {
		p.Add("prefix", `write for example "bayledger"`, "no prefix is given")
	}
	for _, prefix := range o.Prefixes {
		if prefix == "" || strings.ContainsAny(prefix, "+#\x00") || strings.HasPrefix(prefix, "$") || slices.Contains(strings.Split(prefix, "/"), "") {
			p.Add("prefix", `write for example "clubs/north"`, "%q cannot begin a topic", prefix)
		}
	}
	if len(o.Sites) == 0 {
		p.Add("sites", "list the ids of the sites, as in their site files", "no site is named: everything would be refused")
	}
	for i, id := range o.Sites {
		if wrong := site.CheckID(id); wrong != "" {
			p.Add("sites", "write the id as the site's file has it", "%q: %s", id, wrong)
		}
		if slices.Contains(o.Sites[:i], id) {
			p.Add("sites", "name each site once", "%s is named twice", id)
		}
	}
	if o.SilentAfter < time.Second {
		p.Add("silent_after", `write for example "5m"`, "a site would be silent between two messages")
	}
	return p
}

// clientID is another one at every start: replicas must not throw each other out, and nothing is
// kept at the broker under it.
func clientID() string {
	var b [7]byte
	_, _ = rand.Read(b[:]) // never fails (crypto/rand)
	return "bayhub" + hex.EncodeToString(b[:])
}
