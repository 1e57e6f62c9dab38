package sitefile

import (
	"time"

	"bayledger/agent/page"
	"bayledger/agent/site"
)

// Page is the section about the page for people.
type Page struct {
	Listen      string        `yaml:"listen" default:"127.0.0.1:8420" why:"nobody else until somebody decides so" eg:"0.0.0.0:8420" doc:"Address and port the page listens on."`
	CertFile    string        `yaml:"cert_file" eg:"/etc/bayledger/page.pem" doc:"Certificate chain, for TLS."`
	KeyFile     string        `yaml:"key_file" eg:"/etc/bayledger/page.key" doc:"Key of the certificate."`
	Insecure    bool          `yaml:"insecure" default:"no" doc:"Accept log-ins without TLS on an address others can reach. Every page then says so."`
	OpenReading bool          `yaml:"open_reading" default:"yes" doc:"Whoever can reach the address may read, /metrics and API alike. Changing something needs a log-in always."`
	UsersFile   string        `yaml:"users_file" eg:"/var/lib/bayledger/users" doc:"Where users are kept; without it nobody can log in and the page is for reading."`
	URL         string        `yaml:"url" eg:"https://courts.example.net" doc:"How people reach the page from where they are, for links in notices. The listening address when it is not given."`
	Fresh       time.Duration `yaml:"fresh" default:"2 min" min:"10 s" max:"1 h" doc:"How old the newest reading may be before /healthz says that the watch is blind."`
	MaxStreams  int           `yaml:"max_streams" default:"100" min:"1" max:"10000" doc:"Most viewers kept up to date at the same time."`
}

func (l *loader) page() {
	f := l.file.Page
	l.cfg.Page = page.Options{
		Listen: f.Listen, CertFile: f.CertFile, KeyFile: f.KeyFile, Insecure: f.Insecure, OpenReading: f.OpenReading,
		UsersFile: f.UsersFile, URL: f.URL, Fresh: f.Fresh, MaxStreams: f.MaxStreams,
	}
	var problems site.Problems
	for _, p := range l.cfg.Page.Validate() {
		p.Path = last(p.Path)
		problems = append(problems, p)
	}
	l.fromPart("page", problems, nil)
}
