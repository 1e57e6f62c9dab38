package site

import (
	"cmp"
	"iter"
	"math"
	"regexp"
	"slices"
	"time"
)

// Site is one club as its site file describes it. It is not changed after it is built; a reload
// builds another.
type Site struct {
	ID   string
	Name string
	// Zone is where accounts close at local midnight and people read clocks. Never nil.
	Zone         *time.Location
	LatitudeDeg  float64 // positive north; NaN when not given
	LongitudeDeg float64 // positive east; NaN when not given
	ElevationM   float64 // above sea level; 0 when not given
	Display      Display
	// Language is how page, reports and notices speak: "en" or "de"; empty is English.
	Language string
	// ShutOff says in the club's words where the supply is shut by hand.
	ShutOff string
	// Attended is the part of the day in which somebody will look of their own accord.
	Attended DayWindow
	Tariff   Tariff
	// SupplyLowPa and SupplyHighPa bound the supply pressure the club wants; NaN when not given.
	SupplyLowPa, SupplyHighPa float64
	Courts                    []Court
	// Points in order of id.
	Points []Point
	// Neighbours are pairs of bay ids that share a liner edge, so that water lost by one can
	// reach the other.
	Neighbours [][2]string
	// MonthlyET are reference evapotranspirations in metres a day, January first: the last
	// resort where nothing measures weather. All NaN when not given.
	MonthlyET [12]float64
	// FalsePagesPerSeason is the false-alarm budget: false pages a six-bay site may have in a
	// half-year season. Detector thresholds follow from it.
	FalsePagesPerSeason float64
	// Commission are the durations and limits of the guided procedures.
	Commission Commission
	// Isolation is the valve the daemon may shut; nil when there is none.
	Isolation *Isolation
	// Revision is the hash of the site file's text; events and accounts carry it.
	Revision string
}

// Tariff is what a cubic metre costs. Zero means not given.
type Tariff struct {
	PerM3    float64
	Currency string
}

// Court is a playing surface made of bays.
type Court struct {
	ID, Name string
	Bays     []Bay
}

// Bay is one shallow lined basin under a part of a court.
type Bay struct {
	ID, Name, Court string
	// AreaM2 is the plan area.
	AreaM2 float64
	// Layers from the liner upwards.
	Layers []Layer
	// Storage, if given, is what the bay was measured to hold, by rising level; up to its last level
	// it takes the layers' place.
	Storage []StoragePoint
	// FloorUnevenM is the standard deviation of the liner's height over the bay.
	FloorUnevenM float64
	// CrestM is the level at which the overflow begins to run; NaN when there is none or it is
	// not known.
	CrestM float64
	// OverflowM3S is the flow the overflow can carry away; NaN when not known.
	OverflowM3S float64
	// SetPointM is the level the controller is told to hold, where no point reads it; NaN when
	// not known.
	SetPointM float64
	// BandM is how far the level falls below the set point before the controller fills.
	BandM float64
	// FillM3S is the usual flow of an open valve; NaN when not known.
	FillM3S float64
	Fill    FillPolicy
	Valve   Valve
	// Plan is where the bay lies on the drawing of the club.
	Plan Rect
	// DeadBandM is how far the level must come back past the limit of an alarm before the alarm can
	// be over. NaN or 0: the larger of three noise sigmas and half the fill band.
	DeadBandM float64
	// Delays replace the table's delays of some kinds at this bay; nil where none do.
	Delays map[Kind]Delay
}

// Layer is one fill material of a bay.
type Layer struct {
	Name   string
	DepthM float64
	// DrainablePorosity is water that drains by gravity per volume of material, 0 to 1. It is
	// the nominal figure of the site file; what the account learns stands beside it.
	DrainablePorosity float64
	// FillablePorosity is the water that a rise takes up in material that has drained, per volume:
	// less than DrainablePorosity where air stays caught. 0 where both are one.
	FillablePorosity float64
	// Surface marks the playing layer on top, which takes water up by capillary rise.
	Surface bool
}

// StoragePoint is one line of a bay's storage table: the water above the drained bay, m3, at a level
// above the liner, m, when the level has come down to it, and when it has risen to it from empty.
type StoragePoint struct{ LevelM, HoldsM3, FilledM3 float64 }

// Rect is a rectangle on the plan, metres, x to the east and y to the south. All zero when the
// site file gives no plan.
type Rect struct{ XM, YM, WidthM, LengthM float64 }

// Valve describes how the fill valve is seen.
type Valve struct {
	// Feedback is true when the valve point reports the valve's position, false when it reports
	// the controller's command.
	Feedback bool
	// Travel is how long the valve takes to open or shut after the command, Assumed that nobody has stated it.
	Travel  time.Duration
	Assumed bool
}

// FillPolicy is the controller's habit, as far as the club knows it: when it may fill.
type FillPolicy struct {
	// Windows in local time in which fills may start; none means any time.
	Windows []DayWindow
	// OneAtATime is true when the controller fills one bay of the site after the other.
	OneAtATime bool
}

// DayWindow is a span of the local day. To before From runs over midnight; From equal to To is
// the whole day.
type DayWindow struct{ From, To DayTime }

// DayTime is minutes after local midnight, 0 to 1439.
type DayTime int

// Contains reports whether the local wall clock of t lies in the window; From is inside, To is
// not. It goes by the wall clock, so days of 23 and 25 hours need no care.
func (w DayWindow) Contains(t time.Time, zone *time.Location) bool {
	l := t.In(zone)
	m := DayTime(l.Hour()*60 + l.Minute())
	switch {
	case w.From == w.To:
		return true
	case w.From < w.To:
		return w.From <= m && m < w.To
	default:
		return m >= w.From || m < w.To
	}
}

// Next returns the first moment at or after t when the window is open.
func (w DayWindow) Next(t time.Time, zone *time.Location) time.Time {
	if w.Contains(t, zone) {
		return t
	}
	l := t.In(zone)
	for day := range 3 {
		at := time.Date(l.Year(), l.Month(), l.Day()+day, int(w.From)/60, int(w.From)%60, 0, 0, zone)
		if !at.Before(t) {
			return at
		}
	}
	return t
}

// DepthM is the height of the whole fill above the liner.
func (b *Bay) DepthM() float64 {
	d := 0.0
	for _, l := range b.Layers {
		d += l.DepthM
	}
	return d
}

// SurfaceBottomM is the height of the underside of the playing layer: above it the surface
// goes soft. It is the whole depth when no layer is marked as surface.
func (b *Bay) SurfaceBottomM() float64 {
	d := 0.0
	for _, l := range b.Layers {
		if l.Surface {
			return d
		}
		d += l.DepthM
	}
	return d
}

// Bays yields every bay in the order of the site file.
func (s *Site) Bays() iter.Seq[*Bay] {
	return func(yield func(*Bay) bool) {
		for i := range s.Courts {
			for j := range s.Courts[i].Bays {
				if !yield(&s.Courts[i].Bays[j]) {
					return
				}
			}
		}
	}
}

// Bay returns the bay with that id, or nil.
func (s *Site) Bay(id string) *Bay {
	for b := range s.Bays() {
		if b.ID == id {
			return b
		}
	}
	return nil
}

// Point returns the point with that id, or nil.
func (s *Site) Point(id string) *Point {
	i, ok := slices.BinarySearchFunc(s.Points, id, func(p Point, id string) int { return cmp.Compare(p.ID, id) })
	if !ok {
		return nil
	}
	return &s.Points[i]
}

// Find returns the point of that quantity at the bay (empty: the site's own), or nil.
func (s *Site) Find(bay string, q Quantity) *Point {
	for i := range s.Points {
		if s.Points[i].Bay == bay && s.Points[i].Quantity == q {
			return &s.Points[i]
		}
	}
	return nil
}

var idPattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9-]{0,31}$`)

// reserved ids would collide with topics and paths that have a meaning of their own.
var reserved = []string{"site", "events", "status", "history", "points", "live", "alarms"}

// CheckID returns what is wrong with a permanent id, or "".
func CheckID(id string) string {
	switch {
	case id == "":
		return "the id is empty"
	case !idPattern.MatchString(id):
		return "an id is 1 to 32 letters, digits and hyphens, and starts with a letter or digit"
	case slices.Contains(reserved, id):
		return "this id is reserved"
	}
	return ""
}

// Known reports whether x is a number at all: unknown quantities are NaN.
func Known(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Unknown is NaN, the value of a quantity nobody gave.
func Unknown() float64 { return math.NaN() }
