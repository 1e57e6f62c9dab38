package sitefile

import (
	"fmt"
	"math"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Court is one playing surface.
type Court struct {
	ID       string      `yaml:"id" required:"yes" eg:"A" doc:"Permanent id of the court."`
	Name     string      `yaml:"name" eg:"Court 1" doc:"What people call it."`
	Defaults BayDefaults `yaml:"defaults" provides:"yes" doc:"What holds for every bay of this court that does not say otherwise."`
	Bays     []Bay       `yaml:"bays" required:"yes" inherits:"yes" doc:"Its bays."`
}

// Bay is one lined basin.
type Bay struct {
	ID   string `yaml:"id" required:"yes" eg:"A1" doc:"Permanent id of the bay."`
	Name string `yaml:"name" eg:"north end" doc:"What people call it."`
	Plan *Plan  `yaml:"plan" doc:"Where it lies on the drawing of the club. Drawn side by side when no bay has one."`
	BayDefaults
}

// BayDefaults are the keys of a bay that bays may share.
type BayDefaults struct {
	AreaM2       float64     `yaml:"area" dim:"area" required:"yes" min:"1 m2" max:"2000 m2" eg:"96 m2" doc:"Plan area inside the liner."`
	Layers       []Layer     `yaml:"layers" required:"yes" doc:"Fill from the liner upwards."`
	Storage      []Storage   `yaml:"storage" doc:"What the bay was measured to hold, by rising level, where that is known better than layers and area say it; above its last level the layers hold."`
	FloorUnevenM float64     `yaml:"floor_uneven" dim:"length" min:"0 mm" max:"100 mm" default:"3 mm" why:"a floor laid with care" doc:"Standard deviation of the liner's height over the bay."`
	Overflow     *Overflow   `yaml:"overflow" none:"yes" doc:"Overflow pipe; the word none when there is none."`
	SetPointM    float64     `yaml:"set_point" dim:"length" min:"0 mm" max:"1000 mm" eg:"85 mm" doc:"Level the controller holds, above the liner's lowest point. Where a point reads it, the point wins."`
	BandM        float64     `yaml:"band" dim:"length" min:"0.5 mm" max:"100 mm" default:"5 mm" why:"what simple controllers come with" doc:"How far the level falls below the set point before the controller fills."`
	FillM3S      float64     `yaml:"fill_rate" dim:"flow" min:"0.5 L/min" max:"500 L/min" eg:"25 L/min" doc:"Usual flow of an open valve. Learned where it is not given."`
	Fill         *FillPolicy `yaml:"fill_policy" doc:"Controller's habit: when it may fill."`
	DeadBandM    float64     `yaml:"alarm_dead_band" dim:"length" min:"3 mm" max:"100 mm" eg:"4 mm" doc:"How far the level must come back past an alarm's limit before the alarm can be over. When it is not given, the larger of three times the scatter of a reading and half the band."`
	Delays       []KindDelay `yaml:"alarm_delays" doc:"Delays of some kinds of alarm here, in place of the usual ones; two readings are the least that counts. The end of an alarm that is judged by the level also waits for as long as the bay's chamber has been learned to settle, unless off is given here."`
	Device       string      `yaml:"device" eg:"io-a" doc:"Device that is read for every point of the bay that names none."`
	Points       BayPoints   `yaml:"points" doc:"Instruments of the bay. Level is the least there must be."`
}

// Layer is one fill material.
type Layer struct {
	Name     string  `yaml:"name" required:"yes" eg:"stone" doc:"What it is."`
	DepthM   float64 `yaml:"depth" dim:"length" required:"yes" min:"5 mm" max:"1000 mm" eg:"120 mm" doc:"How deep it lies."`
	Porosity float64 `yaml:"porosity" dim:"ratio" required:"yes" min:"0.01" max:"0.50" eg:"0.30" doc:"Drainable porosity: water that drains by gravity per volume of material. Crushed stone 0.2 to 0.4, clay 0.02 to 0.10. Learned from the first weeks; a start within a third is enough."`
	Fillable float64 `yaml:"fillable" dim:"ratio" min:"0.005" max:"0.50" eg:"0.28" doc:"Fillable porosity: water that a rise takes up in material that has drained, per volume of material. Less than porosity where air stays caught; the same when it is not given."`
	Surface  *bool   `yaml:"surface" doc:"The playing layer, which takes water up. When no layer says so, the topmost of several is."`
}

// Storage is one line of a measured storage table.
type Storage struct {
	LevelM   float64 `yaml:"level" dim:"length" required:"yes" min:"1 mm" max:"2000 mm" eg:"60 mm" doc:"Level above the liner's lowest point."`
	HoldsM3  float64 `yaml:"holds" dim:"volume" required:"yes" min:"1 L" max:"500 m3" eg:"1650 L" doc:"Water that drains from the bay when its level sinks from there to the liner."`
	FilledM3 float64 `yaml:"filled" dim:"volume" min:"1 L" max:"500 m3" eg:"1560 L" doc:"Water it takes to fill the drained bay to there. As much as it holds when it is not given."`
}

// Overflow is the pipe that carries away what stands above its crest.
type Overflow struct {
	CrestM  float64 `yaml:"crest" dim:"length" required:"yes" min:"1 mm" max:"2000 mm" eg:"110 mm" doc:"Level at which it begins to run, above the liner's lowest point."`
	FlowM3S float64 `yaml:"carries" dim:"flow" min:"0.1 L/min" max:"5000 L/min" eg:"60 L/min" doc:"Flow it can carry away. It decides whether a stuck valve floods the court."`
}

// FillPolicy is when the controller may fill.
type FillPolicy struct {
	Windows    []window `yaml:"windows" eg:"[\"20:00-08:00\"]" doc:"Parts of the local day in which fills may start; any time when none is given. Lock-out during play is the time that is left out."`
	OneAtATime bool     `yaml:"one_at_a_time" default:"no" doc:"Controller fills one bay of the site after the other."`
}

// KindDelay is how long a trouble must last before it is told, and be gone before it is over.
type KindDelay struct {
	Kind string        `yaml:"kind" required:"yes" eg:"overfill" doc:"Kind of alarm, as events name it."`
	On   time.Duration `yaml:"on" min:"0 s" max:"1 d" eg:"5 min" doc:"How long it must last before it is told."`
	Off  time.Duration `yaml:"off" min:"0 s" max:"1 d" eg:"20 min" doc:"How long it must be gone before it is over."`
}

// Plan is a rectangle on the drawing.
type Plan struct {
	XM      float64 `yaml:"x" dim:"length" required:"yes" min:"-1000 m" max:"1000 m" eg:"0 m" doc:"West edge, from the drawing's left."`
	YM      float64 `yaml:"y" dim:"length" required:"yes" min:"-1000 m" max:"1000 m" eg:"0 m" doc:"North edge, from the drawing's top."`
	WidthM  float64 `yaml:"width" dim:"length" required:"yes" min:"0.5 m" max:"200 m" eg:"11 m" doc:"West to east."`
	LengthM float64 `yaml:"length" dim:"length" required:"yes" min:"0.5 m" max:"200 m" eg:"12 m" doc:"North to south."`
}

// BayPoints are the instruments of a bay.
type BayPoints struct {
	Level            *LevelPoint `yaml:"level" none:"yes" doc:"Level in the chamber. Every bay has one."`
	Flow             *Point      `yaml:"flow" none:"yes" doc:"Flow through the bay's meter."`
	Meter            *MeterPoint `yaml:"meter" none:"yes" doc:"Meter's running total."`
	Valve            *ValvePoint `yaml:"valve" none:"yes" doc:"Fill valve: open or shut."`
	SetPoint         *Point      `yaml:"set_point" none:"yes" doc:"Set point in the controller."`
	WaterTemperature *Point      `yaml:"water_temperature" none:"yes" doc:"Temperature of the water in the chamber."`
}

func (l *loader) courts() {
	ids := map[string]string{}
	l.bayPaths = map[string]string{}
	for i := range l.file.Courts {
		f := &l.file.Courts[i]
		path := fmt.Sprintf("courts[%d]", i)
		l.id(path+".id", f.ID, "a court")
		if first, twice := ids[f.ID]; twice && f.ID != "" {
			l.bad(path+".id", "give each court an id of its own", "the court id %s is already used on line %d", f.ID, l.line(first))
		}
		ids[f.ID] = path + ".id"
		c := site.Court{ID: f.ID, Name: nameOr(f.Name, f.ID)}
		if l.has(path+".bays") && len(f.Bays) == 0 && !l.said(path+".bays") {
			l.bad(path+".bays", "add a bay or remove the court", "court %s has no bay", f.ID)
		}
		for j := range f.Bays {
			c.Bays = append(c.Bays, l.bay(fmt.Sprintf("%s.bays[%d]", path, j), &f.Bays[j], f.ID))
		}
		l.cfg.Site.Courts = append(l.cfg.Site.Courts, c)
	}
	if l.has("courts") && len(l.file.Courts) == 0 && !l.said("courts") {
		l.bad("courts", "add a court with its bays", "there is no court")
	}
	l.neighbours()
	l.plans()
}

func nameOr(name, id string) string {
	if name == "" {
		return id
	}
	return name
}

func (l *loader) bay(path string, f *Bay, court string) site.Bay {
	l.id(path+".id", f.ID, "a bay")
	if first, twice := l.bayPaths[f.ID]; twice && f.ID != "" {
		l.bad(path+".id", "give each bay an id of its own, over all courts", "the bay id %s is already used on line %d", f.ID, l.line(first+".id"))
	} else {
		l.bayPaths[f.ID] = path
	}
	b := site.Bay{
		ID: f.ID, Name: nameOr(f.Name, f.ID), Court: court, AreaM2: f.AreaM2, FloorUnevenM: f.FloorUnevenM,
		CrestM: math.NaN(), OverflowM3S: math.NaN(), SetPointM: f.SetPointM, BandM: f.BandM, FillM3S: f.FillM3S, DeadBandM: f.DeadBandM,
		Valve: site.Valve{Travel: defaultTravel, Assumed: true},
	}
	marked := -1
	for i, layer := range f.Layers {
		at := fmt.Sprintf("%s.layers[%d].surface", path, i)
		if layer.Surface == nil || !*layer.Surface {
			continue
		}
		switch {
		case marked >= 0:
			l.bad(at, "mark the topmost layer only", "bay %s has two playing layers", f.ID)
		case i != len(f.Layers)-1:
			l.bad(at, "list the layers from the liner upwards, the playing layer last", "the playing layer of bay %s lies under another layer", f.ID)
		}
		marked = i
	}
	for i, layer := range f.Layers {
		surface := i == marked
		if marked < 0 && layer.Surface == nil {
			surface = i == len(f.Layers)-1 && i > 0
		}
		if layer.Fillable > layer.Porosity {
			l.bad(fmt.Sprintf("%s.layers[%d].fillable", path, i), "no more can be filled than drains; leave it out where both are one", "the fillable porosity of %s in bay %s is greater than its drainable one", layer.Name, f.ID)
		}
		b.Layers = append(b.Layers, site.Layer{Name: layer.Name, DepthM: layer.DepthM, DrainablePorosity: layer.Porosity, FillablePorosity: layer.Fillable, Surface: surface})
	}
	b.Storage = l.storage(path+".storage", f)
	if l.has(path+".layers") && len(f.Layers) == 0 && !l.said(path+".layers") {
		l.bad(path+".layers", "add a layer with name, depth and porosity", "bay %s has no fill", f.ID)
	}
	depthM := b.DepthM()
	show := l.cfg.Site.Display.Depth
	if f.Overflow != nil {
		b.CrestM, b.OverflowM3S = f.Overflow.CrestM, f.Overflow.FlowM3S
		if depthM > 0 && b.CrestM > depthM {
			l.bad(path+".overflow.crest", "measure the crest from the liner's lowest point, not from the ground or the surface", "the crest of bay %s stands at %s, above its fill of %s", f.ID, show(b.CrestM), show(depthM))
		}
	}
	switch {
	case b.SetPointM >= b.CrestM:
		l.bad(path+".set_point", "set it below the crest, or the bay overflows for ever", "the set point of bay %s (%s) is not below its overflow's crest (%s)", f.ID, show(b.SetPointM), show(b.CrestM))
	case depthM > 0 && b.SetPointM >= depthM:
		l.bad(path+".set_point", "measure it from the liner's lowest point", "the set point of bay %s (%s) is not below its surface (%s)", f.ID, show(b.SetPointM), show(depthM))
	}
	b.Delays = l.delays(path+".alarm_delays", f.Delays)
	if b.DeadBandM >= b.SetPointM && b.SetPointM > 0 {
		l.bad(path+".alarm_dead_band", "half the band is usual", "the dead band of bay %s (%s) is as wide as its set point is high (%s): its alarms would never be over", f.ID, show(b.DeadBandM), show(b.SetPointM))
	}
	if b.BandM >= b.SetPointM && b.SetPointM > 0 {
		l.bad(path+".band", "make it smaller than the set point", "the band of bay %s (%s) is as wide as its set point is high (%s)", f.ID, show(b.BandM), show(b.SetPointM))
	}
	if depthM > 0 && b.FloorUnevenM > depthM/3 {
		l.bad(path+".floor_uneven", "give the standard deviation of the liner's height, not the whole difference", "the floor of bay %s varies by %s under a fill of %s", f.ID, show(b.FloorUnevenM), show(depthM))
	}
	if f.Fill != nil {
		b.Fill.OneAtATime = f.Fill.OneAtATime
		for _, w := range f.Fill.Windows {
			b.Fill.Windows = append(b.Fill.Windows, w.DayWindow)
		}
	}
	if f.Plan != nil {
		b.Plan = site.Rect{XM: f.Plan.XM, YM: f.Plan.YM, WidthM: f.Plan.WidthM, LengthM: f.Plan.LengthM}
	}
	if v := f.Points.Valve; v != nil {
		b.Valve = site.Valve{Feedback: v.Means == "feedback", Travel: v.Travel, Assumed: !l.has(path + ".points.valve.travel")}
	}
	l.bayPoints(path, f)
	return b
}

// storage is the measured table of a bay: both columns rise with the level, and what it takes to fill
// it is no more than it holds.
func (l *loader) storage(path string, f *Bay) (table []site.StoragePoint) {
	var last site.StoragePoint
	for i, s := range f.Storage {
		p := site.StoragePoint{LevelM: s.LevelM, HoldsM3: s.HoldsM3, FilledM3: s.FilledM3}
		at := fmt.Sprintf("%s[%d]", path, i)
		if !site.Known(p.FilledM3) || p.FilledM3 == 0 {
			p.FilledM3 = p.HoldsM3
		}
		switch {
		case p.LevelM <= last.LevelM:
			l.bad(at+".level", "list the levels from the liner upwards", "the storage table of bay %s does not rise", f.ID)
		case p.HoldsM3 <= last.HoldsM3 || p.FilledM3 <= last.FilledM3:
			l.bad(at+".holds", "give what the whole bay holds up to each level, not what lies between two", "bay %s holds no more at %s than below it", f.ID, l.cfg.Site.Display.Depth(p.LevelM))
		case p.FilledM3 > p.HoldsM3:
			l.bad(at+".filled", "a first fill takes more, but what stays in the stone for good is not held", "filling bay %s to %s takes more than drains from it", f.ID, l.cfg.Site.Display.Depth(p.LevelM))
		}
		last = p
		table = append(table, p)
	}
	return table
}

// defaultTravel is taken for a valve nobody reads: solenoid valves of this size take a few
// seconds, motor valves say theirs.
const defaultTravel = 10 * time.Second

func (l *loader) bayPoints(path string, f *Bay) {
	at := path + ".points"
	if f.Points.Level == nil {
		l.bad(path, "add level: under points:, with its register if the bay is read", "bay %s has no level point, and every bay needs one", f.ID)
	}
	p := &f.Points
	l.point(at+".level", f.ID, site.Level, pointOf(p.Level))
	l.point(at+".flow", f.ID, site.Flow, pointOf(p.Flow))
	l.point(at+".meter", f.ID, site.Volume, pointOf(p.Meter))
	l.point(at+".valve", f.ID, site.ValveOpen, pointOf(p.Valve))
	l.point(at+".set_point", f.ID, site.SetPoint, pointOf(p.SetPoint))
	l.point(at+".water_temperature", f.ID, site.WaterTemp, pointOf(p.WaterTemperature))
}

func (l *loader) neighbours() {
	for i, pair := range l.file.Neighbours {
		path := fmt.Sprintf("neighbours[%d]", i)
		if len(pair) != 2 {
			l.bad(path, "write [A1, A2]", "a pair of neighbours has %d bays", len(pair))
			continue
		}
		sound := true
		for j, id := range pair {
			if _, ok := l.bayPaths[id]; !ok {
				l.bad(fmt.Sprintf("%s[%d]", path, j), l.bayFix(id), "there is no bay %q", clip(id))
				sound = false
			}
		}
		if pair[0] == pair[1] {
			l.bad(path, "name two bays", "bay %s cannot be its own neighbour", pair[0])
			sound = false
		}
		for _, other := range l.cfg.Site.Neighbours {
			if other == [2]string{pair[0], pair[1]} || other == [2]string{pair[1], pair[0]} {
				l.bad(path, "remove one of the two", "the neighbours %s and %s are given twice", pair[0], pair[1])
				sound = false
			}
		}
		if sound {
			l.cfg.Site.Neighbours = append(l.cfg.Site.Neighbours, [2]string{pair[0], pair[1]})
		}
	}
}

func (l *loader) bayFix(id string) string {
	var ids []string
	for b := range l.cfg.Site.Bays() {
		ids = append(ids, b.ID)
	}
	if near := nearest(id, ids); near != "" {
		return fmt.Sprintf("did you mean %s?", near)
	}
	return "name a bay by its id"
}

// plans refuses bays that are drawn over each other: one of them was copied and not moved.
func (l *loader) plans() {
	var drawn []*site.Bay
	for b := range l.cfg.Site.Bays() {
		if b.Plan == (site.Rect{}) {
			continue
		}
		for _, o := range drawn {
			w := min(b.Plan.XM+b.Plan.WidthM, o.Plan.XM+o.Plan.WidthM) - max(b.Plan.XM, o.Plan.XM)
			h := min(b.Plan.YM+b.Plan.LengthM, o.Plan.YM+o.Plan.LengthM) - max(b.Plan.YM, o.Plan.YM)
			if w > 0.1 && h > 0.1 {
				l.bad(l.bayPaths[b.ID]+".plan", "move one of them", "bay %s is drawn over bay %s", b.ID, o.ID)
			}
		}
		drawn = append(drawn, b)
	}
}

// delays are a bay's own delays by kind; nil where it has none.
func (l *loader) delays(path string, list []KindDelay) map[site.Kind]site.Delay {
	if len(list) == 0 {
		return nil
	}
	out := map[site.Kind]site.Delay{}
	for i, x := range list {
		at := fmt.Sprintf("%s[%d]", path, i)
		kind := site.Kind(x.Kind)
		if _, known := kind.Info(); !known && x.Kind != "" {
			var names []string
			for _, k := range site.Kinds {
				names = append(names, string(k.Kind))
			}
			fix := "write one of " + strings.Join(names, ", ")
			if near := nearest(x.Kind, names); near != "" {
				fix = "write " + near
			}
			l.bad(at+".kind", fix, "there is no kind of alarm called %q", clip(x.Kind))
			continue
		}
		if _, twice := out[kind]; twice {
			l.bad(at+".kind", "give each kind once", "%s has its delays already", kind)
		}
		d := site.Delay{On: -1, Off: -1}
		if l.has(at + ".on") {
			d.On = x.On
		}
		if l.has(at + ".off") {
			d.Off = x.Off
		}
		out[kind] = d
	}
	return out
}
