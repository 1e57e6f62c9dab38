package influx

import (
	"net/url"
	"os"
	"time"

	"bayledger/agent/site"
)

// Options of one destination.
type Options struct {
	// Name is the id of the destination: its queue in the journal, and the subject of
	// sink-unreachable.
	Name string
	// URL of the server, such as https://central.club.example:8086.
	URL string
	// Org and Bucket as InfluxDB 2 and 3 name them. For 1.8 Org is empty and Bucket is
	// database or database/retention-policy.
	Org, Bucket string
	// Token returns the secret to show, "user:password" for 1.8; nil when none is asked for.
	// It is called again after the server has refused it, so that a file can be replaced.
	Token func() (string, error)
	// CAFile holds certificates of a private authority that are trusted beside the system's.
	CAFile string
	// Proxy is the URL of an HTTP proxy; empty means a direct connection, whatever the
	// environment says.
	Proxy string
	// Plain sends bodies without gzip.
	Plain bool
	// BatchSize is the most samples in one request.
	BatchSize int
	// Timeout of one request.
	Timeout time.Duration
	// RetryMin and RetryMax bound the waits between attempts while the server cannot be
	// reached; RetryConfig is the wait when a person has to put something right.
	RetryMin, RetryMax, RetryConfig time.Duration
}

// DefaultOptions for a destination.
func DefaultOptions(name, url, bucket string) Options {
	return Options{Name: name, URL: url, Bucket: bucket, BatchSize: 5000, Timeout: 10 * time.Second,
		RetryMin: time.Second, RetryMax: time.Minute, RetryConfig: 5 * time.Minute}
}

// Validate returns every mistake.
func (o Options) Validate() site.Problems {
	var p site.Problems
	if why := site.CheckID(o.Name); why != "" {
		p.Add("name", "give the destination an id such as central", "%s", why)
	}
	checkURL := func(path, text, fix string) {
		u, err := url.Parse(text)
		switch {
		case err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https"):
			p.Add(path, fix, "%q is not the address of a server", text)
		case u.User != nil:
			p.Add(path, "take the name and password out and use token", "an address with a password in it would be shown in logs")
		}
	}
	checkURL("url", o.URL, "write for example https://central.club.example:8086")
	if o.Proxy != "" {
		checkURL("proxy", o.Proxy, "write for example http://proxy.club.example:3128")
	}
	if o.Bucket == "" {
		p.Add("bucket", "name the bucket, or for InfluxDB 1.8 database/retention-policy", "there is no bucket to write into")
	}
	if o.CAFile != "" {
		if _, err := os.Stat(o.CAFile); err != nil {
			p.Add("ca", "name a readable PEM file", "%v", err)
		}
	}
	if o.BatchSize < 1 || o.BatchSize > 50_000 {
		p.Add("batch", "give 1 to 50000; 5000 is good", "a batch of %d samples is no batch", o.BatchSize)
	}
	if o.Timeout < 100*time.Millisecond {
		p.Add("timeout", "give at least 100ms; 10s is good", "%v is too short to answer", o.Timeout)
	}
	if o.RetryMin <= 0 || o.RetryMax < o.RetryMin || o.RetryConfig < o.RetryMin {
		p.Add("retry", "leave the waits at their defaults", "waits of %v to %v and %v do not grow", o.RetryMin, o.RetryMax, o.RetryConfig)
	}
	return p
}
