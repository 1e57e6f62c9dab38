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
	// them.
	ET    float64 `json:"et,omitempty"`
	ETs   int     `json:"ets,omitempty"`
	PeakM float64 `json:"peak,omitempty"`

	Rises []rise `json:"rises,omitempty"`

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

// bin is ten minutes: T its middle, Unix ms; V the mean level, m; ET the reference evaporation of
// the moment.
type bin struct {
	T  int64   `json:"t"`
	V  float64 `json:"v"`
	ET float64 `json:"et"`
}

// rest is a bay at rest over restBins.
type rest struct {
	T        int64   `json:"t"`      // its middle, Unix ms
	LevelM   float64 `json:"level"`  // there
	EndU     float64 `json:"u"`      // standard uncertainty of the level at either end, m
	MPerHour float64 `json:"rate"`   // how fast the level moves by itself, below 0 while it falls
	RateU    float64 `json:"rate_u"` // its standard uncertainty
	InM3     float64 `json:"in"`     // what the meter had let in
	ET       float64 `json:"et"`     // mean of its bins
	GapET    float64 `json:"gap_et"` // mean of the bins between From and this rest
	PeakM    float64 `json:"peak"`   // the highest between them
	DryS     float64 `json:"dry"`    // its middle's time since the last water, s
}

// end is the level at the rest's end, start at its beginning.
func (r *rest) end() float64   { return r.LevelM + r.MPerHour*halfRest }
func (r *rest) start() float64 { return r.LevelM - r.MPerHour*halfRest }

// rise is what a fill, or some, did between two rests: metres of level for each metre of water over
// the area, were nothing lost meanwhile. Var is its variance. What all rises have in common is told
// apart: Law is by how much the two laws of what was lost stand from their middle; Loss, Lead and Warm
// are the standard uncertainties of the loss itself, of a chamber that still leads, and of the sensor.
type rise struct {
	Up   float64 `json:"up"`
	Var  float64 `json:"var"`
	Law  float64 `json:"law"`
	Loss float64 `json:"loss"`
	Lead float64 `json:"lead"`
	Warm float64 `json:"warm"`
}

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
	// faintET is evaporation of five minutes that counts as none, m.
	faintET = 1e-6
)

// look takes the bay as it is at a tick. clayM is the depth of its surface.
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
	b := bin{begin + binFor.Milliseconds()/2, s.Sum / float64(s.N), m.et}
	known, ran := s.N > 0, m.ran > begin
	s.Ceiling.look(b, known, m.inM3, ran, m.rainM-s.RainM, areaM2, clayM)
	s.RainM = m.rainM
	s.End, s.Sum, s.N = m.now+binFor.Milliseconds(), 0, 0
	s.ET, s.ETs = s.ET+m.et, s.ETs+1
	switch {
	case !known: // a gap
		s.Bins, s.Dry, s.Last, s.From, s.To = nil, 0, nil, nil, nil
		return
	case ran:
		if s.To != nil {
			s.rise(*s.From, *s.To, areaM2, m.settleS)
			s.From, s.To = nil, nil
		}
		if s.From == nil {
			s.From, s.PeakM, s.ET, s.ETs = s.Last, b.V, m.et, 1
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
		if f := s.From; f != nil && s.Other <= f.T-soakFor.Milliseconds() && s.ETs > restBins {
			r.GapET = (s.ET - restBins*r.ET) / float64(s.ETs-restBins)
			r.PeakM, r.DryS = s.PeakM, (float64(s.Dry)-float64(restBins-1)/2)*binFor.Seconds()
			s.To = &r // the longer it rests, the less the chamber leads
		}
	}
	if s.From != nil && s.Dry >= after+restBins+moreBins {
		if s.To != nil {
			s.rise(*s.From, *s.To, areaM2, m.settleS)
		}
		s.From, s.To = nil, nil
	}
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
		r.ET += b.ET / float64(n)
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

// The budget of a rise (GUM, our own choice where no source is named).
const (
	// drainWorth is what the level falls by after the water is worth in what it rises by: from 0.6, where
	// trapped air and pores that drain late make it go further down than up, to 1, where nothing does. That
	// (a rectangle, 0.12), an evaporation that is known to a fifth, and a clay that drinks another fifth from
	// a level that has risen make lossShare of the loss.
	drainWorth, lossShare = 0.8, 0.3
	// warmM is by how much a sensor's zero moves with its temperature, over warmHours; the account has
	// the same. It is common to all rises: they fall in the same hours.
	warmM, warmHours = 0.0005, 8
	// settleMore is how much longer than learned a chamber may lead.
	settleMore = 1.3
	// ownShare is by how much rises differ beyond what is known of each: stone that has just drained
	// takes less. ownWeight is how many rises that and the rest of their variances are worth against the
	// scatter that is seen.
	ownShare, ownWeight = 0.05, 3
)

// rise takes what happened between two rests. The loss between them goes by one of two laws: it is at
// once what it is after, as where the sun has set or clouds came; or it goes over evenly from what it
// was before, as where the clay drinks on. The middle of the two is taken. Where the gap had more
// evaporation than both rests nothing bounds it.
func (s *rests) rise(a, r rest, areaM2, settleS float64) {
	hours := float64(r.T-a.T)/3.6e6 - 2*halfRest
	water := (r.InM3 - a.InM3) / areaM2
	if r.GapET > 1.1*max(a.ET, r.ET)+faintET || !(water > 0) {
		return
	}
	before, after := -a.MPerHour*hours, -r.MPerHour*hours
	law := (before - after) / 4
	lost := drainWorth*after + law
	up := r.start() - a.end() + lost
	if !(up > 0.001) || lost > 0.7*up {
		return
	}
	// A lead at the rest is seen twice: in its level, and in its rate as a loss.
	lead := max(0, r.PeakM-r.start()) * math.Pow(20, -r.DryS/(settleMore*settleS)) * (1 + hours/2)
	loss, warm := lossShare*lost, warmM*(1-math.Exp(-hours/warmHours))
	own := math.Hypot(math.Hypot(a.EndU, r.EndU), math.Hypot(a.RateU, r.RateU)*hours/2)
	s.Rises = append(s.Rises, rise{Up: up / water, Var: (sq(own) + sq(law) + sq(loss) + sq(lead) + sq(warm)) / sq(water),
		Law: law / water, Loss: loss / water, Lead: lead / water, Warm: warm / water})
}

// leastRises is how many rises a porosity is told from.
const leastRises = 2

// porosity is the drainable porosity at the level the bay is held, as its fills have it: the water
// over the area that raises the level by one; u is the half width of its 95 % interval. How far the
// rises differ, and how far they should, says how sure their mean is; which law the loss goes by, and
// what else they have in common, is wrong in all of them alike.
func (s *rests) porosity() (phi, u float64, ok bool) {
	n := float64(len(s.Rises))
	if n < leastRises {
		return 0, 0, false
	}
	typical := 0.0
	for _, r := range s.Rises {
		typical += r.Up / n
	}
	var sum float64
	var m rise // their weighted mean
	weight := func(r rise) float64 { return 1 / (r.Var + sq(ownShare*typical)) }
	for _, r := range s.Rises {
		sum += weight(r)
	}
	for _, r := range s.Rises {
		w := weight(r) / sum
		m.Up, m.Law, m.Loss, m.Lead, m.Warm = m.Up+w*r.Up, m.Law+w*r.Law, m.Loss+w*r.Loss, m.Lead+w*r.Lead, m.Warm+w*r.Warm
	}
	scatter := 0.0
	for _, r := range s.Rises {
		scatter += sq(weight(r) / sum * (r.Up - m.Up))
	}
	free := n - 1 + ownWeight
	own := math.Sqrt((n*scatter + ownWeight/sum) / free)
	std := math.Hypot(math.Hypot(student95(int(free))/1.959964*own, m.Loss), math.Hypot(m.Lead, m.Warm))
	return 1 / m.Up, ends95(math.Abs(m.Law), std) / sq(m.Up), true
}

// student95 is the quantile 0.975 of Student's t with n degrees of freedom (Abramowitz and Stegun
// 26.7.5), within 0.024 of the tables from three on.
func student95(n int) float64 {
	const z = 1.959964
	v, z3, z5, z7 := float64(n), math.Pow(z, 3), math.Pow(z, 5), math.Pow(z, 7)
	return z + (z3+z)/(4*v) + (5*z5+16*z3+3*z)/(96*v*v) + (3*z7+19*z5+17*z3-15*z)/(384*v*v*v)
}
