package procedure

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// rests collects, over the first weeks, by how much the bay's fills raised it from one rest to the
// next. A chamber leads its bay while water spreads, so nothing sooner tells what the stone has
// taken; and what the bay lost meanwhile is known by how it fell before and after.
type rests struct {
	// Bins are the level's means over ten minutes since the last water, the newest last; Dry counts all
	// that there were.
	Bins []bin `json:"bins,omitempty"`
	Dry  int   `json:"dry,omitempty"`
	// Sum and N are of the bin under way, which ends at End, Unix ms.
	Sum float64 `json:"sum,omitempty"`
	N   int     `json:"n,omitempty"`
	End int64   `json:"end,omitempty"`
	// Other is when water last came that no meter sees, Unix ms: rain, or watering by hand.
	Other int64 `json:"other,omitempty"`
	// Last is the rest that ends with the newest bin, From the one before the water under way, and To
	// the newest after it; nil while there is none.
	Last *rest `json:"last,omitempty"`
	From *rest `json:"from,omitempty"`
	To   *rest `json:"to,omitempty"`
	// ET is the sum of the bins' evaporation since From, ETs how many they are, and PeakM the highest of
	// them. Late is the newest.
	ET    drawn   `json:"et,omitzero"`
	ETs   int     `json:"ets,omitempty"`
	PeakM float64 `json:"peak,omitempty"`
	Late  drawn   `json:"late,omitzero"`

	Rises []rise `json:"rises,omitempty"`
	// Prev is the rest that the next one without water between is held against, Pairs what such pairs
	// and those across a fill say of the bay's losses.
	Prev  *rest `json:"prev,omitempty"`
	Pairs pairs `json:"pairs,omitzero"`

	// RainM is the rain taken so far, m, and Ceiling what becomes of it and of the fills.
	RainM   float64 `json:"rain,omitempty"`
	Ceiling ceiling `json:"ceiling,omitzero"`
}

// moment is a bay at a tick.
type moment struct {
	now    int64   // Unix ms
	levelM float64 // NaN without a good reading
	inM3   float64 // what the meter has let in since the step began
	ran    int64   // when it last moved, Unix ms; 0 never
	rainM  float64 // what has fallen since then, where a gauge shows it
	et     float64 // reference evaporation of the last five minutes, m
	// settleS is how long after a fill the chamber's lead has sunk to a twentieth, s.
	settleS float64
}

// drawn is reference evaporation, m/h, as the stone may come to lose it: at once, and as clay that dries
// by day draws it, in 1.2 and in 4 hours (agent/water has the same times).
type drawn [3]float64

var drawnHours = drawn{0, 1.2, 4}

// bin is ten minutes: T its middle, Unix ms; V the mean level, m; ET the evaporation at its end.
type bin struct {
	T  int64   `json:"t"`
	V  float64 `json:"v"`
	ET drawn   `json:"et"`
}

// rest is a bay at rest over restBins.
type rest struct {
	T        int64   `json:"t"`      // its middle, Unix ms
	LevelM   float64 `json:"level"`  // there
	EndU     float64 `json:"u"`      // standard uncertainty of the level at either end, m
	MPerHour float64 `json:"rate"`   // how fast the level moves by itself, below 0 while it falls
	RateU    float64 `json:"rate_u"` // its standard uncertainty
	InM3     float64 `json:"in"`     // what the meter had let in
	ET       drawn   `json:"et"`     // mean of its bins
	GapET    drawn   `json:"gap_et"` // mean of the bins between From and this rest
	PeakM    float64 `json:"peak"`   // the highest between them
	DryS     float64 `json:"dry"`    // its middle's time since the last water, s
}

// end is the level at the rest's end, start at its beginning.
func (r *rest) end() float64   { return r.LevelM + r.MPerHour*halfRest }
func (r *rest) start() float64 { return r.LevelM - r.MPerHour*halfRest }

const (
	binFor   = 10 * time.Minute
	restBins = 9 // an hour and a half: the stretch over which a level must move evenly to be at rest
	// halfRest is from a rest's middle to the middle of its first and last bin, h.
	halfRest = float64(restBins-1) / 2 / 6
	unevenM  = 0.0002 // m/h by which the rates of a rest's halves may differ beyond their scatter
	// restAfter is how many settling times after the last water a rest begins at the earliest: the lead
	// is a fortieth then. moreBins is how many bins later it may end.
	restAfter = 1.25
	leastBins = 4
	moreBins  = 9
	// longestRise is how long a rise may take: over more, what was lost is not known.
	longestRise = 14 * time.Hour
	// soakFor is how long water on the surface takes to come down at the most.
	soakFor = 4 * time.Hour
)

// look takes the bay as it is at a tick. clayM is the depth of its surface layers.
func (s *rests) look(m moment, areaM2, clayM float64) {
	if s.End == 0 {
		s.End = m.now + binFor.Milliseconds()
	}
	if site.Known(m.levelM) {
		s.Sum, s.N = s.Sum+m.levelM, s.N+1
	}
	if m.now < s.End {
		return
	}
	begin := s.End - binFor.Milliseconds()
	for i, h := range drawnHours {
		share := 1.0
		if h > 0 {
			share = 1 - math.Exp(-binFor.Hours()/h)
		}
		s.Late[i] += share * (12*m.et - s.Late[i])
	}
	b := bin{begin + binFor.Milliseconds()/2, s.Sum / float64(s.N), s.Late}
	known, ran := s.N > 0, m.ran > begin
	s.Ceiling.look(b, known, m.inM3, ran, m.rainM-s.RainM, areaM2, clayM)
	s.RainM = m.rainM
	s.End, s.Sum, s.N = m.now+binFor.Milliseconds(), 0, 0
	s.ET, s.ETs = s.ET.plus(1, s.Late), s.ETs+1
	switch {
	case !known: // a gap
		s.Bins, s.Dry, s.Last, s.From, s.To, s.Prev = nil, 0, nil, nil, nil, nil
		return
	case ran:
		if s.To != nil {
			s.rise(s.From, s.To, areaM2, m.settleS)
			s.From, s.To = nil, nil
		}
		if s.From == nil {
			s.From, s.PeakM, s.ET, s.ETs = s.Last, b.V, s.Late, 1
		} else if b.T-s.From.T > longestRise.Milliseconds() {
			s.From = nil
		}
		s.Bins, s.Dry, s.Last, s.PeakM = nil, 0, nil, max(s.PeakM, b.V)
		return
	}
	s.Dry, s.PeakM, s.Last = s.Dry+1, max(s.PeakM, b.V), nil
	if s.Bins = append(s.Bins, b); len(s.Bins) > restBins {
		s.Bins = s.Bins[1:]
	}
	after := max(leastBins, int(math.Ceil(restAfter*m.settleS/binFor.Seconds())))
	if s.Dry < after+restBins {
		return
	}
	if r, ok := resting(s.Bins); ok {
		r.InM3, s.Last = m.inM3, &r
		s.dry(&r)
		if f := s.From; f != nil && s.Other <= f.T-soakFor.Milliseconds() && s.ETs > restBins {
			r.GapET = drawn{}.plus(1/float64(s.ETs-restBins), s.ET.plus(-restBins, r.ET))
			r.PeakM, r.DryS = s.PeakM, (float64(s.Dry)-float64(restBins-1)/2)*binFor.Seconds()
			s.To = &r // the longer it rests, the less the chamber leads
		}
	}
	if s.From != nil && s.Dry >= after+restBins+moreBins {
		if s.To != nil {
			s.rise(s.From, s.To, areaM2, m.settleS)
		}
		s.From, s.To = nil, nil
	}
}

// dry holds a rest against the one before it, where neither water nor rain came between.
func (s *rests) dry(r *rest) {
	p := s.Prev
	switch {
	case p == nil || p.InM3 != r.InM3 || s.Other > p.T-soakFor.Milliseconds():
		s.Prev = r
	case r.T-p.T >= restBins*binFor.Milliseconds():
		if r.T-p.T < longestRise.Milliseconds() {
			s.Pairs.add(p, r)
		}
		s.Prev = r
	}
}

// plus is d with f times e added.
func (d drawn) plus(f float64, e drawn) drawn {
	for i := range d {
		d[i] += f * e[i]
	}
	return d
}

// resting reports whether the level has moved evenly over the bins: in their second half as in the
// first.
func resting(bins []bin) (r rest, ok bool) {
	n := len(bins)
	if n < restBins || bins[n-1].T-bins[0].T > int64(n)*binFor.Milliseconds() {
		return r, false
	}
	_, early, _ := line(bins[:n/2])
	_, late, _ := line(bins[n/2:])
	mid, rate, scatter := line(bins)
	halves := math.Hypot(slopeU(n/2), slopeU(n-n/2)) * scatter
	if math.Abs(late-early) > unevenM+2*halves {
		return r, false
	}
	for _, b := range bins {
		r.ET = r.ET.plus(1/float64(n), b.ET)
	}
	r.T, r.LevelM, r.MPerHour = (bins[0].T+bins[n-1].T)/2, mid, rate
	r.RateU = slopeU(n) * scatter
	r.EndU = math.Hypot(2*scatter/math.Sqrt(float64(n)), 1e-4) // a line is half as sure at its end
	return r, true
}

// slopeU is the standard uncertainty of a slope an hour over n bins by least squares, each with a
// scatter of one.
func slopeU(n int) float64 { return 6 * math.Sqrt(12/float64(n*(n*n-1))) }

// line is the straight line through bins by least squares: the value at their mean time, the slope
// an hour, and the scatter of one bin about it.
func line(bins []bin) (mid, perHour, scatter float64) {
	n := float64(len(bins))
	hour := func(b bin) float64 { return float64(b.T-bins[0].T) / 3.6e6 }
	mt := 0.0
	for _, b := range bins {
		mt, mid = mt+hour(b)/n, mid+b.V/n
	}
	tt, tv, vv := 0.0, 0.0, 0.0
	for _, b := range bins {
		dt, dv := hour(b)-mt, b.V-mid
		tt, tv, vv = tt+float64(dt*dt), tv+float64(dt*dv), vv+float64(dv*dv)
	}
	perHour = tv / tt
	return mid, perHour, math.Sqrt(max(0, vv-float64(perHour*tv)) / max(1, n-2))
}
