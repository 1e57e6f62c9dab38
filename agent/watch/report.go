package watch

import (
	"fmt"
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
	w.sayMeter(y, now)
	w.sayBank(y, now)
}

// sayBank tells what the balance has found.
func (w *Watch) sayBank(y *bay, now int64) {
	s, k, d := &y.st.Bank, &y.look, w.s.Display
	if s.Open == "" {
		return
	}
	n := site.NewFinding(s.Open, y.b.ID, "", at(s.Since))
	rate := math.Abs(s.Size) / 3.6e6
	hours := float64(now-s.Since) / float64(hour)
	n.RateM3S = rate
	n.VolumeM3, n.VolumeU = rate*hours*3600, 2*s.SizeU/3.6e6*hours*3600
	n.Confidence = 1 / (1 + math.Exp(-min(s.Rival, 30)))
	u := d.Rate(2 * s.SizeU / 3.6e6)
	switch s.Open {
	case site.Leak:
		n.Because = fmt.Sprintf("Bay %s loses %s (± %s) more than weather and level explain, since about %s: %s so far.", y.name(), d.Rate(rate), u, w.when(s.Since), d.Water(n.VolumeM3))
	case site.ValveWeeping:
		n.Because = fmt.Sprintf("Bay %s gains %s (± %s) that no meter counted, since about %s.", y.name(), d.Rate(rate), u, w.when(s.Since))
		if rate > 0 && !math.IsNaN(k.RoomM3) {
			n.ToCrest = left(k.RoomM3 / rate)
		}
	}
	w.say(n)
}

// when writes a moment with its day, as the club's clock shows it.
func (w *Watch) when(ms int64) string { return at(ms).In(w.s.Zone).Format("Mon 15:04") }
