package page

import (
	"time"

	"bayledger/agent/alarm"
	"bayledger/agent/procedure"
	"bayledger/agent/site"
	"bayledger/agent/water"
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
	// Alarms are what alarm.Desk.Open returned, the gravest first, Work what Maintenance did.
	Alarms []alarm.Alarm
	// Rates say how the site's alarms have behaved over the last 30 days.
	Rates alarm.Rates
	Work  []alarm.Work
	// Mains are the closed days of the main meter against the bays' meters, oldest first.
	Mains []water.Main
	// Method says where reference evapotranspiration comes from now.
	Method water.Method
	Watch  Health
	// Procedures are those under way, on offer and on record.
	Procedures procedure.Picture
	// Closed is true while the season is closed.
	Closed bool
}

// Reading is the newest sample of one point, calibrated.
type Reading struct {
	site.Sample
	Quantity site.Quantity
	// Bay is empty for the site's own points.
	Bay string
	// Interval is how often the point is read: a reading older than three of them is stale.
	Interval time.Duration
}

// Bay is the state of one bay: the account's picture of it, its closed days and the spans between
// settled levels, oldest first, and the account of the night (see Night), which is zero when there
// is none.
type Bay struct {
	water.BayNow
	Days, Spans []water.Account
	Night       water.Account
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
	// Requests were sent since the start. FailedPer1000 and TimeoutsPer1000 of the last thousand
	// failed, and had no answer; of the answers 99 in 100 came within ReplyP99.
	Requests                       int64
	FailedPer1000, TimeoutsPer1000 float64
	ReplyP99                       time.Duration
}

// Sink is a historian or broker that is sent what the journal holds. Name is for people; the id
// stands for it when empty.
type Sink struct {
	ID, Name string
	Up       bool
	// Behind is the number of samples not yet sent, and Lag the age of the oldest of them.
	Behind int64
	Lag    time.Duration
}

// Journal is the state of the local store.
type Journal struct {
	// OK is true while it takes samples; Note says what is wrong otherwise.
	OK   bool
	Note string
	// Unjournaled counts samples it could not take since the start.
	Unjournaled int64
}

// Bay returns the state of the bay with that id, or nil.
func (v *View) Bay(id string) *Bay {
	for i := range v.Bays {
		if v.Bays[i].Bay == id {
			return &v.Bays[i]
		}
	}
	return nil
}

// nightFrom and nightTo bound the night of the day book in local time: the hours in which nobody
// looks, from play's end to the morning round.
const nightFrom, nightTo = 20, 7

// Night returns the last night that has begun at t: from eight in the evening to seven in the
// morning, local time, or to t while it lasts.
func Night(s *site.Site, t time.Time) (from, to time.Time) {
	l := t.In(s.Zone)
	from = time.Date(l.Year(), l.Month(), l.Day(), nightFrom, 0, 0, 0, s.Zone)
	if from.After(l) {
		from = time.Date(l.Year(), l.Month(), l.Day()-1, nightFrom, 0, 0, 0, s.Zone)
	}
	to = time.Date(from.Year(), from.Month(), from.Day()+1, nightTo, 0, 0, 0, s.Zone)
	if to.After(l) {
		to = l
	}
	return from.UTC(), to.UTC()
}

// levelOf returns the level to show for a bay, m: the mean of the last minute while readings are
// good and come, NaN otherwise.
func (v *View) levelOf(b *Bay) float64 {
	patience := time.Minute
	if p := v.Site.Find(b.Bay, site.Level); p != nil {
		patience = max(patience, 3*p.Interval)
	}
	if b.Quality == site.Bad || v.Time.Sub(b.LevelAt) > patience {
		return site.Unknown()
	}
	if site.Known(b.SmoothM) {
		return b.SmoothM
	}
	return b.LevelM
}

// why returns the reason why a bay's newest level reading is not good.
func (v *View) why(bay string) site.Why {
	for i := range v.Readings {
		if v.Readings[i].Bay == bay && v.Readings[i].Quantity == site.Level {
			return v.Readings[i].Why
		}
	}
	return site.WhyNone
}

// doing says what a bay is doing. The flow comes before the level, because a level is the
// chamber's while water runs.
func (v *View) doing(b *Bay) Doing {
	sb := v.Site.Bay(b.Bay)
	level := v.levelOf(b)
	band := sb.BandM
	if !site.Known(band) || band <= 0 {
		band = 0.005
	}
	switch {
	case !site.Known(level):
		return NoReading
	case b.Doing == water.Filling:
		return Filling
	case level >= sb.CrestM:
		return OverCrest
	case v.Closed:
		return OutOfSeason
	case b.Doing == water.Settling:
		return Settling
	// A fill stops late by about what it takes to start one, so a settled level may stand a band
	// above the set point; below, half a band of delay is allowed before it is called low.
	case level > b.SetPointM+band:
		return High
	case level < b.SetPointM-1.5*band:
		return Low
	}
	return Holding
}
