package report

import (
	"math"
	"slices"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// Weather is a local day as the site's instruments had it; NaN where none did.
type Weather struct {
	Day                time.Time // its midnight
	LowC, HighC, RainM float64
}

// Book gathers what a report needs of the readings themselves: the weather by day, and set points
// that moved at their own controller. Add is called in order of time for each point.
type Book struct {
	s     *site.Site
	days  map[int64]*Weather
	last  map[string]float64
	moves []site.Record
}

// NewBook returns an empty book of the site.
func NewBook(s *site.Site) *Book {
	return &Book{s: s, days: map[int64]*Weather{}, last: map[string]float64{}}
}

// movedM is the least change of a set point that is a move and not a rounding of its register.
const movedM = 0.0004

// Add takes a reading of a point, or the least and the greatest of a step of them: degC of the air,
// m of the rain's running total or of a set point. Other points and unknown values are ignored.
func (b *Book) Add(p *site.Point, t time.Time, low, high float64) {
	if p == nil || !site.Known(low) || !site.Known(high) {
		return
	}
	last, seen := b.last[p.ID]
	switch {
	case p.Bay == "" && p.Quantity == site.AirTemperature:
		d := b.day(t)
		if !(d.LowC <= low) {
			d.LowC = low
		}
		if !(d.HighC >= high) {
			d.HighC = high
		}
	case p.Bay == "" && p.Quantity == site.Rain:
		d := b.day(t)
		if !site.Known(d.RainM) {
			d.RainM = 0
		}
		d.RainM += high - low
		if seen && low > last { // a total that starts again counts from there
			d.RainM += low - last
		}
		b.last[p.ID] = high
	case p.Bay != "" && p.Quantity == site.SetPoint:
		// In the step of a move both values are seen; the new one is the one that was not there.
		to := high
		if seen && math.Abs(high-last) < math.Abs(low-last) {
			to = low
		}
		if seen && math.Abs(to-last) > movedM {
			b.moves = append(b.moves, site.Record{Time: t, Kind: site.RecSetPoint, Bay: p.Bay, Value: to, Value2: last, Text: words.Key("at its controller")})
		}
		b.last[p.ID] = to
	}
}

func (b *Book) day(t time.Time) *Weather {
	l := t.In(b.s.Zone)
	midnight := time.Date(l.Year(), l.Month(), l.Day(), 0, 0, 0, 0, b.s.Zone)
	d := b.days[midnight.Unix()]
	if d == nil {
		d = &Weather{Day: midnight.UTC(), LowC: math.NaN(), HighC: math.NaN(), RainM: math.NaN()}
		b.days[midnight.Unix()] = d
	}
	return d
}

// Weather returns the days, oldest first.
func (b *Book) Weather() []Weather {
	out := make([]Weather, 0, len(b.days))
	for _, d := range b.days {
		out = append(out, *d)
	}
	slices.SortFunc(out, func(a, b Weather) int { return a.Day.Compare(b.Day) })
	return out
}

// Moves returns the set points that moved, in order of time.
func (b *Book) Moves() []site.Record {
	slices.SortStableFunc(b.moves, func(a, b site.Record) int { return a.Time.Compare(b.Time) })
	return b.moves
}

// InServiceLimit is how far a water meter in use may err between its transitional and its overload
// flow: twice the maximum permissible error of class 2 (ISO 4064-1:2014, 4.2; the doubling is that
// of the German rules for meters in use).
const InServiceLimit = 0.04

// Reconciled is what the utility's meter and the club's own main meter say of the time between two
// readings of the first, m3.
type Reconciled struct {
	From, To         time.Time
	UtilityM3, OwnM3 float64 // OwnM3 is NaN where the main meter gave no total
	Off              float64 // own less utility's, a share of the utility's; NaN when not known
	Verdict          string
}

// reconcile puts the readings of the span, and the one before it, side by side.
func reconcile(in Input) []Reconciled {
	var out []Reconciled
	var last *site.Record
	for i := range in.Records {
		r := &in.Records[i]
		if r.Kind != site.RecUtility || !r.Time.Before(in.To) {
			continue
		}
		if last != nil && !r.Time.Before(in.From) {
			c := Reconciled{From: last.Time, To: r.Time, UtilityM3: r.Value - last.Value, OwnM3: r.Value2 - last.Value2, Off: math.NaN()}
			if c.OwnM3 < 0 {
				c.OwnM3 = math.NaN() // another meter, or a total that started again
			}
			if c.UtilityM3 > 0 && site.Known(c.OwnM3) {
				c.Off = c.OwnM3/c.UtilityM3 - 1
			}
			switch off := math.Abs(c.Off); {
			case c.UtilityM3 < 0:
				c.Verdict = words.Key("the later reading is lower: another meter, or a slip")
			case !site.Known(c.Off):
				c.Verdict = words.Key("nothing to compare with")
			case off <= InServiceLimit:
				c.Verdict = words.Key("they agree")
			case off <= 2*InServiceLimit:
				c.Verdict = words.Key("more than one meter may err, within what both may")
			default:
				c.Verdict = words.Key("more than both meters may err")
			}
			out = append(out, c)
		}
		last = r
	}
	return out
}
