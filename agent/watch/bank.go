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
	tJump                 // so many litres came at once (hand watering, a sensor pushed); no fault of its own
	tDark                 // as tRate, but only while the sun is down
	tET                   // evaporation departs by this share from its onset on; the weather's doing
	nTrouble
)

// onset is one moment at which a trouble may have begun, with the signature each would have left.
type onset struct {
	At   int64
	Dark float64 // hours of darkness since
	Sig  [nTrouble]water.Signature
}

// bankState is the bank of one bay.
type bankState struct {
	Onsets []onset
	Quiet  int64 // no onset before this moment (a restart)

	Open     site.Kind // what is open on the bay by the bank's evidence, empty for none
	Since    int64
	Seen     int64 // when it was found
	Size     float64
	First    float64 // size when it was found
	SizeU    float64
	LLR      float64
	Rival    float64 // log odds against the best rival
	MeterLLR float64 // how well a meter that counts wrongly explains the same
}

// restart forgets what happened before t: after it the bay is another bay.
func (s *bankState) restart(t int64) {
	s.Onsets = s.Onsets[:0]
	s.Quiet = t
}

// sizes of a loss or gain over which the test averages, L/h, each way.
var sizes = [...]float64{2.5, 5, 10, 20, 40, 80, 160, 320, 640, 1280}

// shares of mis-registration over which the meter test averages, each way.
var shares = [...]float64{0.05, 0.1, 0.2, 0.4, 0.8}

// keeps says whether an onset of that age is still needed: every hour for twelve, then thinner.
// Dropping one can only make a false alarm rarer.
func keeps(age, stamp int64) bool {
	h := stamp / hour
	switch {
	case age <= 12*hour:
		return true
	case age <= 48*hour:
		return h%3 == 0
	case age <= 7*day:
		return h%12 == 0
	case age <= 21*day:
		return h%48 == 0
	}
	return false
}

// firstStrides pass before anything is asked of a new bay's balance: three hours, in which a
// chamber that was filled just before the start settles.
const firstStrides = 36

// bank carries every hypothesis through the last stride and asks whether one of them holds.
func (w *Watch) bank(y *bay, now int64) {
	s, k := &y.st.Bank, &y.look
	b := w.l.Balance(y.i)
	if math.IsNaN(k.BayM) || k.Dry || now < s.Quiet || y.st.Sensor.open() || k.Overflow || y.st.Meter.Dead || k.Seq < firstStrides {
		s.Onsets = s.Onsets[:0]
		return
	}
	stride := now - now%(5*minute)
	if n := len(s.Onsets); n == 0 || stride-s.Onsets[n-1].At >= hour {
		s.Onsets = append(s.Onsets, onset{At: stride - 5*minute})
	}
	keep := s.Onsets[:0]
	for i := range s.Onsets {
		o := &s.Onsets[i]
		age := stride - o.At
		if !keeps(age, o.At) && !(s.Open != "" && o.At == s.Since) {
			continue
		}
		b.Carry(&o.Sig[tRate], -b.Hours())
		if k.HasFlow || k.HasMeter {
			b.Carry(&o.Sig[tMeter], -b.MeteredL())
		}
		jump := 0.0
		if age <= 5*minute {
			jump = 1
		}
		b.Carry(&o.Sig[tJump], jump)
		b.Carry(&o.Sig[tET], -b.ETL())
		dark := 0.0
		if !w.l.Day() {
			dark = -b.Hours()
			o.Dark += b.Hours()
		}
		b.Carry(&o.Sig[tDark], dark)
		keep = append(keep, *o)
	}
	s.Onsets = keep
	if s.Open != "" {
		w.follow(y, now)
		return
	}
	w.test(y, now)
}

// likeliest returns the onset at which a trouble is most likely to have begun, and by how much;
// prior is the standard deviation of its size by common knowledge, 0 for none.
func (s *bankState) likeliest(t trouble, prior, sign float64) (best *onset, llr float64) {
	extra := 0.0
	if prior > 0 {
		extra = 1 / (prior * prior)
	}
	for i := range s.Onsets {
		g := &s.Onsets[i].Sig[t]
		if g.J <= 0 || sign != 0 && g.D*sign < 0 {
			continue
		}
		if v := g.D * g.D / (2 * (g.J + extra)); best == nil || v > llr {
			best, llr = &s.Onsets[i], v
		}
	}
	return best, llr
}

// sum is the logarithm of the Shiryaev-Roberts sum of a trouble in one direction.
func (s *bankState) sum(t trouble, sign float64, grid []float64) float64 {
	top := math.Inf(-1)
	for i := range s.Onsets {
		g := &s.Onsets[i].Sig[t]
		for _, z := range grid {
			top = max(top, g.LLR(sign*z))
		}
	}
	if math.IsInf(top, -1) {
		return top
	}
	total := 0.0
	for i := range s.Onsets {
		g := &s.Onsets[i].Sig[t]
		for _, z := range grid {
			total += math.Exp(g.LLR(sign*z) - top)
		}
	}
	return top + math.Log(total/float64(len(grid)))
}

// worth is the log-likelihood ratio below which a sum over all onsets and sizes cannot reach a
// threshold: it saves the sum most of the time.
const worth = 6

// urgentRate is a loss that would take 500 L in a night: such a finding may page.
const urgentRate = 40.0

// meterBaseline is how long a bay must have been known before its meter can be said to have
// changed: what a few days have not pinned down yet looks like a step.
const meterBaseline = 3 * day

// gainPatience is how long water must have come in uncounted before it is told: a hose or a
// shower nobody put on record wets the clay for hours, and no weeping valve does harm in less.
const gainPatience = 12 * hour

// test asks whether a trouble holds. A loss or gain counts only when no harmless cause (a jump,
// a spell of weather) explains the same surprises nearly as well.
func (w *Watch) test(y *bay, now int64) {
	s := &y.st.Bank
	b := w.l.Balance(y.i)
	_, jump := s.likeliest(tJump, 0, 0)
	_, et := s.likeliest(tET, 2*b.ETU(), 0)
	harmless := max(jump, et)
	m, mLLR := s.likeliest(tMeter, 0.3, 0)
	_, rLLR := s.likeliest(tRate, 0, 0)
	if m != nil && mLLR > worth && mLLR-max(harmless, rLLR) >= 2*w.budget.odds && now-m.At > day && m.At >= w.st.Started+meterBaseline {
		size, u, _ := m.Sig[tMeter].Best()
		if s.sum(tMeter, sign(size), shares[:]) >= w.budget.morning && math.Abs(size) > 0.07 && math.Abs(size) > 2*u && s.goesOn(tMeter, m.At, now, size) {
			s.Open, s.Since, s.Seen, s.Size, s.SizeU, s.LLR, s.Rival = site.MeterFault, m.At, now, size, u, mLLR, mLLR-max(harmless, rLLR)
			s.First = size
			return
		}
	}
	for _, way := range [2]float64{1, -1} {
		o, llr := s.likeliest(tRate, 0, way)
		if o == nil || llr < worth {
			continue
		}
		size, u, _ := o.Sig[tRate].Best()
		limit := w.budget.morning
		if math.Abs(size) >= urgentRate {
			limit = w.budget.page
		}
		if s.sum(tRate, way, sizes[:]) < limit || llr-harmless < w.budget.odds || !s.goesOn(tRate, o.At, now, size) || way < 0 && now-o.At < gainPatience || w.everywhere(y, o.At, size) || !y.seenInTheDark(o, size) {
			continue
		}
		s.Open, s.Since, s.Seen, s.Size, s.SizeU, s.LLR, s.Rival = site.Leak, o.At, now, size, u, llr, llr-harmless
		s.First = size
		s.MeterLLR = mLLR
		if way < 0 {
			s.Open = site.ValveWeeping
		}
		return
	}
}

// darkPatience is how much of a night must have been seen: in the first hours after sunset the
// balance still carries the day's error.
const darkPatience = 2.5

// seenInTheDark says whether a loss shows while the sun is down too, which weather does not. One
// larger than all the sun can take (0.7 mm an hour) need not wait for the night.
func (y *bay) seenInTheDark(o *onset, size float64) bool {
	if math.Abs(size) > 0.7*y.b.AreaM2 {
		return true
	}
	g := &o.Sig[tDark]
	return o.Dark >= darkPatience && g.J > 0 && g.LLR(size/2) > 1.5
}

// everywhere says whether most other bays of the site show the same since about the same time:
// that is the sky's doing, unless this bay shows far more of it.
func (w *Watch) everywhere(y *bay, since int64, size float64) bool {
	alike, others := 0, 0
	for _, o := range w.bays {
		if o == y {
			continue
		}
		for i := range o.st.Bank.Onsets {
			n := &o.st.Bank.Onsets[i]
			if n.At < since-hour/2 {
				continue
			}
			g := &n.Sig[tRate]
			if g.J > 0 {
				others++
				// Per square metre, because bays differ.
				mine, theirs := size/y.b.AreaM2, g.D/g.J/o.b.AreaM2
				if g.D*size > 0 && math.Abs(g.D) > 1.5*math.Sqrt(g.J) && math.Abs(mine) < 3*math.Abs(theirs) {
					alike++
				}
			}
			break
		}
	}
	return alike >= 2 && alike*5 >= others*2
}

// goesOn says whether a loss or gain that began at since has left its mark in the second half of
// its time too: what came and went is not open now.
func (s *bankState) goesOn(t trouble, since, now int64, size float64) bool {
	for i := range s.Onsets {
		o := &s.Onsets[i]
		if o.At >= since+(now-since)/2 {
			return o.Sig[t].LLR(size/2) > 2
		}
	}
	return false
}

// follow keeps the size of an open finding current and closes it when the account has closed
// again for as long as the trouble took to be seen.
func (w *Watch) follow(y *bay, now int64) {
	s := &y.st.Bank
	for i := range s.Onsets {
		o := &s.Onsets[i]
		if o.At == s.Since {
			t := tRate
			if s.Open == site.MeterFault {
				t = tMeter
			}
			if size, u, llr := o.Sig[t].Best(); !math.IsNaN(size) && size*s.Size > 0 {
				s.SizeU, s.LLR = u, llr
				s.Size = size
			}
		}
	}
	took := min(max(s.Seen-s.Since, 6*hour), 3*day)
	if now-s.Seen < took {
		return
	}
	for i := range s.Onsets {
		o := &s.Onsets[i]
		if now-o.At < took || o.At <= s.Since {
			continue
		}
		t := tRate
		if s.Open == site.MeterFault {
			t = tMeter
		}
		g := &o.Sig[t]
		// Over this stretch a trouble of half the size is unlikelier than none.
		if g.LLR(s.First/2) < -w.budget.odds {
			s.Open = ""
			s.restart(0)
			return
		}
	}
}

func sign(x float64) float64 {
	if x < 0 {
		return -1
	}
	return 1
}
