package watch

import (
	"math"

	"bayledger/agent/site"
)

// report says what holds on a bay.
func (w *Watch) report(y *bay, now int64) {
	if y.st.Valve.Open {
		w.sayStuckOpen(y, now)
	}
	w.saySensor(y, now)
	w.sayLevels(y, now)
	w.sayOverflow(y, now)
	w.sayMeter(y, now)
	w.sayFills(y, now)
	w.sayBank(y, now)
	w.sayBeside(y)
}

// tally is what has left a bay since an open loss began, by whatever way: no bay loses more than is let in
// and held.
type tally struct {
	Found int64 // the finding it belongs to, by when it was found
	Seq   int64
	From  int64 // since when it is counted afresh: an account reaches back four days
	// M3 and its variance VarM6 up to From; Left and U (k=2) all in all, NaN while not known.
	M3, VarM6 float64
	Left, U   float64
}

// tallyFor is how long a tally is counted in one piece.
const tallyFor = 3 * day

// tally counts what has left a bay that loses, once a stride.
func (w *Watch) tally(y *bay, now int64) {
	s := &y.st.Bank
	a := &s.Tally
	if a.Found != s.Seen {
		*a = tally{Found: s.Seen, From: s.Since}
	} else if a.Seq == y.look.Seq {
		return
	}
	a.Seq = y.look.Seq
	n, ok := w.l.Between(y.b.ID, at(a.From), at(now))
	if !ok {
		a.Left, a.U = math.NaN(), math.NaN()
		return
	}
	a.Left = a.M3 + n.MeteredM3 + n.ByHandM3 + n.RainM3 - n.HeldM3
	v := a.VarM6 + (sq(n.MeteredU)+sq(n.ByHandU)+sq(n.RainU)+sq(n.HeldU))/4
	a.U = 2 * math.Sqrt(v)
	if now-a.From > tallyFor && y.look.Settled {
		a.M3, a.VarM6, a.From = a.Left, v, now
	}
}

// lost is what an open loss or gain has come to, m3, with its expanded uncertainty: its rate is the mean
// since it began, by all balances closed since. A loss that has followed the level down since the last of
// them was less: where it would be surely more than has left, it is what left.
func (w *Watch) lost(y *bay, now int64) (m3, u float64) {
	s := &y.st.Bank
	hours := float64(now-s.Since) / float64(hour)
	m3, u = math.Abs(s.Size)*hours/1000, 2*s.SizeU*hours/1000
	if s.Open != site.Leak {
		return m3, u
	}
	w.tally(y, now)
	if a := &s.Tally; m3 > a.Left+math.Hypot(u, a.U) {
		return max(0, a.Left), a.U
	}
	return m3, u
}

// sayBank tells what the balance has found.
func (w *Watch) sayBank(y *bay, now int64) {
	s, k := &y.st.Bank, &y.look
	if s.Open == "" {
		return
	}
	subject := ""
	if s.Open == site.MeterFault && y.meter != nil {
		subject = y.meter.ID
	}
	n := site.NewFinding(s.Open, y.b.ID, subject, at(s.Since))
	n.Confidence = 1 / (1 + math.Exp(-max(0, min(s.Rival, 30))))
	if s.Open == site.MeterFault {
		n.OrKind, n.WouldDecide = site.LevelSensorFault, site.Say("Run a bucket of known size through the meter; if it counts it rightly, dip the chamber.")
		n.Because = site.Say("Bay %s's meter counts about %.0f %% (± %.0f %%) %s than the level says has come in, since about %s.", y.name(), 100*math.Abs(s.Size), 200*s.SizeU, moreOrLess(s.Size), w.when(s.Since))
		w.say(n)
		return
	}
	rate := math.Abs(s.Size) / 3.6e6
	n.RateM3S = rate
	n.VolumeM3, n.VolumeU = w.lost(y, now)
	var so site.Phrase // a figure that may as well be none is not told
	if n.VolumeM3 > n.VolumeU {
		so = site.Say(": %s (± %s) so far", site.Water(n.VolumeM3), site.Water(n.VolumeU))
	}
	u := site.RateU{U: 2 * s.SizeU / 3.6e6, Of: rate}
	other := s.Other & w.others(y)
	switch s.Open {
	case site.Leak:
		n.Because = site.Say("Bay %s loses %s (± %s) more than weather and level explain, since about %s%s.", y.name(), site.Rate(rate), u, w.when(s.Since), so)
		switch other {
		case 0:
		case byMeter:
			n.OrKind, n.WouldDecide = site.MeterFault, site.Say("Shut the hand valve of bay %s tonight: if the level still falls it is the liner, and if it holds, the meter counts too much.", y.name())
		case byOverflow:
			n.OrKind, n.WouldDecide = site.OverflowFault, site.Say("Look at the overflow of bay %s: if water runs there below its crest, it is the overflow; if at its crest, dip the chamber, for the sensor reads low.", y.name())
		case byDrift:
			n.OrKind, n.WouldDecide = site.LevelSensorFault, site.Say("Shut the hand valve of bay %s tonight and dip its chamber in the evening and the morning: if the dips fall as the sensor does it is the liner, and if they hold, the sensor.", y.name())
		default:
			// More than two causes remain: none is named.
			n.Kind = site.UnexplainedLoss
			n.WouldDecide = y.decides(other)
		}
	case site.ValveWeeping:
		n.Because = site.Say("Bay %s gains %s (± %s) that no meter counted, since about %s%s.", y.name(), site.Rate(rate), u, w.when(s.Since), so)
		// Nobody is woken for an overflow that only the upper end of what is said would reach.
		if least := rate - 2*s.SizeU/3.6e6; least > 0 && !math.IsNaN(k.RoomM3) {
			n.ToCrest = left(k.RoomM3 / least)
		}
		if other&byDrift != 0 {
			n.OrKind, n.WouldDecide = site.LevelSensorFault, site.Say("Shut the hand valve of bay %s tonight and dip its chamber in the evening and the morning: if the rise stops it is the valve, and if the sensor rises while the dips hold, the sensor.", y.name())
		}
	}
	w.say(n)
}

// decides says what each outcome of the night would mean while several causes remain.
func (y *bay) decides(c causes) site.Phrase {
	var overflow, meter, sensor site.Phrase
	if c&byOverflow != 0 {
		overflow = site.Say(", or its overflow if water runs there")
	}
	if c&byMeter != 0 {
		meter = site.Say("; if they hold and the sensor too, the meter")
	}
	if c&byDrift != 0 {
		sensor = site.Say("; if only the sensor falls, the sensor")
	}
	return site.Say("Shut the hand valve of bay %s tonight and dip its chamber in the evening and the morning: if they fall it is the liner%s%s%s.", y.name(), overflow, meter, sensor)
}

// seepage looks for what one bay loses and its neighbour gains: two findings of about the same
// size and onset on bays that share an edge are one trouble. Where only one of them has been found, the
// other bay is asked for what is missing there: since then, as much, and the right way downhill.
func (w *Watch) seepage(now int64) {
	for _, pair := range w.s.Neighbours {
		a, b := w.bay(pair[0]), w.bay(pair[1])
		if a == nil || b == nil {
			continue
		}
		if a.st.Bank.Open == site.ValveWeeping || b.st.Bank.Open == site.Leak {
			a, b = b, a
		}
		from, to := &a.st.Bank, &b.st.Bank
		loss, gain := from.Open == site.Leak, to.Open == site.ValveWeeping
		switch {
		case loss && gain:
			apart := math.Abs(from.Size + to.Size)
			uphill := b.look.BayM - a.look.BayM
			if apart <= 3*math.Hypot(from.SizeU, to.SizeU)+0.3*math.Abs(from.Size) && !(uphill > uphillM) {
				w.saySeepage(a, b, max(from.Since, to.Since), now, (from.Size-to.Size)/2, math.Hypot(from.SizeU, to.SizeU))
			}
		case loss && (to.Open == "" || to.Open == site.MeterFault) && w.mirrors(a, b):
			w.saySeepage(a, b, from.Since, now, from.Size, 2*from.SizeU)
		case gain && (from.Open == "" || from.Open == site.MeterFault) && w.mirrors(b, a):
			w.saySeepage(a, b, to.Since, now, -to.Size, 2*to.SizeU)
		}
	}
}

// uphillM is how far a bay must stand over another for its gain not to be the other's loss, m: two levels
// are compared no better.
const uphillM = 0.003

// mirrors says whether what has been found on one bay shows on its neighbour with the other sign. Of size and
// onset nothing is searched, so no more is asked of it than the odds between two causes, once more for each of
// the two neighbours a bay may have: that both happen is far rarer than either.
func (w *Watch) mirrors(found, other *bay) bool {
	s := &found.st.Bank
	named := s.Mirror == other.b.ID // and then it does not flap, though both stand level for an hour
	downhill := (found.look.BayM-other.look.BayM)*s.Size > 0
	if !named && (!downhill || s.Mirror != "") {
		return false
	}
	for i := range other.st.Bank.Onsets {
		o := &other.st.Bank.Onsets[i]
		if o.From+o.To < 2*s.Since {
			continue
		}
		llr, since := o.Sig[tRate].LLR(-s.Size), other.st.Bank.Onsets[i:]
		hose := !goesOn(since, o, -s.Size) && !nightShows(since, -s.Size, w.budget.odds)
		switch {
		case !named && llr >= 2*w.budget.odds && !hose:
			s.Mirror = other.b.ID
		case named && llr <= 0:
			s.Mirror = ""
		}
		return s.Mirror != ""
	}
	return named
}

// nightShows says whether one night alone shows a loss or gain of that size: nobody waters then.
func nightShows(onsets []onset, size, odds float64) bool {
	for i := range onsets {
		shows := onsets[i].Sig[tRate].LLR(size)
		if i+1 < len(onsets) {
			shows -= onsets[i+1].Sig[tRate].LLR(size)
		}
		if onsets[i].Night && shows >= odds {
			return true
		}
	}
	return false
}

// saySeepage tells that bay a loses to its neighbour b at a rate, L/h, with its expanded uncertainty.
func (w *Watch) saySeepage(a, b *bay, since, now int64, rate, u float64) {
	n := site.NewFinding(site.SeepageBetweenBays, a.b.ID, "", at(since))
	n.Bays = []string{a.b.ID, b.b.ID}
	hours := float64(now-since) / float64(hour)
	n.RateM3S, n.VolumeM3, n.VolumeU = rate/3.6e6, rate*hours/1000, u*hours/1000
	n.Confidence = 0.9
	n.Because = site.Say("Bay %s loses %s (± %s) to its neighbour %s, which gains as much, since about %s.", a.name(), site.Rate(n.RateM3S), site.RateU{U: u / 3.6e6, Of: n.RateM3S}, b.name(), w.when(since))
	w.say(n)
}

func (w *Watch) bay(id string) *bay {
	for _, y := range w.bays {
		if y.b.ID == id {
			return y
		}
	}
	return nil
}

// when is a moment as the club's clock shows it, with the day of the week, or the date where that would be
// taken for this week's.
func (w *Watch) when(ms int64) any {
	if w.st.Now-ms < 6*day {
		return site.Day(at(ms))
	}
	return site.Moment{At: at(ms), Now: at(ms + 6*day)}
}
