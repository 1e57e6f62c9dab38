package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// Input is what a report is made of. Days and Mains may reach beyond the span; only days that
// begin in it count. The last day of a bay may be one that is not over yet.
type Input struct {
	Site     *site.Site
	From, To time.Time
	// Days by bay id, each oldest first.
	Days    map[string][]water.Account
	Mains   []water.Main
	Events  []site.Event  // in order of time
	Records []site.Record // in order of time
	Book    *Book         // what the readings told; nil when nobody looked
	Made    time.Time
}

// Sum is an account added up over days. Volumes are m3, uncertainties expanded (k=2).
type Sum struct {
	Bay                                                                        string
	Days                                                                       []water.Account
	MeteredM3, ByHandM3, RainM3, EvaporatedM3, EvaporatedU, OverflowM3, HeldM3 float64
	// UnexplainedM3 is that of the days that close; OpenDays counts the others, in which the
	// overflow ran or nothing measured what came in.
	UnexplainedM3, UnexplainedU float64
	OpenDays                    int
	// OpenHours is how long nothing could close the account: the overflow ran, or the level was
	// not known.
	OpenHours float64
	ETM       float64
	// PerMM is the water taken in for each millimetre of reference evapotranspiration and square
	// metre, L: what bays are compared by. NaN when not known.
	PerMM float64
}

// Fault is one alarm of the span: what it cost and how soon somebody answered.
type Fault struct {
	Event   site.Event // the newest of its life
	Raised  time.Time
	Ended   time.Time // zero while it stands
	Answer  time.Duration
	AckedBy string
	LostM3  float64 // NaN when not known
	Cost    float64 // in the tariff's currency, NaN when not known
}

// Report is a report worked out.
type Report struct {
	Input
	Bays   []Sum
	Whole  Sum
	Faults []Fault
	Moves  []site.Record // set points that moved: put on record, or seen at their controller
	Dips   []site.Record
	// LostM3 and Cost add up what the faults lost; Median and Slowest are the times to the answer of
	// those that somebody answered, Unanswered counts the rest.
	LostM3, Cost    float64
	Median, Slowest time.Duration
	Unanswered      int
	Weather         []Weather
	Utility         []Reconciled
	// MainM3 and its bays' sum over the days on which both are known; MainU is expanded.
	MainDays                  int
	MainM3, MainBaysM3, MainU float64
}

// Build works a report out. Sums of uncertainties go by the root of the sum of squares: the days'
// meters and weather err alike, so an error that is the same every day is understated; the
// meter's own is, and the main meter's comparison shows it.
func Build(in Input) Report {
	r := Report{Input: in, Whole: Sum{Bay: ""}}
	area := 0.0
	for b := range in.Site.Bays() {
		s := sum(b.ID, in.Days[b.ID], in.From, in.To)
		s.PerMM = (s.MeteredM3 + s.ByHandM3) / (s.ETM * b.AreaM2)
		if !(s.ETM > 0) || !(b.AreaM2 > 0) {
			s.PerMM = math.NaN()
		}
		s.OpenHours = openHours(in, b.ID)
		area += b.AreaM2
		r.Bays = append(r.Bays, s)
		w := &r.Whole
		w.MeteredM3 += s.MeteredM3
		w.ByHandM3 += s.ByHandM3
		w.RainM3 += s.RainM3
		w.EvaporatedM3 += s.EvaporatedM3
		w.EvaporatedU = math.Hypot(w.EvaporatedU, s.EvaporatedU)
		w.OverflowM3 += s.OverflowM3
		w.HeldM3 += s.HeldM3
		w.UnexplainedM3 += s.UnexplainedM3
		w.UnexplainedU = math.Hypot(w.UnexplainedU, s.UnexplainedU)
		w.OpenDays += s.OpenDays
		w.OpenHours += s.OpenHours
		w.ETM = max(w.ETM, s.ETM)
	}
	r.Whole.PerMM = math.NaN()
	if r.Whole.ETM > 0 && area > 0 {
		r.Whole.PerMM = (r.Whole.MeteredM3 + r.Whole.ByHandM3) / (r.Whole.ETM * area)
	}
	for _, m := range in.Mains {
		if inside(m.From, in) && site.Known(m.MainM3) && site.Known(m.BaysM3) {
			r.MainDays++
			r.MainM3 += m.MainM3
			r.MainBaysM3 += m.BaysM3
			r.MainU = math.Hypot(r.MainU, m.MainU)
		}
	}
	r.Faults = faults(in)
	r.answers()
	r.Utility = reconcile(in)
	if in.Book != nil {
		r.Moves = slices.DeleteFunc(slices.Clone(in.Book.Moves()), func(x site.Record) bool { return !inside(x.Time, in) })
		r.Weather = slices.DeleteFunc(in.Book.Weather(), func(d Weather) bool { return !inside(d.Day, in) })
	}
	for _, x := range in.Records {
		if !inside(x.Time, in) {
			continue
		}
		switch x.Kind {
		case site.RecSetPoint:
			r.Moves = append(r.Moves, x)
		case site.RecDip:
			r.Dips = append(r.Dips, x)
		}
	}
	slices.SortStableFunc(r.Moves, func(a, b site.Record) int { return a.Time.Compare(b.Time) })
	return r
}

// answers adds the faults up.
func (r *Report) answers() {
	var times []time.Duration
	r.Cost = math.NaN()
	if r.Site.Tariff.PerM3 > 0 {
		r.Cost = 0
	}
	for _, f := range r.Faults {
		if site.Known(f.LostM3) {
			r.LostM3 += f.LostM3
			r.Cost += f.LostM3 * r.Site.Tariff.PerM3
		}
		if f.Answer < 0 {
			r.Unanswered++
		} else {
			times = append(times, f.Answer)
		}
	}
	if len(times) > 0 {
		slices.Sort(times)
		r.Median, r.Slowest = times[len(times)/2], times[len(times)-1]
	}
}

// blinding are the kinds during which a bay's account cannot close.
var blinding = []site.Kind{site.Overflowing, site.NoData, site.LevelSensorFault}

// openHours is how long such a trouble stood on a bay within the span; troubles that overlap count
// once.
func openHours(in Input, bay string) float64 {
	open := map[string]bool{}
	var began time.Time
	total := time.Duration(0)
	close := func(t time.Time) {
		if from, to := maxTime(began, in.From), minTime(t, in.To); to.After(from) {
			total += to.Sub(from)
		}
	}
	for _, e := range in.Events {
		if e.Bay != bay || !slices.Contains(blinding, e.Kind) {
			continue
		}
		stood := len(open) > 0
		if e.State == site.Cleared {
			delete(open, e.ID)
		} else {
			open[e.ID] = true
		}
		switch {
		case !stood && len(open) > 0:
			began = e.Since.Time
		case stood && len(open) == 0:
			close(e.Time.Time)
		}
	}
	if len(open) > 0 {
		close(minTime(in.Made, in.To))
	}
	return total.Hours()
}

func minTime(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func inside(t time.Time, in Input) bool { return !t.Before(in.From) && t.Before(in.To) }

// sum adds up the days of a bay that begin in the span. A term that is not known counts as
// nothing; its day does not close, and is counted.
func sum(bay string, days []water.Account, from, to time.Time) Sum {
	s := Sum{Bay: bay}
	known := func(x float64) float64 {
		if site.Known(x) {
			return x
		}
		return 0
	}
	for _, d := range days {
		if d.From.Before(from) || !d.From.Before(to) {
			continue
		}
		s.Days = append(s.Days, d)
		s.MeteredM3 += known(d.MeteredM3)
		s.ByHandM3 += known(d.ByHandM3)
		s.RainM3 += known(d.RainM3)
		s.EvaporatedM3 += known(d.EvaporatedM3)
		s.EvaporatedU = math.Hypot(s.EvaporatedU, known(d.EvaporatedU))
		s.OverflowM3 += known(d.OverflowM3)
		s.HeldM3 += known(d.HeldM3)
		s.ETM += known(d.ETM)
		if site.Known(d.UnexplainedM3) && site.Known(d.UnexplainedU) {
			s.UnexplainedM3 += d.UnexplainedM3
			s.UnexplainedU = math.Hypot(s.UnexplainedU, d.UnexplainedU)
		} else {
			s.OpenDays++
		}
	}
	return s
}

// faults gathers the events of each alarm raised in the span that stands on its own.
func faults(in Input) []Fault {
	var order []string
	byID := map[string]*Fault{}
	for _, e := range in.Events {
		f := byID[e.ID]
		if f == nil {
			if e.State != site.Raised || !inside(e.Time.Time, in) {
				continue
			}
			f = &Fault{Raised: e.Time.Time, Answer: -1, LostM3: math.NaN(), Cost: math.NaN()}
			byID[e.ID] = f
			order = append(order, e.ID)
		}
		f.Event = e
		f.Ended = time.Time{}
		if e.State == site.Cleared {
			f.Ended = e.Time.Time
		}
		if e.Litres != nil {
			f.LostM3 = *e.Litres / 1000
			if in.Site.Tariff.PerM3 > 0 {
				f.Cost = f.LostM3 * in.Site.Tariff.PerM3
			}
		}
	}
	for _, r := range in.Records {
		if f := byID[r.Subject]; r.Kind == site.RecAck && f != nil && f.Answer < 0 && !r.Time.Before(f.Raised) {
			f.Answer, f.AckedBy = r.Time.Sub(f.Raised), r.Who
		}
	}
	var out []Fault
	for _, id := range order {
		if byID[id].Event.CauseID == "" { // an effect's water is its cause's
			out = append(out, *byID[id])
		}
	}
	return out
}

// Span returns the local days of a report: the day, the week from Monday, or the season (the
// calendar year) that holds the day.
func Span(name string, day time.Time, zone *time.Location) (from, to time.Time, err error) {
	l := day.In(zone)
	at := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, zone) }
	switch name {
	case "day":
		return at(l.Year(), l.Month(), l.Day()), at(l.Year(), l.Month(), l.Day()+1), nil
	case "week":
		monday := l.Day() - (int(l.Weekday())+6)%7
		return at(l.Year(), l.Month(), monday), at(l.Year(), l.Month(), monday+7), nil
	case "season":
		return at(l.Year(), 1, 1), at(l.Year()+1, 1, 1), nil
	}
	return from, to, fmt.Errorf("report: %q is not a span; use day, week or season", name)
}

// over reports whether a day has come to its midnight.
func (r Report) over(d water.Account) bool {
	l := d.From.In(r.Site.Zone)
	return !d.To.Before(time.Date(l.Year(), l.Month(), l.Day()+1, 0, 0, 0, 0, r.Site.Zone))
}

// Unfinished is the moment up to which the figures go where the last day is not over; the zero time
// when it is.
func (r Report) Unfinished() (until time.Time) {
	for _, b := range r.Bays {
		if n := len(b.Days); n > 0 && !r.over(b.Days[n-1]) {
			until = maxTime(until, b.Days[n-1].To)
		}
	}
	return until
}

// CSV writes one row for each bay and day that is over, in litres; _u_l is the expanded uncertainty. A figure
// that is not known is an empty cell.
func (r Report) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	c.Write([]string{"date", "bay", "metered_l", "by_hand_l", "rain_l", "evaporated_l", "evaporated_u_l", "overflow_l", "held_change_l", "unexplained_l", "unexplained_u_l", "reference_et_mm", "overflow_ran"})
	n := func(m3 float64) string {
		if v := site.Num(m3 * 1000); v != nil {
			return strconv.FormatFloat(*v, 'f', -1, 64)
		}
		return ""
	}
	for _, b := range r.Bays {
		for _, d := range b.Days {
			if !r.over(d) {
				continue
			}
			c.Write([]string{d.From.In(r.Site.Zone).Format(time.DateOnly), b.Bay, n(d.MeteredM3), n(d.ByHandM3), n(d.RainM3), n(d.EvaporatedM3), n(d.EvaporatedU),
				n(d.OverflowM3), n(d.HeldM3), n(d.UnexplainedM3), n(d.UnexplainedU), n(d.ETM), strconv.FormatBool(d.OverflowRan)})
		}
	}
	c.Flush()
	if err := c.Error(); err != nil {
		return fmt.Errorf("report: write CSV: %w", err)
	}
	return nil
}

// allDays are the site's days, the bays added up, for the plot.
func (r Report) allDays() []water.Account {
	by := map[int64]*water.Account{}
	for _, b := range r.Bays {
		for _, d := range b.Days {
			a := by[d.From.Unix()]
			if a == nil {
				a = &water.Account{From: d.From, MeteredM3: site.Unknown(), ByHandM3: site.Unknown(), RainM3: site.Unknown(), EvaporatedM3: site.Unknown()}
				by[d.From.Unix()] = a
			}
			addDay(a, d)
		}
	}
	out := make([]water.Account, 0, len(by))
	for _, a := range by {
		out = append(out, *a)
	}
	slices.SortFunc(out, func(a, b water.Account) int { return a.From.Compare(b.From) })
	return out
}
