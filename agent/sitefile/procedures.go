package sitefile

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/drivers/modbus"
)

// Procedures is the section about commissioning and the seasons: what cannot be worked out from
// areas, fill rates and pulses.
type Procedures struct {
	Flush       time.Duration `yaml:"flush" default:"2 min" min:"10 s" max:"1 h" why:"common practice" doc:"How long a pipe runs until it is clean."`
	Drain       time.Duration `yaml:"drain" default:"1 min" min:"0 s" max:"1 h" why:"common practice" doc:"How long it runs empty after a flush."`
	Settle      time.Duration `yaml:"settle" default:"4 min" min:"10 s" max:"2 h" doc:"Time constant with which a level chamber follows its bay. A dip is taken five of them after the last water."`
	LeakM3S     float64       `yaml:"leak" dim:"flow" default:"10 L/h" min:"0.1 L/h" max:"100 L/min" doc:"Smallest leak of the supply line that a static hold must exclude. It lasts as long as two counts of the main meter need for it."`
	FirstSigns  time.Duration `yaml:"first_signs" default:"20 min" min:"1 min" max:"6 h" why:"common practice" doc:"By when a first fill must show in the chamber."`
	FillWithin  time.Duration `yaml:"fill_within" default:"24 h" min:"1 h" max:"168 h" why:"common practice" doc:"By when a bay must be whole after a first fill."`
	DipApartM   float64       `yaml:"dip_apart" dim:"length" default:"40 mm" min:"10 mm" max:"500 mm" doc:"Least difference between the two dips that give a sensor's slope."`
	DipStdM     float64       `yaml:"dip_uncertainty" dim:"length" default:"1 mm" min:"0.1 mm" max:"20 mm" doc:"Standard uncertainty of one dip."`
	BucketStd   float64       `yaml:"bucket_uncertainty" dim:"ratio" default:"0.2 %" min:"0.01 %" max:"10 %" doc:"Relative standard uncertainty of the bucket or scale a meter is held against."`
	MeterClass  int           `yaml:"meter_class" default:"2" min:"1" max:"2" doc:"Accuracy class of the bays' meters in the sense of ISO 4064-1."`
	MeterQ3M3S  float64       `yaml:"meter_q3" dim:"flow" min:"10 L/h" max:"100 m3/h" eg:"2.5 m3/h" doc:"Permanent flow Q3 on the meters' plate. Not given: a fill is taken to run in the upper zone, Q2 to Q4."`
	MeterRatio  float64       `yaml:"meter_ratio" min:"10" max:"1000" eg:"100" doc:"Ratio R = Q3/Q1 on the meters' plate."`
	Away        time.Duration `yaml:"away" default:"30 min" min:"1 min" max:"12 h" doc:"After how long without an answer a person is taken to have left a procedure: alarms then page again."`
	WinterWatch time.Duration `yaml:"winter_watch" default:"72 h" min:"1 h" max:"720 h" doc:"How long a closed system is watched before the tool believes that nothing flows and nothing fills."`
}

// Isolation is the one output there is.
type Isolation struct {
	Enabled    bool          `yaml:"enabled" default:"no" doc:"Let the daemon shut the main on an urgent water alarm, or when a person says so. It never opens it, and does nothing before somebody has proved the valve with bayledger commission."`
	DryRun     bool          `yaml:"dry_run" default:"no" doc:"Only say what would have been done."`
	Device     string        `yaml:"device" required:"yes" eg:"pump-io" doc:"Device with the coil. No other master may write to it."`
	Address    register      `yaml:"address" required:"yes" eg:"0" doc:"Address of the coil as it travels, counted from 0."`
	Shuts      string        `yaml:"shuts" default:"on" enum:"on,off" doc:"State of the coil that shuts the valve."`
	Travel     time.Duration `yaml:"travel" default:"20 s" min:"5 s" max:"10 min" why:"a valve that shuts faster makes the pipe hammer" doc:"How long the valve takes to shut. One that takes less than 5 s is not accepted: fit an actuator that shuts slowly."`
	MostPerDay int           `yaml:"most_per_day" default:"2" min:"1" max:"10" doc:"How often it may be shut in 24 hours."`
}

func (l *loader) procedures() {
	f := &l.file.Procedures
	l.cfg.Site.Commission = site.Commission{Flush: f.Flush, Drain: f.Drain, Settle: f.Settle, LeakM3S: f.LeakM3S, FirstSigns: f.FirstSigns,
		FillWithin: f.FillWithin, DipApartM: f.DipApartM, DipStdM: f.DipStdM, BucketStd: f.BucketStd, MeterClass: f.MeterClass,
		MeterQ3M3S: f.MeterQ3M3S, MeterRatio: f.MeterRatio, Away: f.Away, WinterWatch: f.WinterWatch}
	if site.Known(f.MeterQ3M3S) != site.Known(f.MeterRatio) {
		l.bad("procedures", "give both, from the meter's plate, or neither", "meter_q3 and meter_ratio belong together")
	}
	l.registers()
	l.isolation()
}

// isolation checks the one output: its device must be one that is read, so that the daemon knows
// whether it answers, and on a line where it is master.
func (l *loader) isolation() {
	f := l.file.Supply.Isolation
	if f == nil {
		return
	}
	i := &site.Isolation{Enabled: f.Enabled, DryRun: f.DryRun, Device: f.Device, Address: f.Address.n, ShutLevel: f.Shuts != "off",
		Travel: f.Travel, MostPerDay: f.MostPerDay}
	for _, k := range l.cfg.Modbus.Links {
		for _, d := range k.Devices {
			if d.ID != f.Device {
				continue
			}
			i.Link = k.ID
			if k.ListenOnly {
				l.bad("supply.isolation.device", "put the valve on a device of its own, on a line without another master", "another master speaks on line %s, where bayledger only listens", k.ID)
			}
		}
	}
	if i.Link == "" && f.Device != "" {
		l.bad("supply.isolation.device", "name a device of links:", "there is no device %q", clip(f.Device))
	}
	if f.Enabled && l.file.Supply.Points.Meter == nil && l.file.Supply.Points.Flow == nil {
		l.bad("supply.isolation.enabled", "add a main meter under supply: points:, or write enabled: no", "without a main meter nobody could see whether the valve has shut")
	}
	l.cfg.Site.Isolation = i
}

// registers writes down, in the file's own words, where each point is read: the wiring proof prints
// it when two are mixed up.
func (l *loader) registers() {
	where := map[string]string{}
	for _, k := range l.cfg.Modbus.Links {
		for _, d := range k.Devices {
			for _, p := range d.Points {
				words := fmt.Sprintf("device: %s, table: %s, address: %d", d.ID, p.Table, p.Address)
				if p.Decode.Type != modbus.Bit {
					words += ", type: " + string(p.Decode.Type)
				}
				if o := p.Decode.Order; o != "" && o != modbus.ABCD && (o != modbus.CDAB || p.Decode.Type.Registers() > 1) {
					words += ", order: " + string(o)
				}
				where[p.Point] = words
			}
		}
	}
	pointAt := map[string]string{}
	for id, path := range l.pointPaths {
		pointAt[path] = id
	}
	also := map[string][]Value{}
	for _, v := range l.values {
		for _, key := range []string{"bit", "invert", "unit", "span", "loop", "sentinels"} {
			path, inside, _ := strings.Cut(v.Path, "."+key)
			if id := pointAt[path]; id != "" && v.Given() && (inside == "" || inside[0] == '.' || inside[0] == '[') {
				also[id] = append(also[id], Value{Path: key + inside, Text: v.Text})
			}
		}
	}
	for i := range l.cfg.Site.Points {
		p := &l.cfg.Site.Points[i]
		if p.Register = where[p.ID]; p.Register != "" {
			p.Register = strings.Join(append([]string{p.Register}, inLine(also[p.ID])...), ", ")
		}
		if id, ok := l.cfg.CalibrationOf[p.ID]; ok {
			c := l.cfg.Calibrations[id]
			p.Gain, p.Offset = c.Gain, c.Offset
		}
	}
}

// quoted is a value as it can stand in a line of YAML.
func quoted(text string) string {
	if strings.ContainsAny(text, "%#:,{}") {
		return strconv.Quote(text)
	}
	return text
}

// inLine writes leaves, in the order of the file, as they stand between the braces of one line.
func inLine(leaves []Value) []string {
	var out []string
	for len(leaves) > 0 {
		key, rest := leaves[0].Path, ""
		if i := strings.IndexAny(key, ".["); i >= 0 {
			key, rest = key[:i], key[i:]
		}
		var inside []Value
		n := 0
		for n < len(leaves) && (leaves[n].Path == key || strings.HasPrefix(leaves[n].Path, key+".") || strings.HasPrefix(leaves[n].Path, key+"[")) {
			inside = append(inside, Value{Path: strings.TrimPrefix(strings.TrimPrefix(leaves[n].Path, key), "."), Text: leaves[n].Text})
			n++
		}
		switch {
		case rest == "":
			out = append(out, key+": "+quoted(leaves[0].Text))
		case rest[0] == '[':
			items := make([]string, n)
			for i, v := range inside {
				items[i] = quoted(v.Text)
			}
			out = append(out, key+": ["+strings.Join(items, ", ")+"]")
		default:
			out = append(out, key+": { "+strings.Join(inLine(inside), ", ")+" }")
		}
		leaves = leaves[n:]
	}
	return out
}
