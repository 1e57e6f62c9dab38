package agent

import (
	"cmp"
	"maps"
	"slices"

	"bayledger/agent/alarm"
	"bayledger/agent/page"
	"bayledger/agent/site"
)

// viewOf makes the immutable picture that page and metrics read. It runs under the keeper's
// lock; health is what is known of the daemon's own parts.
func (k *keeper) viewOf(number uint64, health page.Health) *page.View {
	c := k.core
	v := &page.View{Number: number, Time: c.Now(), Site: c.Site, Watch: health, Closed: c.Desk.Season(),
		Alarms: c.Desk.Open(), Rates: c.Desk.Rates(), Work: c.Desk.Maintenance(), Mains: c.Ledger.MainDays(), Procedures: c.Procedures.Picture()}
	v.Method, _ = c.Ledger.Weather()
	v.Watch.LastReading = k.lastGood
	from, to := page.Night(c.Site, c.Now())
	for b := range c.Site.Bays() {
		out := page.Bay{Days: c.Ledger.Days(b.ID), Spans: c.Ledger.Spans(b.ID)}
		out.BayNow, _ = c.Ledger.Now(b.ID)
		if !c.Now().IsZero() {
			out.Night, _ = c.Ledger.Between(b.ID, from, to)
		}
		v.Bays = append(v.Bays, out)
	}
	for _, id := range slices.Sorted(maps.Keys(k.latest)) {
		if p := c.Site.Point(id); p != nil {
			v.Readings = append(v.Readings, page.Reading{Sample: k.latest[id], Quantity: p.Quantity, Bay: p.Bay, Interval: p.Interval})
		}
	}
	return v
}

// openAlarms are the alarms that were told and have not cleared, folded ones included: they name
// their cause.
func openAlarms(v *page.View) []site.OpenAlarm {
	list := []site.OpenAlarm{}
	for _, a := range v.Alarms {
		if a.Event.ID == "" || a.Event.State == site.Cleared {
			continue
		}
		entry := site.OpenAlarm{Event: a.Event, Acknowledged: a.Phase == alarm.Acknowledged, Gone: !a.Present}
		if !a.Told {
			entry.Quiet = cmp.Or(a.Why, "it does not stand on its own")
		}
		list = append(list, entry)
	}
	return list
}
