package watch

import (
	"math"
	"slices"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// crestState is what the rules on the overflow remember.
type crestState struct {
	OverAt  int64   // since when water has stood at the crest, 0 not: one episode until it is well below
	Below   int64   // since when it has stood well below the crest in this episode, 0 not
	ByMeter bool    // metered water brought it there or has come since: the overflow carries what was paid for
	KnownM3 float64 // metered total when a stuck valve that was told of last filled the bay, NaN never
	AboveAt int64   // since when it has stood well above the crest
	AboveM  float64 // how high it stood then
	Blocked bool

	// ShortM3 is the metered total when the level last rested in its band, ShortAt when that was,
	// ShortM the level then and AskedM3 what the weather has asked for since; Displaced is set while
	// much more of what was let in is gone than the bay is short of, RanM3 and RanU (k=2) how much.
	ShortM3, AskedM3 float64
	ShortM           float64
	RanM3, RanU      float64
	ShortAt          int64
	ShortSeq         int64
	Displaced        bool

	// What the loss the bank found did when nothing was let in: GoesOn is set when it went on,
	// which no overflow does, LipM is the level at which it stopped, NaN while that is not known.
	GoesOn  bool
	LipM    float64
	LipAt   int64
	LipFor  int64 // the bank's finding that was judged, by when it was found
	LostM3  float64
	LostUM3 float64
}

func (s *crestState) init() {
	s.KnownM3, s.ShortM3, s.LipM = math.NaN(), math.NaN(), math.NaN()
}

// slipped says whether the overflow is held to have slipped below the band.
func (s *crestState) slipped() bool { return s.Displaced || !math.IsNaN(s.LipM) }

// sparseM3 is metered water of no account at a full bay: a fill that had begun, a slow valve.
const sparseM3 = 0.02

// standsFor is how long the chamber must show water at the crest before the bay is believed to
// overflow, and how long it must show it well below before that is over: a chamber overshoots in
// every fill, and one reading in three is above its mean.
const standsFor = 30 * minute

// heldAtCrest says whether the set point leaves no room under the crest: every fill runs off there.
func (y *bay) heldAtCrest() bool { return y.look.SetM >= y.b.CrestM-freeCrestM }

// freeCrestM is what a level may be wrong by and still stand at the crest.
const freeCrestM = 0.003

// crest follows the water at the overflow's crest. An episode begins when the bay, and not only
// its chamber, stands there, and ends when the level has been well below for half an hour: deeper
// than noise and than what a fill's beginning moves it. Water that nobody metered (rain, mostly)
// runs off over the crest because that is what the overflow is for; that is no alarm. Metered
// water is.
func (w *Watch) crest(y *bay, now int64) {
	s, k := &y.st.Crest, &y.look
	if !(y.b.CrestM > 0) || math.IsNaN(k.SmoothM) || now-k.LevelAt > 10*minute {
		return
	}
	noise := min(k.NoiseM, 0.003)
	low := y.b.CrestM - max(0.003, y.deadBand())
	if y.heldAtCrest() {
		low = min(low, y.lower()-y.deadBand()) // or every fill would begin an episode, and every pause end one
	}
	switch {
	case k.SmoothM >= low:
		s.Below = 0
	case s.Below == 0:
		s.Below = now
	}
	if s.OverAt == 0 && k.SmoothM >= y.b.CrestM {
		s.OverAt, s.Below = now, 0
	}
	if s.Below > 0 && (now-s.Below >= standsFor || now-s.OverAt < standsFor) {
		s.OverAt, s.ByMeter = 0, false
	}
	if s.OverAt > 0 && !s.ByMeter {
		s.ByMeter = w.metered(y)
	}
	// Water over a free crest stands some millimetres to centimetres above it, as high as the
	// flow needs, and stays there; it sinks to the crest when the flow ends. An overflow that does
	// not carry lets the level go on rising, or leaves it standing when nothing runs in. In a
	// storm the sky runs in, and nothing can be said.
	raining := k.RainAt > 0 && now-k.RainAt < hour
	if above := y.b.CrestM + 0.008 + 3*noise; k.SmoothM > above && !raining && !w.storm(y) {
		if s.AboveAt == 0 {
			s.AboveAt, s.AboveM = now, k.SmoothM
		}
		rising := k.SmoothM > s.AboveM+0.005+3*noise
		quiet := k.RunAt == 0 || now-k.RunAt > 20*minute
		if now-s.AboveAt >= 20*minute && k.BayM > y.b.CrestM+0.004 && (rising || quiet) {
			s.Blocked = true
		}
	} else {
		s.AboveAt = 0
		if k.SmoothM < y.b.CrestM {
			s.Blocked = false
		}
	}
}

// storm says that another bay stands over its crest too: no valve fills two bays so far, but the sky
// does, whether a gauge tells or not.
func (w *Watch) storm(y *bay) bool {
	return slices.ContainsFunc(w.bays, func(o *bay) bool { return o != y && o.st.Crest.OverAt > 0 })
}

// shown is the bay's level as its chamber shows it now, what the chamber leads by taken off, m.
func (y *bay) shown() float64 { return y.look.SmoothM - max(0, y.look.LeadM) }

// displacedRest is how long the water must have stopped before a level counts against an overflow.
const displacedRest = 20 * minute

// clayM is what dry clay may drink of the water let in, beside what the sun takes, m.
const clayM = 0.001

// displaced finds a bay that is let in far more water than it is short of, more than any sun and
// clay take meanwhile, and whose level all the same no longer comes back to its band: it runs off
// below, through an overflow that has slipped, or through a liner torn as wide. What a fill brings
// in a bay that only leaks stays long enough to be seen. A chamber that stands in the band says
// nothing while water has not spread; only a settled one does.
func (w *Watch) displaced(y *bay, now int64) {
	s, k := &y.st.Crest, &y.look
	low := y.lower()
	if math.IsNaN(low) || k.Dry || !(k.SlopeM2 > 0) || !k.HasFlow && !k.HasMeter || now-k.LevelAt > 10*minute {
		return
	}
	shown := y.shown()
	full := y.st.Valve.Open || k.Overflow || y.b.CrestM > 0 && k.SmoothM >= y.b.CrestM
	back := shown >= low-k.NoiseM && k.Settled
	if full || back || k.SetMoved > s.ShortAt || math.IsNaN(s.ShortM3) {
		s.Displaced, s.LipM = false, math.NaN()
		s.ShortM3, s.ShortM, s.ShortAt, s.AskedM3, s.ShortSeq = k.TotalM3, shown, now, 0, k.Seq
		return
	}
	if k.Seq != s.ShortSeq {
		s.ShortSeq = k.Seq
		b := w.l.Balance(y.i)
		s.AskedM3 += mostOfET * (1 + 2*b.ETU()) * b.ETL() / 1000
	}
	w.lip(y, now, low)
	if k.Runs || now-k.RunAt < displacedRest || y.st.Sensor.open() || s.GoesOn || shown >= low-k.NoiseM || k.SmoothM >= low-k.NoiseM {
		return // how far a chamber leads or lags is known only when the water has stopped for a while
	}
	let := k.TotalM3 - s.ShortM3
	need, _ := w.l.HeldBetween(y.i, shown, low)
	held, u := w.l.HeldBetween(y.i, s.ShortM, shown)
	ran := let - held - s.AskedM3
	u = math.Sqrt(sq(u) + sq(k.BayUM*k.SlopeM2) + sq(water.MeterU(0.02)*let))
	if let > need && ran > need+2*u+clayM*y.b.AreaM2 && now-s.ShortAt >= hour {
		s.Displaced, s.RanM3, s.RanU = true, ran, 2*u
	}
}

// lipWait is how long a loss may still be ending after it was found, and the least time that says whether
// it goes on.
const lipWait = 30 * minute

// lip asks, while a loss is open, whether it ends as the water sinks. An overflow that has slipped
// takes litres a minute until the water is down to its lip, and then nothing; a liner goes on
// losing. The time since the loss was found in which nothing was let in decides between none and
// half of its rate, twenty to one either way; none counts only a band's depth below the band: every
// sound bay stands just under its own and loses nothing until its turn comes.
func (w *Watch) lip(y *bay, now int64, low float64) {
	s, b, k := &y.st.Crest, &y.st.Bank, &y.look
	if b.Open != site.Leak {
		return
	}
	if s.LipFor != b.Seen {
		s.LipFor, s.LipAt, s.GoesOn, s.LipM = b.Seen, 0, false, math.NaN()
	}
	if s.GoesOn || !math.IsNaN(s.LipM) || s.LipAt == k.Seq {
		return
	}
	s.LipAt = k.Seq
	half, llr := b.First/2, math.NaN()
	var f water.Window
	for n := 1; w.l.Since(y.i, n, &f) && f.From >= b.Seen+lipWait && f.Metered == 0; n++ {
		if f.To-f.From >= lipWait {
			llr = half * f.Hours * (f.Nu - half*f.Hours/2) / f.S
		}
	}
	switch {
	case llr > w.budget.odds:
		s.GoesOn = true
	case llr < -w.budget.odds && k.BayM < low-max(y.b.BandM, 0.003, 2*k.BayUM):
		s.LipM = k.BayM
		need, u := w.l.HeldBetween(y.i, k.BayM, low)
		s.LostM3 = max(0, k.TotalM3-s.ShortM3+need)
		s.LostUM3 = 2 * math.Hypot(u, water.MeterU(0.02)*(k.TotalM3-s.ShortM3))
	}
}

// maySlip says whether the loss that is open may be the overflow's: it stands at its crest, or it
// loses too fast for a drift of the sensor, and has not been seen to go on as the water sinks.
func (y *bay) maySlip(drift float64) bool {
	near := y.look.BayM > y.b.CrestM-0.010
	return y.b.CrestM > 0 && !y.st.Crest.GoesOn && (near || drift >= driftMost)
}

// metered says whether the water that stands at the crest came through the meter: at least half
// of what the bay holds between its band and its crest, since it was last in its band.
func (w *Watch) metered(y *bay) bool {
	k, from := &y.look, y.st.Level.HighFrom
	if !k.HasFlow && !k.HasMeter {
		// Nothing is metered; then it was not rain when no rain has fallen since.
		return y.st.Level.InBandAt > 0 && k.RainAt < y.st.Level.InBandAt-hour
	}
	if up := y.upper(); !math.IsNaN(from) && up < y.b.CrestM {
		if room, _ := w.l.HeldBetween(y.i, up, y.b.CrestM); room > 0 {
			return k.TotalM3-from > max(sparseM3, room/2)
		}
	}
	return k.Runs && k.FillM3 > sparseM3
}

// overflows says whether the episode at the crest is one to tell of: the bay itself stands there,
// or its chamber has for long; metered water did it; and it is more than what is left of a stuck
// valve that somebody has shut meanwhile.
func (y *bay) overflows(now int64) bool {
	s, k := &y.st.Crest, &y.look
	if s.OverAt == 0 || !s.ByMeter {
		return false
	}
	if !y.st.Valve.Open && k.TotalM3-s.KnownM3 < max(sparseM3, 4*k.PulseM3) {
		return false
	}
	itself := now-s.OverAt >= 5*minute && k.BayM+2*k.BayUM >= y.b.CrestM-freeCrestM
	return itself || now-s.OverAt >= standsFor
}

// sayOverflow tells what holds of the overflow.
func (w *Watch) sayOverflow(y *bay, now int64) {
	s, c, k := &y.st.Level, &y.st.Crest, &y.look
	rate, runs := y.running(now)
	if y.overflows(now) {
		n := site.NewFinding(site.Overflowing, y.b.ID, "", at(c.OverAt))
		n.Confidence = 0.95
		what := site.Say("nothing runs in")
		if runs {
			n.RateM3S, n.ToCrest = rate, 0
			n.Carried = site.Known(y.b.OverflowM3S) && y.b.OverflowM3S >= rate
			what = site.Say("%s run in", site.Rate(rate))
		}
		n.Because = site.Say("Bay %s has stood at its overflow's crest of %s since %s after %s were let in; %s.", y.name(), site.Depth(y.b.CrestM), clock(c.OverAt),
			site.Water(k.TotalM3-nanOr(s.HighFrom, k.TotalM3-k.FillM3)), what)
		switch {
		case y.heldAtCrest():
			n.Because = site.Say("Bay %s is held at %s, and its overflow's crest stands at %s: what is let in above it runs off until the set point is lowered; %s.", y.name(), site.Depth(k.SetM), site.Depth(y.b.CrestM), what)
		case !k.HasFlow && !k.HasMeter:
			n.Because = site.Say("Bay %s has stood at its overflow's crest of %s since %s, and no rain brought it there.", y.name(), site.Depth(y.b.CrestM), clock(c.OverAt))
		}
		w.say(n)
	}
	if c.slipped() {
		w.saySlipped(y, now)
	}
	if c.Blocked {
		n := site.NewFinding(site.OverflowFault, y.b.ID, "", at(c.AboveAt))
		n.Confidence = 0.85
		n.OrKind, n.WouldDecide = site.LevelSensorFault, site.Say("Dip the chamber: if the dip shows the crest's height, it is the sensor.")
		if runs {
			n.RateM3S, n.ToCrest, n.ToSoft = rate, 0, w.toSoft(y, rate)
		}
		n.Because = site.Say("Bay %s has stood %s above its overflow's crest for %s: the overflow does not carry the water away.", y.name(), site.Depth(k.SmoothM-y.b.CrestM), lasted(now-c.AboveAt))
		w.say(n)
	}
}

// saySlipped tells of an overflow that drains below its crest.
func (w *Watch) saySlipped(y *bay, now int64) {
	c, k := &y.st.Crest, &y.look
	n := site.NewFinding(site.OverflowFault, y.b.ID, "", at(c.ShortAt))
	n.OrKind = site.Leak
	n.WouldDecide = site.Say("Look at the overflow of bay %s while it is filled: if water runs there, it has slipped or drains below its crest; if none does, it is the liner.", y.name())
	if !math.IsNaN(c.LipM) {
		n.Confidence = 0.8
		n.VolumeM3, n.VolumeU = c.LostM3, c.LostUM3
		n.Because = site.Say("Bay %s has lost water since about %s and stopped losing at %s, below the %s it should keep: a liner would go on losing, an overflow that has slipped down to there does not.",
			y.name(), w.when(c.ShortAt), site.Depth(c.LipM), site.Depth(y.lower()))
		w.say(n)
		return
	}
	n.Confidence = 0.7
	n.VolumeM3, n.VolumeU = c.RanM3, c.RanU
	n.RateM3S = n.VolumeM3 / (float64(now-c.ShortAt) / 1000)
	n.Because = site.Say("Bay %s has been let in %s since %s and stands at %s, still below the %s it should keep; %s (± %s) have run off.",
		y.name(), site.Water(k.TotalM3-c.ShortM3), w.when(c.ShortAt), site.Depth(y.shown()), site.Depth(y.lower()), site.Water(c.RanM3), site.Water(c.RanU))
	w.say(n)
}
