package sitefile

import (
	"regexp"
	"strconv"
	"strings"
)

// Value is one effective value of a site file and where it comes from.
type Value struct {
	// Path is the key, such as courts[0].bays[2].points.level.unit.
	Path string `json:"path"`
	// Text is the value as the file writes it, or as it would.
	Text string `json:"value"`
	// Origin is one of the constants below.
	Origin string `json:"origin"`
	// Line is where it stands in the file, 0 when it does not.
	Line int `json:"line,omitempty"`
}

// Origins of a value, as people are told. What a person accepted later is not here: those are
// operator records, and the journal has them.
const (
	ownLine      = "site file"
	fromDefaults = "defaults"
	builtIn      = "built in"
	fromUnit     = "from unit"
)

// From says where the value comes from, with the line.
func (v Value) From() string {
	if v.Line == 0 {
		return v.Origin
	}
	if v.Origin == fromDefaults {
		return "defaults, line " + strconv.Itoa(v.Line)
	}
	return "line " + strconv.Itoa(v.Line)
}

// effective notes a value; a defaults block is not one, only what takes it is.
func (d *decoder) effective(v Value) {
	if d.partial && (strings.HasPrefix(v.Path, "defaults") || strings.Contains(v.Path, "].defaults.")) {
		return
	}
	d.values = append(d.values, v)
}

// derived notes a value that follows from others.
func (l *loader) derived(path, text, origin string) {
	l.effective(Value{Path: path, Text: text, Origin: origin})
}

// Quiet reports a value that changes nothing: a built-in no, zero or one.
func (v Value) Quiet() bool {
	return v.Origin == builtIn && (v.Text == "no" || v.Text == "1" || v.Text == "0" || strings.HasPrefix(v.Text, "0 "))
}

// Given reports a value that stands in the file.
func (v Value) Given() bool { return v.Line > 0 }

// Shared is a value with the bays, links or devices it holds for, by id; none for what is the
// site's own. Path is then the key inside one of them, such as points.level.unit.
type Shared struct {
	Value
	For []string
}

var (
	bayPath    = regexp.MustCompile(`^courts\[(\d+)\]\.bays\[(\d+)\]\.`)
	linkPath   = regexp.MustCompile(`^links\[(\d+)\]\.`)
	devicePath = regexp.MustCompile(`^links\[(\d+)\]\.devices\[(\d+)\]\.`)
)

// owner splits a path into the id of the bay, device or link it is in and the key inside.
func (c *Config) owner(path string) (id, kind, key string) {
	number := func(s string) int { n, _ := strconv.Atoi(s); return n }
	if m := bayPath.FindStringSubmatch(path); m != nil {
		return c.Site.Courts[number(m[1])].Bays[number(m[2])].ID, "bay ", path[len(m[0]):]
	}
	if m := devicePath.FindStringSubmatch(path); m != nil {
		return c.Modbus.Links[number(m[1])].Devices[number(m[2])].ID, "device ", path[len(m[0]):]
	}
	if m := linkPath.FindStringSubmatch(path); m != nil {
		return c.Modbus.Links[number(m[1])].ID, "link ", path[len(m[0]):]
	}
	return "", "", path
}

// SharedValues returns the effective values with those that several bays, links or devices have
// from the same place put together.
func (c *Config) SharedValues() []Shared {
	type key struct{ kind, path, text, from string }
	at := map[key]int{}
	var out []Shared
	for _, v := range c.Values {
		id, kind, inside := c.owner(v.Path)
		if kind == "" {
			out = append(out, Shared{Value: v})
			continue
		}
		k := key{kind, inside, v.Text, v.From()}
		if i, ok := at[k]; ok {
			out[i].For = append(out[i].For, id)
			continue
		}
		at[k] = len(out)
		v.Path = kind + inside
		out = append(out, Shared{v, []string{id}})
	}
	return out
}

// formatAmount writes a number of a unit with no more digits than it has.
func formatAmount(v float64, unit string) string {
	return strconv.FormatFloat(v, 'g', 8, 64) + " " + unit
}
