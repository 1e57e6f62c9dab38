package page

import (
	"fmt"
	"net/http"
	"slices"
	"time"

	"bayledger/agent/site"
)

type bayPage struct {
	shell
	Bay     bayCard
	Court   string
	Off     string
	Facts   []fact
	Alarms  []alarmCard
	Days    []dayRow
	HasPlot bool
	ID      string
}

// dayRow is one closed day of an account, or today so far.
type dayRow struct {
	From                                                    time.Time
	Day                                                     string
	Metered, Rain, Hand, Evaporated, Overflow, Held, Unexpl string
	Note                                                    string
	Odd                                                     bool
}

func (s *Server) bay(w http.ResponseWriter, r *http.Request) {
	v := viewOf(r, s)
	id := r.PathValue("bay")
	if v == nil || v.Site == nil || v.Bay(id) == nil {
		s.fail(w, r, &answer{http.StatusNotFound, fmt.Sprintf("There is no bay %q.", id)})
		return
	}
	b, sb := v.Bay(id), v.Site.Bay(id)
	sh := s.shell(r, placeOf(v.Site, id), "ground")
	p := bayPage{shell: sh, ID: id, Bay: bayCardOf(sh.words, v, b, gaugeReach(v.Bays)), HasPlot: s.deps.History != nil}
	if sb != nil {
		for _, c := range v.Site.Courts {
			if c.ID == sb.Court {
				p.Court = nameOr(c.Name, c.ID)
			}
		}
	}
	if d := b.LevelM - b.SetPointM; site.Known(d) {
		p.Off = offText(sh.words, d)
		if p.Off != "at set point" {
			p.Off += " its set point of " + p.Bay.Set
		}
		p.Off = sentence(p.Off)
	}
	p.Facts = bayFacts(sh.words, v, b, sb)
	for _, a := range wanting(v.Alarms, sh.now) {
		if a.Bay == id || slices.Contains(a.Bays, id) {
			p.Alarms = append(p.Alarms, alarmCardOf(sh.words, v, a))
		}
	}
	if !b.Today.From.IsZero() {
		p.Days = append(p.Days, dayRowOf(sh.words, b.Today, "so far"))
	}
	for i := len(b.Days) - 1; i >= 0; i-- {
		p.Days = append(p.Days, dayRowOf(sh.words, b.Days[i], ""))
	}
	s.render(w, r, http.StatusOK, "bay", p)
}

func bayFacts(w words, v *View, b *Bay, sb *site.Bay) []fact {
	facts := []fact{
		{"Level", w.d.Depth(b.LevelM)},
		{"Set point", w.d.Depth(b.SetPointM)},
		{"Fills when it falls by", w.d.Depth(b.BandM)},
	}
	if site.Known(b.CrestM) {
		facts = append(facts, fact{"Overflow runs at", w.d.Depth(b.CrestM)})
	}
	facts = append(facts, fact{"Flow", w.d.Rate(b.FlowM3S)}, fact{"Valve", b.Valve.String()})
	if !b.LastFill.Start.IsZero() {
		facts = append(facts, fact{"Last fill", w.clock(b.LastFill.Start) + ", " + w.water(b.LastFill.VolumeM3)})
	}
	read := w.ago(b.LevelTime)
	if b.LevelQuality != site.Good {
		read += ", " + b.LevelQuality.String()
		if b.LevelWhy != "" {
			read += " (" + string(b.LevelWhy) + ")"
		}
	}
	facts = append(facts, fact{"Level read", read})
	if sb != nil && sb.AreaM2 > 0 {
		facts = append(facts, fact{"Area", fmt.Sprintf("%.0f m\u00b2", sb.AreaM2)})
	}
	return facts
}

func dayRowOf(w words, a Account, suffix string) dayRow {
	row := dayRow{From: a.From, Day: w.day(a.From), Metered: w.water(a.Metered.M3), Rain: w.water(a.Rain.M3), Hand: w.water(a.Hand.M3),
		Evaporated: w.water(a.Evaporated.M3), Overflow: w.water(a.Overflow.M3), Held: w.water(a.Held.M3)}
	if suffix != "" {
		row.Day += " " + suffix
	}
	if a.Closes {
		row.Unexpl = w.plusMinus(a.Unexplained)
		row.Odd = site.Known(a.Unexplained.UStd) && abs(a.Unexplained.M3) > 2*a.Unexplained.UStd
	} else {
		row.Unexpl, row.Note = "\u2013", a.Why
	}
	return row
}
