package watch

import (
	"math"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// trouble is a hypothesis the bank weighs against "nothing is wrong".
type trouble uint8

const (
	tRate  trouble = iota // a loss (positive) or gain (negative) of so many L/h from its onset on
	tMeter                // the meter registers this share too much from its onset on
	tJump                 // so many litres once (hand watering, a sensor pushed); no fault of its own
	tET                   // evaporation departs by this share from its onset on; the weather's doing
	nTrouble
)

// onset is a window in which a trouble may have begun, with the signature each would have left.
type onset struct {
	From, To int64
	Nu       float64 // L, how far the window's loss was beside habit
	Sig      [nTrouble]water.Signature
	Slope    water.Signature // of a wrong meter, in the slopes of its fills
	ET       float64         // L, of reference evaporation in the window
	Alone    bool            // no other bays had shown what the sky did
	Night    bool
}

// bankState is the bank of one bay.
type bankState struct {
	Onsets []onset
	Quiet  int64 // no onset before this moment (a restart)

	Open       site.Kind // what is open on the bay by the bank's evidence, empty for none
	Since      int64
	Seen       int64 // when it was found
	Size       float64
	First      float64 // size when it was found
	SizeU      float64
	LLR        float64
	Rival      float64         // log odds against the best rival
	MeterLLR   float64         // how well a meter that counts wrongly explains the same
	MeterShare float64         // by how much it would count too much
	Sig        water.Signature // the open trouble's, since its onset
	Back       water.Signature // the same, since it may have ended
	BackAt     int64
	Other      causes // that remain beside what is open
	// Drunk is which share of the day's evaporation the open loss would be, had the clay drunk it in
	// the evening; 0 where it cannot have.
	Drunk float64
	// Quick is what was missing beyond the noise in the hours in which a large loss was found, L; 0 where
	// windows showed it.
	Quick float64
	// Mirror is the neighbour that has shown the open finding with the other sign, empty for none.
	Mirror string

	Stray stray
	Tally tally
}

// causes is a set of what else a loss or gain may be. Evidence takes causes away; one that is
// gone does not come back while the finding is open, so that its name does not flap.
type causes uint8

const (
	byMeter    causes = 1 << iota // the meter counts wrongly
	byOverflow                    // the overflow drains below its crest
	byDrift                       // the level reading drifts
)

// driftMost is the fastest drift of a level sensor that is thought of, m a day: beyond it a loss
// or gain is water.
const driftMost = 0.010

// others is what else the open finding may be, by all that is known now.
func (w *Watch) others(y *bay) (c causes) {
	s, k := &y.st.Bank, &y.look
	drift := math.Inf(1)
	if k.SlopeM2 > 0 {
		// As slow as it may be by what is said of it.
		drift = max(0, math.Abs(s.Size)-2*s.SizeU) / 3.6e6 * 86400 / k.SlopeM2
	}
	switch s.Open {
	case site.Leak:
		if s.MeterLLR > 0 && s.MeterLLR > s.LLR-w.budget.odds && !w.meterCleared(y, s.Since, s.MeterShare) {
			c |= byMeter
		}
		if y.maySlip(drift) {
			c |= byOverflow
		}
		if drift < driftMost {
			c |= byDrift
		}
	case site.ValveWeeping:
		// A weeping valve's water goes through the main meter; a drift's does not.
		if excess, u, ok := w.mainSince(s.Since); drift < driftMost && !(ok && excess > 2*u && excess > -s.Size/2) {
			c |= byDrift
		}
	}
	return c
}

// restart forgets what happened before t: after it the bay is another bay.
func (s *bankState) restart(t int64) {
	s.Onsets = s.Onsets[:0]
	s.Quiet = t
}

// sizes of a loss or gain over which the test averages, L/h, each way: from what a sensor that drifts by a
// millimetre a day seems to lose in a small bay.
var sizes = [...]float64{0.625, 1.25, 2.5, 5, 10, 20, 40, 80, 160, 320, 640, 1280}

// shares of mis-registration over which the meter test averages, each way.
var shares = [...]float64{0.05, 0.1, 0.2, 0.4, 0.8}

// thin drops onsets that are too many: all windows of ten days are kept, then every fifth day's.
// Dropping one can only make a false alarm rarer.
func (s *bankState) thin(now int64) {
	keep := s.Onsets[:0]
	for _, o := range s.Onsets {
		age := now - o.From
		if age < 10*day || age < 40*day && o.From/day%5 == 0 {
			keep = append(keep, o)
		}
	}
	s.Onsets = keep
}

// bank takes the windows the last tick closed and asks, by them and the one under way, whether
// something is wrong with the bay's balance.
func (w *Watch) bank(y *bay, now int64) {
	s, k := &y.st.Bank, &y.look
	s.Stray.turn(now, s.Open != "")
	if math.IsNaN(k.BayM) || k.Dry || now < s.Quiet || y.st.Sensor.open() || y.st.Meter.Dead || y.st.Meter.Wrong {
		s.Onsets = s.Onsets[:0]
		return
	}
	fresh := w.l.Fresh(y.i)
	for i := range fresh {
		f := &fresh[i]
		if f.From < s.Quiet {
			continue
		}
		s.Onsets = append(s.Onsets, onset{From: f.From, To: f.To, Nu: f.Nu, ET: f.ET, Alone: !f.Shared, Night: f.Night})
		for j := range s.Onsets {
			carry(&s.Onsets[j], f)
		}
		if s.Open != "" {
			w.carryOpen(s, f)
		}
	}
	slopes := w.slopes(y)
	for i := range slopes {
		for j := range s.Onsets {
			carryFills(&s.Onsets[j].Slope, &slopes[i])
		}
	}
	if len(fresh) > 0 {
		s.thin(now)
	}
	if s.Open == "" {
		w.test(y, now)
		return
	}
	w.follow(y, now)
	if s.Open == site.ValveWeeping {
		// What comes in does not hide what runs out many times faster.
		w.quick(y, now, leastKnown+w.l.Known())
	}
}

// carry takes an onset's signatures through a window.
func carry(o *onset, f *water.Window) {
	f.Carry(&o.Sig[tRate], f.Hours)
	f.Carry(&o.Sig[tMeter], f.Metered)
	jump := 0.0
	if o.From == f.From {
		jump = 1
	}
	f.Carry(&o.Sig[tJump], jump)
	f.Carry(&o.Sig[tET], f.ET)
}

// carryFills takes a wrong meter's signature through what half a day's fills say of the storage.
func carryFills(g *water.Signature, f *water.Slope) {
	x := f.Share - g.E[0]
	g.E[0] += f.Gain * x
	g.D += x * f.Nu / f.S
	g.J += x * x / f.S
}

// slopes is what the bay's fills said of its storage in the last tick; nothing while something else is wrong there.
func (w *Watch) slopes(y *bay) []water.Slope {
	if y.troubled() {
		return nil
	}
	return w.l.Slopes(y.i)
}

// heavy is the log-likelihood ratio x when the noise itself is only known from n windows: as of
// Student's distribution beside the normal.
func heavy(x, n float64) float64 {
	if x <= 0 {
		return x
	}
	return n / 2 * math.Log1p(2*x/n)
}

// leastKnown is from how many windows the noise is known at first.
const leastKnown = water.StatedWorth

// likeliest returns the onset at which a trouble is most likely to have begun, and by how much;
// prior is the standard deviation of its size by common knowledge, 0 for none.
func likeliest(onsets []onset, t trouble, prior, sign float64) (best *onset, llr float64) {
	extra := 0.0
	if prior > 0 {
		extra = 1 / (prior * prior)
	}
	for i := range onsets {
		g := onsets[i].sig(t)
		if g.J <= 0 || sign != 0 && g.D*sign < 0 {
			continue
		}
		if v := g.D * g.D / (2 * (g.J + extra)); best == nil || v > llr {
			best, llr = &onsets[i], v
		}
	}
	return best, llr
}

// sig is the onset's signature of a trouble; the meter's has two independent parts.
func (o *onset) sig(t trouble) water.Signature {
	g := o.Sig[t]
	if t == tMeter {
		g.D += o.Slope.D
		g.J += o.Slope.J
	}
	return g
}

// sum is the logarithm of the Shiryaev-Roberts sum of a trouble in one direction, over the onsets
// and the mean over sizes.
func sum(onsets []onset, t trouble, sign float64, grid []float64, known float64) float64 {
	total := 0.0
	for i := range onsets {
		g := onsets[i].sig(t)
		for _, z := range grid {
			total += math.Exp(min(600, heavy(g.LLR(sign*z), known)))
		}
	}
	return math.Log(total / float64(len(grid)))
}

// worth is the log-likelihood ratio below which a sum over all onsets and sizes cannot reach a
// threshold: it saves the sum most of the time.
const worth = 5

// urgentRate is a loss that would take 500 L in a night: such a finding may page.
const urgentRate = 40.0

// meterBaseline is how long a bay must have been known before its meter can be said to have
// changed: what a few days have not pinned down yet looks like a step.
const meterBaseline = 3 * day

// test asks whether a trouble holds. A loss or gain counts only when no harmless cause (a jump,
// a spell of weather) explains the same surprises nearly as well.
func (w *Watch) test(y *bay, now int64) {
	s := &y.st.Bank
	known := leastKnown + w.l.Known()
	onsets := w.upToNow(y, &w.trial)
	if w.slow(y, onsets, now, known); s.Open == "" {
		w.quick(y, now, known)
	}
}

// upToNow are a bay's onsets, with the window under way as if it closed now; kept in room until used again.
func (w *Watch) upToNow(y *bay, room *[]onset) []onset {
	s := &y.st.Bank
	u, ok := w.l.Underway(y.i)
	if !ok || u.From < s.Quiet || u.Hours < 2 {
		return s.Onsets
	}
	*room = append(append((*room)[:0], s.Onsets...), onset{From: u.From, To: u.To, Nu: u.Nu, ET: u.ET, Alone: !u.Shared, Night: u.Night})
	for i := range *room {
		carry(&(*room)[i], u)
	}
	return *room
}

// slow is the test over windows; the last of the onsets may be the window under way.
func (w *Watch) slow(y *bay, onsets []onset, now int64, known float64) {
	s := &y.st.Bank
	jump, et := w.harmless(y, onsets)
	harmless := max(jump, et)
	m, mLLR := likeliest(onsets, tMeter, 0.3, 0)
	_, rLLR := likeliest(onsets, tRate, 0, 0)
	if m != nil && mLLR > worth && mLLR-max(harmless, rLLR) >= w.budget.odds && now-m.From > day && m.From >= w.st.Started+meterBaseline {
		g := m.sig(tMeter)
		size, u, _ := g.Best()
		if !w.meterCleared(y, m.From, size) && sum(onsets, tMeter, sign(size), shares[:], known) >= w.budget.morning && math.Abs(size) > 0.07 && math.Abs(size) > 2*u && m.Slope.LLR(size) >= w.budget.odds {
			s.open(site.MeterFault, m, now, size, u, mLLR, mLLR-max(harmless, rLLR))
			s.Sig = g
			return
		}
	}
	for _, way := range [2]float64{1, -1} {
		o, llr := likeliest(onsets, tRate, 0, way)
		if o == nil || llr < worth {
			continue
		}
		size, u, _ := o.Sig[tRate].Best()
		limit := w.budget.morning
		if math.Abs(size) >= urgentRate {
			limit = w.budget.page
		}
		if sum(onsets, tRate, way, sizes[:], known) < limit || llr-et < w.budget.odds {
			continue
		}
		// A gain may have been a jump, put on by a hose, unless some hours show it to go on; a loss shows in
		// more than one window, or in both halves of the last.
		steady := goesOn(onsets, o, size) && (way > 0 || llr-jump >= w.budget.odds && beyondHose(onsets, o.From, size, w.budget.odds))
		last := onsets[len(onsets)-1].From
		hours := float64(now-last) / float64(hour)
		some := !steady && way > 0 && w.bothHalves(y, last, size)
		if some {
			// Some hours of one window are no more than the bay may stray by in such.
			steady = heavy(s.Stray.worth(llr, size*hours), known) >= limit
		}
		if !steady && !(way < 0 && w.runsIn(y, o.From)) {
			continue
		}
		if w.everywhere(y, o.From, size) {
			continue
		}
		kind := site.Leak
		if way < 0 {
			kind = site.ValveWeeping
		}
		s.open(kind, o, now, size, u, llr, max(llr-harmless, w.budget.odds))
		s.byMeter(m, mLLR)
		s.Sig = o.Sig[tRate]
		if some {
			s.Quick = beyond(llr, size*hours)
		}
		if o.From == onsets[len(onsets)-1].From && o.To == onsets[len(onsets)-1].To && len(onsets) > len(s.Onsets) {
			s.Sig = water.Signature{}
		}
		return
	}
}

// harmless is how well a jump and a spell of weather explain the surprises. As long as other bays show
// what the sky does, what is left to it is by how much one bay departs from the rest: that one
// evaporates half as much again for days, and its neighbours do not, is no weather.
func (w *Watch) harmless(y *bay, onsets []onset) (jump, et float64) {
	_, jump = likeliest(onsets, tJump, 0, 0)
	var alone, all float64
	if o, _ := likeliest(onsets, tRate, 0, 0); o != nil {
		for i := range onsets {
			if x := &onsets[i]; x.From >= o.From {
				all += x.ET
				if x.Alone {
					alone += x.ET
				}
			}
		}
	}
	alone /= max(all, 1)
	u := w.l.Balance(y.i).ETU()
	_, et = likeliest(onsets, tET, u*math.Sqrt(alone*4+(1-alone)*water.OwnSky), 0)
	return jump, et
}

// open notes a finding. Within the window in which it began, it began when what is missing there
// would have been lost at its rate.
func (s *bankState) open(kind site.Kind, o *onset, now int64, size, u, llr, rival float64) {
	s.Open, s.Since, s.Seen, s.Size, s.First, s.SizeU, s.LLR, s.Rival = kind, o.From, now, size, size, u, llr, rival
	if kind != site.MeterFault {
		s.Since = max(o.From, min(o.To-hour/2, o.To-int64(o.Nu/size*float64(hour))))
	}
	s.MeterLLR, s.Back, s.BackAt, s.Other, s.Drunk, s.Quick, s.Mirror = 0, water.Signature{}, 0, ^causes(0), 0, 0, ""
}

// mostOfET is about as much as any clay gives of reference evapotranspiration.
const mostOfET = 1.2

// byMeter notes how well a meter that counts wrongly would explain what is open.
func (s *bankState) byMeter(o *onset, llr float64) {
	s.MeterLLR, s.MeterShare = llr, 0
	if o != nil {
		g := o.sig(tMeter)
		s.MeterShare, _, _ = g.Best()
	}
}

// everywhere says whether most other bays of the site show the same since about the same time:
// that is the sky's doing, unless this bay shows far more of it.
func (w *Watch) everywhere(y *bay, since int64, size float64) bool {
	alike, others := 0, 0
	for _, o := range w.bays {
		u, ok := w.l.Underway(o.i)
		if o == y || !ok {
			continue
		}
		others++
		mine, theirs := size/y.b.AreaM2, u.Nu/u.Hours/o.b.AreaM2
		if theirs*size > 0 && u.Nu*u.Nu > 2.25*u.S && math.Abs(mine) < 3*math.Abs(theirs) {
			alike++
		}
	}
	return alike >= 2 && alike*5 >= others*2
}

// goesOn says whether a loss or gain shows in more than one window, the newest half of them
// included: what came and went is not open now, and one window alone may have had a jump in it.
func goesOn(onsets []onset, o *onset, size float64) bool {
	n := 0
	for i := range onsets {
		if onsets[i].From >= o.From {
			n++
		}
	}
	if n < 2 {
		return false
	}
	half := &onsets[len(onsets)-max(1, n/2)]
	first := o.Sig[tRate].LLR(size) - half.Sig[tRate].LLR(size)
	return half.Sig[tRate].LLR(size/2) > 1 && (first > 1 || n > 2)
}

// wetFor is how long clay that was watered by hand draws less from below. What is told as a gain must show
// beyond a hose or a shower nobody put on record: after the window it may have come in and the day after, as
// much likelier than nothing as a cause must be than another.
const wetFor = day

// beyondHose says whether a gain since the onset of from shows in windows beyond those a hose does. Nobody
// waters by night, so one that shows first in a night may have been watered the day before. A night in which the
// bay gains though its clay were to draw nothing does not show it sooner: an evening's hose is still on its way.
func beyondHose(onsets []onset, from int64, size, odds float64) bool {
	dry := int64(0)
	for i := range onsets {
		o := &onsets[i]
		if o.From < from {
			continue
		}
		if dry == 0 {
			dry = o.To + wetFor
			if o.Night {
				dry = o.From + wetFor
			}
		}
		if o.From >= dry-duskEarlier {
			return o.Sig[tRate].LLR(size) >= odds
		}
	}
	return false
}

// duskEarlier is by how much an evening's first rest may come earlier than that of the day before.
const duskEarlier = 3 * hour

// carryOpen takes the open trouble's signatures through a window.
func (w *Watch) carryOpen(s *bankState, f *water.Window) {
	x := f.Metered
	if s.Open != site.MeterFault {
		x = float64(f.To-max(f.From, min(s.Since, f.To))) / float64(hour)
	}
	f.Carry(&s.Sig, x)
	// What some hours showed and a whole window since shows by itself is the windows' from now on: other hours
	// do not take it back.
	if own := (water.Signature{}); f.From >= s.Seen && math.Abs(s.First) < urgentRate {
		if f.Carry(&own, x); own.LLR(s.First/2) > w.budget.odds {
			s.Quick = 0
		}
	}
	// Has it ended? The windows since it was last seen are asked.
	if f.Carry(&s.Back, x); s.Back.LLR(s.First/2) > 0 {
		s.Back, s.BackAt = water.Signature{}, f.To
	}
}

// follow keeps the size of an open finding current and closes it when the account has closed
// again for as long as the trouble took to be seen.
func (w *Watch) follow(y *bay, now int64) {
	s := &y.st.Bank
	if size, u, llr := s.Sig.Best(); !math.IsNaN(size) && size*s.First > 0 {
		s.Size, s.SizeU, s.LLR = size, u, llr
	} else if s.Quick > 0 {
		w.sharpen(y)
	}
	if len(w.l.Fresh(y.i)) > 0 {
		s.byMeter(likeliest(s.Onsets, tMeter, 0.3, 0))
	}
	s.Other &= w.others(y)
	took := min(max(s.Seen-s.Since, 6*hour), 3*day)
	if now-s.Seen < took {
		return
	}
	if s.Back.LLR(s.First/2) < -w.budget.odds || s.Quick > 0 && w.gone(y) {
		// What heals within days is the bay's own doing, and no liner's. While it was open nothing was
		// learned: clay that drinks so much would be told again every evening.
		if s.Quick > 0 && now-s.Since < 3*day {
			s.Stray.Most = max(s.Stray.Most, sq(s.Quick))
			w.l.Drank(y.i, s.Drunk)
		}
		s.Open = ""
		s.restart(0)
	}
}

func sign(x float64) float64 {
	if x < 0 {
		return -1
	}
	return 1
}
