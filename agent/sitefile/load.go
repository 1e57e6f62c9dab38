package sitefile

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/fnv"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"time"

	"bayledger/agent/notice"
	"bayledger/agent/page"
	"bayledger/agent/relay"
	"bayledger/agent/site"
	"bayledger/drivers/modbus"
	"bayledger/historian/influx"
	"bayledger/historian/journal"
)

// File is a whole site file.
type File struct {
	Site       Site        `yaml:"site" required:"yes" doc:"The club."`
	Supply     Supply      `yaml:"supply" doc:"The water's way to the bays."`
	Weather    Weather     `yaml:"weather" doc:"Evaporation and rain."`
	Defaults   BayDefaults `yaml:"defaults" provides:"yes" doc:"What holds for every bay that does not say otherwise, key by key; a court may have its own."`
	Courts     []Court     `yaml:"courts" required:"yes" doc:"The courts with their bays."`
	Neighbours [][]string  `yaml:"neighbours" eg:"[[A1, A2], [A2, A3]]" doc:"Pairs of bays that share a liner edge, so that water one loses may reach the other."`
	Links      []Link      `yaml:"links" doc:"Lines to the field. May be missing in a file that is only for replay and report."`
	Journal    Journal     `yaml:"journal" doc:"What is kept on this machine."`
	Influx     []InfluxDB  `yaml:"influxdb" doc:"Historians that readings are forwarded to, each with its own place in the journal."`
	MQTT       *MQTT       `yaml:"mqtt" doc:"Live publishing."`
	Procedures Procedures  `yaml:"procedures" doc:"Durations and limits of commissioning and the seasons, where they do not follow from areas, fill rates and pulses."`
	Notice     *Notice     `yaml:"notice" doc:"The daemon's own notices by mail and webhook, for a club that has nothing else. With them the Prometheus rules leave this site's alarms alone: one alarm is told on one route."`
	Page       Page        `yaml:"page" doc:"The page for people, with API and /metrics."`
}

// Config is what a site file says, ready for the parts. It is not changed after Load.
type Config struct {
	// Name is the file's name, for messages; Text is the file as it was read. It holds no
	// secret.
	Name, Text string
	Site       *site.Site
	// Calibrations are the corrections the site file gives, by id; CalibrationOf is the id for
	// each point that has one. The id follows from point, gain and offset, so that the same
	// file gives the same ids.
	Calibrations  site.Calibrations
	CalibrationOf map[string]uint32
	Modbus        modbus.Options
	Journal       journal.Options
	// CommitEvery is how often samples are made durable.
	CommitEvery time.Duration
	// OwnClock says that nobody will ever vouch for the machine's clock.
	OwnClock bool
	Influx   []influx.Options
	// MQTT is nil when nothing is published.
	MQTT *relay.Options
	// People are told by the daemon itself; none leaves it to Prometheus and Alertmanager.
	People []notice.Person
	Page   page.Options

	// Values are all leaves of the file as they hold, in the order of the file's structure.
	Values []Value

	links []place // where each link stands
}

// Runnable returns what keeps the daemon from running on this file: no links, which is good for
// replay and report only, or a line that cannot keep up with what is asked of it.
func (c *Config) Runnable() site.Problems {
	if len(c.Modbus.Links) == 0 {
		return site.Problems{{Path: "links", Line: 1, Col: 1, What: "the file has no links, which is enough for replay and report but not for run",
			Fix: "add links: with the devices that are read, and the registers under points:"}}
	}
	var problems site.Problems
	for i, load := range modbus.Loads(c.Modbus, c.Site) {
		if !load.OK {
			at := c.links[i]
			problems = append(problems, site.Problem{Path: fmt.Sprintf("links[%d]", i), Line: at.line, Col: at.col, What: load.What, Fix: load.Fix})
		}
	}
	return problems
}

// loader turns the file's structs into the parts' types and goes on collecting problems.
type loader struct {
	decoder
	file File
	cfg  *Config

	bayPaths   map[string]string // bay id -> path
	pointPaths map[string]string // point id -> path
	readings   []reading
	unread     []reading       // points without a register
	incomplete map[string]bool // devices some of whose points are wrong
	referenced map[string]bool // points whose address was refused as a manual's number
}

// Load reads a site file. name is used in messages only. When the file has mistakes it returns
// all of them, in the order of the file, each with line and column, and no Config.
//
// A file that loads describes a site that the core accepts: ids are sound and unique, every bay
// has a level point, and each number is in its physical range. Whether the daemon can run on it
// is a second question; see Runnable.
func Load(text []byte, name string) (*Config, site.Problems) {
	l := &loader{
		decoder:    decoder{places: map[string]place{}, raw: map[string]string{}, told: map[told]bool{}, wrong: map[string]bool{}},
		pointPaths: map[string]string{}, incomplete: map[string]bool{}, referenced: map[string]bool{},
		cfg: &Config{Name: name, Text: string(text), Site: &site.Site{}, Calibrations: site.Calibrations{}, CalibrationOf: map[string]uint32{}},
	}
	root := l.parse(text)
	if root == nil {
		return nil, l.problems
	}
	if _, ok := pairs(root); !ok {
		l.addNode(root, "", "the file should be a section with keys, not "+nodeWords(root), "its keys are "+keyList(fieldsOf(reflect.TypeFor[File]())))
		return nil, l.problems
	}
	l.section("", []source{{root, false}}, reflect.ValueOf(&l.file).Elem())
	sum := sha256.Sum256(text)
	l.cfg.Site.Revision = hex.EncodeToString(sum[:6])
	l.site()
	l.supply()
	l.weather()
	l.courts()
	l.links()
	l.journal()
	l.influx()
	l.mqtt()
	l.notice()
	l.page()
	l.procedures()
	slices.SortFunc(l.cfg.Site.Points, func(a, b site.Point) int { return cmp.Compare(a.ID, b.ID) })
	if len(l.problems) > 0 {
		l.problems.Sort()
		return nil, l.problems
	}
	l.cfg.Values = l.decoder.values
	return l.cfg, nil
}

// id checks a permanent id that is given.
func (l *loader) id(path, id, of string) {
	if id == "" || !l.has(path) {
		return
	}
	if wrong := site.CheckID(id); wrong != "" {
		l.bad(path, "choose another id for "+of+", of letters, digits and hyphens; ids are permanent, names are free", "%q cannot be an id: %s", clip(id), wrong)
	}
}

// bayDevice is the device a bay's points are read from, and where it is named.
func (l *loader) bayDevice(bay string) (device, path string) {
	path = l.bayPaths[bay] + ".device"
	return l.text(path), path
}

// Origin is the Calibration.Origin of what the site file says.
const Origin = "site file"

// calibrationID is stable over restarts and machines, and never 0, which means none.
func calibrationID(point string, gain, offset float64) uint32 {
	h := fnv.New32a()
	h.Write([]byte(point))
	var b [16]byte
	binary.BigEndian.PutUint64(b[:8], math.Float64bits(gain))
	binary.BigEndian.PutUint64(b[8:], math.Float64bits(offset))
	h.Write(b[:])
	return max(h.Sum32(), 1)
}

// Mistakes are the problems of one file, as an error that prints each as
// file:line:col: what is wrong; what would be right.
type Mistakes struct {
	File string
	site.Problems
}

func (m Mistakes) Error() string {
	lines := make([]string, len(m.Problems))
	for i, p := range m.Problems {
		lines[i] = fmt.Sprintf("%s:%d:%d: %s", m.File, p.Line, p.Col, p.What)
		if p.Fix != "" {
			lines[i] += "; " + p.Fix
		}
	}
	return strings.Join(lines, "\n")
}

// Unwrap returns the problems without the file's name.
func (m Mistakes) Unwrap() error { return m.Problems }

// LoadFile reads the file of that name. A file that cannot be read is an error of the system; one
// that can be read and is wrong is Mistakes.
func LoadFile(name string) (*Config, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("read site file: %w", err)
	}
	c, problems := Load(text, name)
	if len(problems) > 0 {
		return nil, Mistakes{name, problems}
	}
	return c, nil
}
