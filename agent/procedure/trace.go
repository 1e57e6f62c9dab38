package procedure

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// trace is what one step has seen of one point: enough to judge by, small enough to be kept in
// every snapshot however long the step takes.
type trace struct {
	// N counts the readings, Bad those of them that were not good.
	N   int `json:"n"`
	Bad int `json:"bad,omitempty"`
	// First and Last are the first and the newest good reading, with their times in Unix ms; 0
	// before the first.
	First  float64 `json:"first"`
	Last   float64 `json:"last"`
	FirstT int64   `json:"first_t,omitempty"`
	LastT  int64   `json:"last_t,omitempty"`
	Min    float64 `json:"min"`
	Max    float64 `json:"max"`
	// Moved is how much a total rose (or a flow let through), m3 (rain: m), in Moves steps; MoveFirst and
	// MoveLast are when it was first and last seen to move.
	Moved     float64 `json:"moved,omitempty"`
	Moves     int     `json:"moves,omitempty"`
	MoveFirst int64   `json:"move_first,omitempty"`
	MoveLast  int64   `json:"move_last,omitempty"`
	// Dots are readings through the step, every Every-th of them.
	Dots  []dot `json:"dots,omitempty"`
	Every int   `json:"every,omitempty"`
	Skip  int   `json:"skip,omitempty"`
}

type dot struct {
	T int64   `json:"t"`
	V float64 `json:"v"`
}

// mostDots bounds a trace; a longer step keeps every second, fourth, ... reading.
const mostDots = 240

// add takes a reading. from is when the step began: a reading made before it says nothing of it.
func (r *trace) add(p *site.Point, s site.Sample) {
	r.N++
	if s.Quality != site.Good || !site.Known(s.Value) {
		r.Bad++
		return
	}
	t := s.Time.UnixMilli()
	if r.FirstT == 0 {
		r.First, r.FirstT, r.Min, r.Max = s.Value, t, s.Value, s.Value
	}
	r.Min, r.Max = min(r.Min, s.Value), max(r.Max, s.Value)
	switch p.Quantity {
	case site.Volume, site.Rain:
		if r.LastT != 0 {
			r.count(increase(p, r.Last, s.Value), t)
		}
	case site.Flow:
		// A flow is summed over the time to the reading before, at most a minute of it.
		if still := startOf(p); s.Value > still && r.LastT != 0 {
			r.count(s.Value*min(float64(t-r.LastT)/1000, 60), t)
		}
	case site.Level, site.Pressure:
		r.keep(dot{t, s.Value})
	}
	r.Last, r.LastT = s.Value, t
}

func (r *trace) count(m3 float64, t int64) {
	if !(m3 > 0) {
		return
	}
	if r.Moves == 0 {
		r.MoveFirst = t
	}
	r.Moved, r.Moves, r.MoveLast = r.Moved+m3, r.Moves+1, t
}

func (r *trace) keep(d dot) {
	if r.Every == 0 {
		r.Every = 1
	}
	if r.Skip++; r.Skip < r.Every {
		return
	}
	r.Skip = 0
	if r.Dots = append(r.Dots, d); len(r.Dots) < mostDots {
		return
	}
	half := r.Dots[:0]
	for i := 1; i < len(r.Dots); i += 2 {
		half = append(half, r.Dots[i])
	}
	r.Dots, r.Every = half, 2*r.Every
}

// increase is how much a total rose from one reading to the next. A fall by more than half of the
// modulus is a rollover; another fall is a reset, which says nothing.
func increase(p *site.Point, from, to float64) float64 {
	d := to - from
	if d < 0 && p.ModulusM3 > 0 && -d > p.ModulusM3/2 {
		d += p.ModulusM3
	}
	return max(d, 0)
}

// startOf is the flow above which a flow point counts as running.
func startOf(p *site.Point) float64 {
	if p.StartM3S > 0 {
		return p.StartM3S
	}
	return 0.5e-3 / 60
}

// mean of the dots in [from, to], and how many there were; NaN when none.
func (r *trace) mean(from, to int64) (m float64, n int) {
	sum := 0.0
	for _, d := range r.Dots {
		if d.T >= from && d.T <= to {
			sum, n = sum+d.V, n+1
		}
	}
	if n == 0 {
		return math.NaN(), 0
	}
	return sum / float64(n), n
}

// spread is the standard deviation of the successive differences of the dots in [from, to] over
// the root of two: the noise of one reading, whatever slow course the level takes. NaN below
// three dots.
func (r *trace) spread(from, to int64) float64 {
	sum, n, last := 0.0, 0, math.NaN()
	for _, d := range r.Dots {
		if d.T < from || d.T > to {
			continue
		}
		if !math.IsNaN(last) {
			sum, n = sum+(d.V-last)*(d.V-last), n+1
		}
		last = d.V
	}
	if n < 2 {
		return math.NaN()
	}
	return math.Sqrt(sum / float64(n) / 2)
}

// rate is the mean flow from the first movement to the last, m3/s. What came with the first was
// before it, and does not count.
func (r *trace) rate() float64 {
	if r.Moves < 2 || r.MoveLast <= r.MoveFirst {
		return 0
	}
	return r.Moved * float64(r.Moves-1) / float64(r.Moves) / (float64(r.MoveLast-r.MoveFirst) / 1000)
}

// slope of the dots in [from, to] by least squares, per hour; ok is false below three
// dots.
func (r *trace) slope(from, to int64) (perHour float64, ok bool) {
	var n, st, sv, stt, stv float64
	for _, d := range r.Dots {
		if d.T >= from && d.T <= to {
			t := float64(d.T-from) / 3.6e6
			n, st, sv, stt, stv = n+1, st+t, sv+d.V, stt+float64(t*t), stv+float64(t*d.V)
		}
	}
	det := float64(n*stt) - float64(st*st)
	if n < 3 || !(det > 0) {
		return 0, false
	}
	return (float64(n*stv) - float64(st*sv)) / det, true
}

// newest is the mean of the last three dots; NaN before the first.
func (r *trace) newest() float64 {
	if len(r.Dots) == 0 {
		return math.NaN()
	}
	last := r.Dots[max(0, len(r.Dots)-3):]
	sum := 0.0
	for _, d := range last {
		sum += d.V
	}
	return sum / float64(len(last))
}

func ms(t time.Time) int64 { return t.UnixMilli() }
