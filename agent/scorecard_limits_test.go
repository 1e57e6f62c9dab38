package agent_test

import (
	"slices"
	"time"

	"bayledger/agent/site"
)

// fixedLimits is what is done today: a level 15 mm over the set point for 10 minutes, flow with
// the valve shut for 10 minutes, none with it open for 10 minutes, and a day's volume over one
// and a half times the median of the week before.
type fixedLimits struct {
	st    *site.Site
	point map[string]*site.Point
	bays  map[string]*limitsOfBay
}

type limitsOfBay struct {
	set, flow                   float64
	valve                       float64
	over, runs, dry             time.Time // since when, zero when not
	overTold, runsTold, dryTold bool
	dayStart, total             float64
	day                         int
	days                        []float64
}

type fixedAlarm struct {
	bay  string
	what string
	at   time.Time
}

const (
	limitOverM = 0.015
	limitFor   = 10 * time.Minute
	limitDay   = 1.5
	// limitFlow is what counts as no flow, 0.1 L/min.
	limitFlow = 0.1e-3 / 60
)

func newFixedLimits(st *site.Site) *fixedLimits {
	f := &fixedLimits{st: st, point: map[string]*site.Point{}, bays: map[string]*limitsOfBay{}}
	for i := range st.Points {
		f.point[st.Points[i].ID] = &st.Points[i]
	}
	for b := range st.Bays() {
		f.bays[b.ID] = &limitsOfBay{set: b.SetPointM, valve: -1, day: -1}
	}
	return f
}

// sample takes one reading and returns the alarm it led to, if any.
func (f *fixedLimits) sample(s site.Sample) (a fixedAlarm, raised bool) {
	p := f.point[s.Point]
	if p.Bay == "" || s.Quality == site.Bad {
		return a, false
	}
	b := f.bays[p.Bay]
	held := func(is bool, since *time.Time, told *bool, what string) {
		if !is {
			*since, *told = time.Time{}, false
			return
		}
		if since.IsZero() {
			*since = s.Time
		}
		if !*told && s.Time.Sub(*since) >= limitFor {
			*told = true
			a, raised = fixedAlarm{p.Bay, what, s.Time}, true
		}
	}
	switch p.Quantity {
	case site.SetPoint:
		b.set = s.Value
	case site.ValveOpen:
		b.valve = s.Value
	case site.Level:
		held(s.Value > b.set+limitOverM, &b.over, &b.overTold, "level")
	case site.Flow:
		b.flow = s.Value
		if b.valve >= 0 {
			held(b.valve == 0 && b.flow > limitFlow, &b.runs, &b.runsTold, "flow shut")
			if !raised {
				held(b.valve == 1 && b.flow <= limitFlow, &b.dry, &b.dryTold, "no flow open")
			}
		}
	case site.Volume:
		today := s.Time.In(f.st.Zone).YearDay()
		if b.day != today {
			if b.day >= 0 {
				volume := b.total - b.dayStart
				if n := len(b.days); n >= 7 {
					week := slices.Sorted(slices.Values(b.days[n-7:]))
					if volume > limitDay*week[3] {
						a, raised = fixedAlarm{p.Bay, "volume", s.Time}, true
					}
				}
				b.days = append(b.days, volume)
			}
			b.day, b.dayStart = today, s.Value
		}
		b.total = s.Value
	}
	return a, raised
}
