package page

import (
	"time"

	"bayledger/agent/site"
)

// View is the picture of one moment that the agent publishes: it and all it points to are never
// changed afterwards. Numbers are SI, NaN where unknown.
type View struct {
	// Number grows by one with each picture of this process.
	Number uint64
	// Time is the data time the picture holds for.
	Time time.Time
	Site *site.Site
	// Bays in the order of the site file.
	Bays []Bay
	// Readings holds the newest reading of every point, in order of point id.
	Readings []Reading
	// Alarms are those that are open, the most urgent first.
	Alarms []Alarm
	Watch  Health
	// Closed is true while the season is closed.
	Closed bool
}

// Reading is the newest sample of one point, calibrated.
type Reading struct {
	site.Sample
	Quantity site.Quantity
	Bay      string // empty for the site's own points
	// Interval is how often the point is read: a reading older than three of them is stale.
	Interval time.Duration
}

// ValveState is what is known of a fill valve.
type ValveState uint8

// The states of a valve.
const (
	ValveUnknown ValveState = iota
	ValveShut
	ValveOpen
)

func (v ValveState) String() string {
	return [...]string{"unknown", "shut", "open"}[min(v, ValveOpen)]
}

// Doing is what a bay is doing, in one word.
type Doing string

// What a bay can be doing.
const (
	Holding     Doing = "holding"
	Filling     Doing = "filling"
	Settling    Doing = "settling"
	Low         Doing = "low"
	High        Doing = "high"
	OverCrest   Doing = "overflowing"
	NoReading   Doing = "no reading"
	OutOfSeason Doing = "closed"
)

// Bay is the state of one bay.
type Bay struct {
	ID string
	// LevelM is the newest level and LevelTime when it was read; LevelQuality and LevelWhy say
	// how far to trust it. LevelM is NaN when there is no reading or a bad one.
	LevelM       float64
	LevelTime    time.Time
	LevelQuality site.Quality
	LevelWhy     site.Why
	// LevelUStd is the standard uncertainty of the level, NaN when not known.
	LevelUStd float64
	// SetPointM is the level the controller is told to hold, BandM how far below it the level
	// falls before a fill, CrestM where the overflow begins to run.
	SetPointM, BandM, CrestM float64
	FlowM3S                  float64
	Valve                    ValveState
	// Settled is true when chamber and bay agree, so that the level is the bay's.
	Settled bool
	Doing   Doing
	// LastFill is the newest fill, zero when none is known.
	LastFill Fill
	// Today runs since local midnight; Days are closed local days, the newest last.
	Today Account
	Days  []Account
}

// Fill is one fill of a bay. End is zero while it runs.
type Fill struct {
	Start, End time.Time
	VolumeM3   float64
}

// Account is what came, went and stayed at one bay, or at the whole site, over a span. Every
// term carries its standard uncertainty (k=1); NaN where not known.
type Account struct {
	From, To                                                     time.Time
	Metered, Rain, Evaporated, Overflow, Held, Hand, Unexplained Term
	// Closes is false when Unexplained cannot be said; Why then says the reason in a few words.
	Closes bool
	Why    string
}

// Term is one figure of an account: a volume and its standard uncertainty.
type Term struct{ M3, UStd float64 }

// Alarm is one open alarm: the newest event of its life and what people did with it.
type Alarm struct {
	site.Event
	// Acked is when somebody took it on, and AckedBy who; zero when nobody has.
	Acked   time.Time
	AckedBy string
	// Shelved until then, for the reason in ShelvedWhy; zero when it is not.
	Shelved    time.Time
	ShelvedWhy string
	// Folded are the alarms this one explains.
	Folded []site.Event
}

// Health is the state of the watch itself.
type Health struct {
	// LastReading is the time of the newest good reading of any point.
	LastReading time.Time
	Links       []Link
	Sinks       []Sink
	Journal     Journal
	// ClockSure is true when somebody vouches for the machine's clock; ClockNote says who, or
	// what is missing.
	ClockSure bool
	ClockNote string
	Version   string
	Started   time.Time
}

// Link is one line to the field.
type Link struct {
	ID string
	// Up is true when it answers; Note says more in a few words.
	Up   bool
	Note string
	// Since is when Up last changed.
	Since time.Time
	Units []Unit
}

// Unit is one device on a link.
type Unit struct {
	ID   string
	Up   bool
	Note string
	// Reply is the 95th percentile of its reply time, 0 when not known.
	Reply time.Duration
}

// Sink is a historian or broker that is sent what the journal holds.
type Sink struct {
	ID string
	Up bool
	// Behind is the number of samples not yet sent, and Lag the age of the oldest of them.
	Behind int64
	Lag    time.Duration
	Note   string
}

// Journal is the state of the local store.
type Journal struct {
	// OK is true while it takes samples.
	OK   bool
	Note string
	// Rows and Bytes are its size; Unjournaled counts samples it could not take.
	Rows, Bytes, Unjournaled int64
}

// Bay returns the state of the bay with that id, or nil.
func (v *View) Bay(id string) *Bay {
	for i := range v.Bays {
		if v.Bays[i].ID == id {
			return &v.Bays[i]
		}
	}
	return nil
}

// DoingOf says what a bay is doing, from its readings alone: the flow comes before the level,
// because a level is the chamber's while water runs. flowing is the flow above which a valve
// counts as passing water.
func DoingOf(b *Bay, flowingM3S float64, closed bool) Doing {
	switch {
	case !site.Known(b.LevelM):
		return NoReading
	case b.FlowM3S > flowingM3S:
		return Filling
	case b.LevelM >= b.CrestM:
		return OverCrest
	case closed:
		return OutOfSeason
	case !b.Settled:
		return Settling
	case b.LevelM > b.SetPointM+bandAbove(b):
		return High
	case b.LevelM < b.SetPointM-1.5*b.BandM:
		return Low
	}
	return Holding
}

// bandAbove is how far above the set point a settled level may stand before it is called high:
// a fill stops late by about what it takes to start one.
func bandAbove(b *Bay) float64 { return b.BandM }
