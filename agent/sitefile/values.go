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

var bayPath = regexp.MustCompile(`^courts\[(\d+)\]\.bays\[(\d+)\]\.`)

// Shared is a value with the bays it holds for; Bays is empty for what is the site's own.
type Shared struct {
	Value
	Bays []string
}

// SharedValues returns the effective values with those that several bays have from the same
// place put together; Path is then the key inside a bay.
func (c *Config) SharedValues() []Shared {
	type key struct{ path, text, from string }
	at := map[key]int{}
	var out []Shared
	for _, v := range c.Values {
		m := bayPath.FindStringSubmatch(v.Path)
		if m == nil {
			out = append(out, Shared{Value: v})
			continue
		}
		court, _ := strconv.Atoi(m[1])
		bay, _ := strconv.Atoi(m[2])
		id := c.Site.Courts[court].Bays[bay].ID
		v.Path = v.Path[len(m[0]):]
		k := key{v.Path, v.Text, v.From()}
		if i, ok := at[k]; ok {
			out[i].Bays = append(out[i].Bays, id)
			continue
		}
		at[k] = len(out)
		out = append(out, Shared{v, []string{id}})
	}
	return out
}

// formatAmount writes a number of a unit with no more digits than it has.
func formatAmount(v float64, unit string) string {
	return strconv.FormatFloat(v, 'g', 8, 64) + " " + unit
}
