package water

import "math"

// whiteState is the second opinion on a bay's evaporation, by the diurnal water-table method with
// metered water (White 1932, USGS Water-Supply Paper 659-A): from midnight to four nothing
// evaporates, so the level then shows what else comes and goes, and the day's fall, what was let in
// and that rate make up the day's evaporation. It knows nothing of the weather and nothing of the
// habit.
type whiteState struct {
	Start anchor  // the settled moment at midnight; M.T is 0 without one
	Rate  float64 // m/h, the rise from midnight to four
	RateU float64
	Rated bool
	// XX and XY are the weighted sums of reference evaporation squared, and times White's.
	XX, XY float64
	Days   int
	Night  float64 // m/h, the last night's rate that counted, with its standard uncertainty
	NightU float64
}

const (
	whiteNight = 4 * hour
	whiteLate  = 20 * minute // how old a settled moment may be
	whiteFade  = 0.95        // what a day leaves of the days before: some three weeks
)

// white takes a stride into the second opinion.
func (y *bay) white(to int64, midnight bool) {
	w, now := &y.st.White, &y.st.Now
	settled := now.M.T > 0 && to-now.M.T <= whiteLate && !now.Poor
	if !midnight {
		if w.Start.M.T == 0 || w.Rated || to-w.Start.M.T < whiteNight {
			return
		}
		if !settled || !y.whiteNight(now) {
			w.Start = anchor{} // a fill, rain or rewetting: the night is dropped, and the day with it
		}
		return
	}
	if w.Rated && settled && w.Start.M.T > 0 {
		y.whiteDay(now)
	}
	w.Start, w.Rated = anchor{}, false
	if settled {
		w.Start = *now
	}
}

// whiteNight takes the rate from midnight to four; it returns false for a night that cannot count.
func (y *bay) whiteNight(end *anchor) bool {
	w := &y.st.White
	c := y.closed(&w.Start, end)
	slope := c.slope(y)
	u := math.Sqrt(w.Start.V + end.V) // mm
	rewets := y.st.Habit.X[aW] * c.Wet / slope
	if c.Spoilt || c.Metered+c.Hand+c.Rain+c.Soaked > 0 || rewets > 2*u || math.Abs(end.Lead)+math.Abs(w.Start.Lead) > 1 {
		return false
	}
	w.Rate, w.RateU, w.Rated = (end.H-w.Start.H)/c.Hours/1000, u/c.Hours/1000, true
	w.Night, w.NightU = w.Rate, w.RateU
	return true
}

// slope is how many litres a millimetre of level is, by the learned curve.
func (c *Closed) slope(y *bay) float64 {
	scale, _ := y.curveScale()
	return scale * slopeMM(y.curve, c.Level)
}

// whiteDay closes the day that began with the night rated.
func (y *bay) whiteDay(end *anchor) {
	w := &y.st.White
	c := y.closed(&w.Start, end)
	if c.Spoilt || c.Rain+c.Soaked > 0 || c.ET < 0.5*y.b.AreaM2 {
		return
	}
	area := y.b.AreaM2
	sy := c.slope(y) / area
	days := c.Hours / 24
	evap := 1000 * area * WhiteDaily(sy, w.Rate*days, (w.Start.H-end.H)/1000, (c.Metered+c.Hand)/1000/area)
	_, us := y.curveScale()
	moved := 24*days*w.Rate*1000 + w.Start.H - end.H
	// In mm of level: the rate's part of the day, and the two ends; the level at midnight is in both
	// the rate and the fall, with the same sign.
	rate := 24 * days * w.RateU * 1000
	v := sq(area*sy)*(sq(rate+math.Sqrt(w.Start.V))+end.V) +
		sq(us*sy*area*moved) + sq(y.meterU(c.Metered)) + sq(0.2*c.Hand) + sq(0.1*c.ET)
	w.XX = whiteFade*w.XX + c.ET*c.ET/v
	w.XY = whiteFade*w.XY + c.ET*evap/v
	w.Days++
}

// factor is evaporation over reference evapotranspiration by the second opinion, and the night's
// rise of the level in m/h; all NaN before the first day.
func (w *whiteState) factor() (factor, night Estimate) {
	factor, night = Estimate{math.NaN(), math.NaN()}, Estimate{math.NaN(), math.NaN()}
	if w.XX > 0 {
		factor = Estimate{w.XY / w.XX, 2 / math.Sqrt(w.XX)}
		night = Estimate{w.Night, 2 * w.NightU}
	}
	return factor, night
}
