package procedure

import (
	"math"
	"time"
)

// ceiling looks, over the first weeks, for the level at which a bay overflows: where it stops rising
// while water goes in, by rain or by its meter, it spills; and where it comes to rest after that, the
// crest is near. It is told of every bin of rests.
type ceiling struct {
	// Bins are the newest ones, with what had come in by then.
	Bins []inflow `json:"bins,omitempty"`
	// Fell is the rain of the spell under way, m, RainAt when rain last fell, Unix ms, and LowM the lowest
	// level since that spell or the last water through the meter began.
	Fell   float64 `json:"fell,omitempty"`
	RainAt int64   `json:"rain_at,omitempty"`
	LowM   float64 `json:"low,omitempty"`
	// Still are the newest bins since the last water of any kind, the first of which began at StillAt, Unix
	// ms; 0 while there are none.
	Still   []bin `json:"still,omitempty"`
	StillAt int64 `json:"still_at,omitempty"`
	// PlateauM is the level at which the bay spilled last, while water still counts as that time's; 0
	// when it did not. Seen is what the first rest after it says of the crest.
	PlateauM float64 `json:"plateau,omitempty"`
	Seen     *spill  `json:"seen,omitempty"`
	// Metered is true when it was the meter's water that made it spill.
	Metered bool    `json:"metered,omitempty"`
	Spills  []spill `json:"spills,omitempty"`
	// High is the highest the bay has stood at rest: the crest is not lower. UStd is 0 before the first.
	High spill `json:"high,omitzero"`
}

// inflow is ten minutes: the mean level, what the meter had let in, m3, the rain of the spell, m,
// whether the surface was wet through, and whether water ran through the meter.
type inflow struct {
	V    float64 `json:"v"`
	InM3 float64 `json:"in"`
	Fell float64 `json:"fell"`
	Wet  bool    `json:"wet,omitempty"`
	Ran  bool    `json:"ran,omitempty"`
}

// spill is what one overflow says of the crest, as the sensor shows it: anywhere within HalfM of LevelM,
// and beside that as unsure as UStd says. The ends are likelier than what lies between: a bay has either
// spilled off within minutes, or its far end feeds the overflow for hours.
type spill struct {
	LevelM float64 `json:"level"`
	HalfM  float64 `json:"half,omitempty"`
	UStd   float64 `json:"u"`
}

// std is the standard uncertainty of it all.
func (s spill) std() float64 { return math.Hypot(s.UStd, s.HalfM/math.Sqrt2) }

const (
	// spillBins to mostSpillBins, half an hour to one and a half, is the stretch over which water must
	// come and the level stay; seepBins, twenty minutes, what rain needs to come down through the clay.
	spillBins     = 3
	mostSpillBins = 9
	seepBins      = 2
	// leastSpillM is the least water, m, that a level must be seen not to rise by: in stone that takes
	// totalPorosity it would rise by five millimetres and more.
	leastSpillM = 0.002
	// leastCatch is the least share of the rain that reaches the stone. A dry surface soaks up the first of
	// it: claysShare of its depth at the most, and no more when the level has risen.
	leastCatch = 0.7
	claysShare = 0.2
	// rainEnds is how long without rain ends a spell of it.
	rainEnds = 6 * time.Hour
)

// look takes a bin: the mean level, and what the meter (ran: it moved) and the rain let in. clayM is
// the depth of the bay's surface layers. A bin without a reading is a gap.
func (c *ceiling) look(b bin, known bool, inM3 float64, ran bool, rainM, areaM2, clayM float64) {
	if b.T-c.RainAt > rainEnds.Milliseconds() {
		c.Fell, c.LowM = 0, math.MaxFloat64
	}
	if rainM > 0 {
		c.Fell, c.RainAt = c.Fell+rainM, b.T
	}
	if !known {
		c.Bins, c.Still, c.StillAt = nil, nil, 0
		c.close()
		return
	}
	if c.LowM = min(c.LowM, b.V); ran {
		c.LowM = b.V
	}
	wet := b.V-c.LowM >= riseM || leastCatch*c.Fell >= claysShare*clayM
	if c.Bins = append(c.Bins, inflow{b.V, inM3, c.Fell, wet, ran}); len(c.Bins) > mostSpillBins+seepBins+1 {
		c.Bins = c.Bins[1:]
	}
	if by, metered := c.spills(areaM2); by {
		c.PlateauM, c.Metered = max(c.PlateauM, b.V), c.Metered || metered
	}
	if ran || b.T-c.RainAt < seepBins*binFor.Milliseconds() {
		if len(c.Still) >= restBins { // a rest is over
			c.close()
		}
		c.Still, c.StillAt = nil, 0
		return
	}
	if c.StillAt == 0 {
		c.StillAt = b.T
	}
	if c.Still = append(c.Still, b); len(c.Still) > restBins {
		c.Still = c.Still[1:]
	}
	if b.T-c.StillAt > longestRest.Milliseconds() {
		c.close()
	}
	r, ok := resting(c.Still)
	if !ok {
		return
	}
	end, hours := r.end(), float64(b.T-c.StillAt)/3.6e6
	if b.T-c.RainAt >= drainsFor.Milliseconds() && (c.High.UStd == 0 || end > c.High.LevelM) {
		c.High = spill{LevelM: end, UStd: r.EndU}
	}
	// The first rest is the nearest. A chamber that came up late had not spilled.
	if c.PlateauM == 0 || c.Seen != nil || end > c.PlateauM+0.0005 {
		return
	}
	// By what the level falls it may have fallen ever since the water ended, or not before the stretch
	// began that it rests over. And the bay may still spill: its far end stands higher and drains for
	// hours. As much head as it has lost since it stood highest may still be there.
	fell, head := max(0, -r.MPerHour)*hours, max(0, c.PlateauM-end)
	at := spill{end + fell/2 - head/2, (fell + head) / 2, r.EndU}
	// A fill spills where it comes in while the far end still takes water, and its chamber leads: the
	// crest is anywhere from the rest to where it stood.
	if c.Metered {
		at = spill{end + head/2, head / 2, r.EndU}
	}
	if head < mostWideM {
		c.Seen = &at
	}
}

const (
	// mostWideM is the widest range in which a spill may leave the crest.
	mostWideM = 0.010
	// longestRest is how long after the last water a rest still belongs to it, drainsFor how long after rain a bay at rest surely spills no more.
	longestRest, drainsFor = 7 * time.Hour, 12 * time.Hour
)

// close ends a spill's rest.
func (c *ceiling) close() {
	if c.Seen != nil {
		c.Spills = append(c.Spills, *c.Seen)
	}
	c.Seen, c.PlateauM, c.Metered = nil, 0, false
}

// spills reports whether water has come lately without raising the level. Rain counts on a
// surface that was wet, whether it comes down at once or takes its time. A reading that does not move at all is a sensor's
// fault.
func (c *ceiling) spills(areaM2 float64) (does, metered bool) {
	last := len(c.Bins) - 1
	for n := spillBins; n <= mostSpillBins && n+seepBins <= last; n++ {
		from, to := c.Bins[last-n], c.Bins[last]
		came := 0.0
		if before := c.Bins[last-n-seepBins]; before.Wet {
			came += leastCatch * max(0, min(c.Bins[last-seepBins].Fell-before.Fell, to.Fell-from.Fell))
		}
		meter, moved := true, false
		for _, b := range c.Bins[last-n+1:] {
			meter, moved = meter && b.Ran, moved || b.V != from.V
		}
		if meter {
			came += (to.InM3 - from.InM3) / areaM2
		}
		if moved && came >= leastSpillM && to.V-from.V < came/totalPorosity/4 {
			return true, meter
		}
	}
	return false, false
}

// crest is what the spills say, as the sensor shows it, and how many they are. One below where the bay has
// stood at rest was none. They err alike: their mean is as sure as they are. ok is false without any.
func (c *ceiling) crest() (at spill, n int, ok bool) {
	sum := 0.0
	for _, s := range c.Spills {
		if s.LevelM+2*s.std() < c.High.LevelM {
			continue
		}
		w := 1 / sq(s.std())
		sum, n = sum+w, n+1
		at.LevelM, at.HalfM, at.UStd = at.LevelM+w*s.LevelM, at.HalfM+w*s.HalfM, at.UStd+w*s.UStd
	}
	if n == 0 {
		return spill{}, 0, false
	}
	return spill{at.LevelM / sum, at.HalfM / sum, at.UStd / sum}, n, true
}
