package sitefile

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/historian/influx"
	"bayledger/historian/journal"
)

// Journal is the section about what is kept on this machine.
type Journal struct {
	Dir       string        `yaml:"dir" default:"/var/lib/bayledger" why:"where the package puts it" doc:"Folder of the journal, on a disk that survives a restart."`
	Commit    time.Duration `yaml:"commit" default:"5 s" min:"1 s" max:"60 s" why:"under 500 MB written to the card a day" doc:"How often samples are made durable: what a power cut can cost. Longer spares the card."`
	Clock     string        `yaml:"clock" default:"network" enum:"network,own" why:"a machine without a battery starts with a wrong time" doc:"Who says that the time is right. network: a time service sets the clock, and readings taken before it has are kept without a date, dated when it has, and only then sent. own: the site has no network time; readings are dated by the machine's own clock and are sent at once, marked uncertain."`
	MaxAge    time.Duration `yaml:"max_age" default:"400 d" min:"1 d" max:"10000 d" doc:"How long samples are kept once they have been forwarded."`
	HourlyAge time.Duration `yaml:"hourly_age" default:"2928 d" min:"1 d" max:"20000 d" why:"eight years" doc:"How long hourly figures are kept, at least max_age."`
	MaxSize   size          `yaml:"max_size" default:"8 GiB" doc:"Most the samples may take. The oldest forwarded go first; what has not been forwarded never goes."`
}

// InfluxDB is one historian that readings are forwarded to.
type InfluxDB struct {
	ID      string        `yaml:"id" required:"yes" eg:"archive" doc:"Permanent id of the destination: it names its place in the journal, so a new id sends everything again."`
	URL     string        `yaml:"url" required:"yes" eg:"https://history.example.net:8086" doc:"Address of the server."`
	Org     string        `yaml:"org" eg:"club" doc:"Organisation, for InfluxDB 2 and 3; left out for 1.8."`
	Bucket  string        `yaml:"bucket" required:"yes" eg:"courts" doc:"Bucket; for 1.8 database or database/retention-policy."`
	Token   Secret        `yaml:"token" eg:"file:/etc/bayledger/influx.token" doc:"Where the token is kept; for 1.8 the secret is user:password."`
	CA      string        `yaml:"ca" eg:"/etc/bayledger/club-ca.pem" doc:"Certificates of a private authority, trusted beside the system's."`
	Proxy   string        `yaml:"proxy" eg:"http://proxy.example.net:3128" doc:"HTTP proxy. Without it the connection is direct, whatever the environment says."`
	Gzip    bool          `yaml:"gzip" default:"yes" doc:"Compress what is sent."`
	Batch   int           `yaml:"batch" default:"5000" min:"1" max:"50000" doc:"Most samples in one request."`
	Timeout time.Duration `yaml:"timeout" default:"10 s" min:"100 ms" max:"10 min" doc:"How long one request may take."`
}

// size is a number of bytes.
type size int64

var sizeUnits = []struct {
	name string
	size float64
}{{"GiB", 1 << 30}, {"MiB", 1 << 20}, {"GB", 1e9}, {"MB", 1e6}}

func (s *size) parse(text string) error {
	for _, u := range sizeUnits {
		number, ok := strings.CutSuffix(text, u.name)
		if !ok {
			continue
		}
		x, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		if err != nil || !(x >= 0) || math.IsInf(x, 0) || x*u.size > 1<<50 {
			break
		}
		*s = size(x * u.size)
		return nil
	}
	return mistake{fmt.Sprintf("%q is not a size", clip(text)), `write for example "8 GiB" or "500 MB"`}
}

func (l *loader) journal() {
	f := l.file.Journal
	o := journal.DefaultOptions(f.Dir)
	o.MaxAge, o.HourlyAge, o.MaxBytes = f.MaxAge, f.HourlyAge, int64(f.MaxSize)
	l.cfg.Journal, l.cfg.CommitEvery, l.cfg.OwnClock = o, f.Commit, f.Clock == "own"
	if f.Dir != "" && !strings.HasPrefix(f.Dir, "/") {
		l.bad("journal.dir", "write the whole path, such as /var/lib/bayledger", "the folder %q depends on where the program is started", clip(f.Dir))
	}
	l.fromPart("journal", o.Validate(), map[string]string{"max_bytes": "max_size"})
}

func (l *loader) influx() {
	ids := map[string]string{}
	for i, f := range l.file.Influx {
		path := fmt.Sprintf("influxdb[%d]", i)
		if first, twice := ids[f.ID]; twice && f.ID != "" {
			l.bad(path+".id", "give each destination an id of its own", "the id %s is already used on line %d", f.ID, l.line(first))
		}
		ids[f.ID] = path + ".id"
		l.id(path+".id", f.ID, "a historian")
		o := influx.DefaultOptions(f.ID, f.URL, f.Bucket)
		o.Org, o.Proxy, o.Plain, o.BatchSize, o.Timeout = f.Org, f.Proxy, !f.Gzip, f.Batch, f.Timeout
		o.Token = f.Token.reader()
		for _, key := range []string{"id", "url", "bucket"} {
			if !l.has(path + "." + key) {
				l.wrong[path+"."+key] = true // said to be missing
			}
		}
		for key, address := range map[string]string{"url": f.URL, "proxy": f.Proxy} {
			if strings.Contains(address, "@") { // before any message repeats what stands there
				l.bad(path+"."+key, "take name and password out and name the secret with token", "an address with a password in it would be shown in logs")
			}
		}
		// Whether the authority's file is there is known on the machine that runs, not here.
		l.fromPart(path, o.Validate(), map[string]string{"name": "id"})
		o.CAFile = f.CA
		l.cfg.Influx = append(l.cfg.Influx, o)
	}
}

// fromPart gives the problems of a part's options their place in the file. The part names its
// fields as the file's keys, but for those in rename.
func (l *loader) fromPart(section string, problems site.Problems, rename map[string]string) {
	for _, p := range problems {
		key := p.Path
		if other, ok := rename[key]; ok {
			key = other
		}
		path := join(section, key)
		if l.said(path) {
			continue
		}
		fix := p.Fix
		if fix == "" {
			fix = "leave it out to have what is usual"
		}
		l.bad(path, fix, "%s", p.What)
	}
}
