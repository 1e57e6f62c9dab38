package page

import (
	"cmp"
	"math"
	"slices"
	"time"

	"bayledger/agent/alarm"
	"bayledger/agent/site"
	"bayledger/agent/water"
	"bayledger/agent/words"
)

// The invented club of the tests: two courts of three bays, drawn to plan.

var (
	nan     = math.NaN()
	zone, _ = time.LoadLocation("Europe/Berlin")
	// aMorning is 06:41:10 local time on a summer day.
	aMorning = time.Date(2026, 7, 14, 4, 41, 10, 0, time.UTC)
)

func aSite() *site.Site {
	s := &site.Site{ID: "millbrook", Name: "Millbrook Courts", Zone: zone, Display: site.MetricDisplay, ShutOff: "the red wheel in the pump house",
		Attended: site.DayWindow{From: 420, To: 1140}, LatitudeDeg: 51, LongitudeDeg: 8, Revision: "test"}
	for ci, court := range []string{"A", "B"} {
		c := site.Court{ID: court, Name: "Court " + court}
		for i := range 3 {
			id := court + string(rune('1'+i))
			c.Bays = append(c.Bays, site.Bay{ID: id, Name: id, Court: court, AreaM2: 216, CrestM: 0.09, BandM: 0.004, SetPointM: 0.062,
				Layers: []site.Layer{{Name: "stone", DepthM: 0.1, DrainablePorosity: 0.3}, {Name: "clay", DepthM: 0.03, DrainablePorosity: 0.04, Surface: true}},
				Plan:   site.Rect{XM: float64(ci) * 22, YM: float64(i) * 12, WidthM: 18, LengthM: 12}})
			for _, q := range []site.Quantity{site.Flow, site.Level, site.Volume, site.ValveOpen} {
				info, _ := q.Info()
				s.Points = append(s.Points, site.Point{ID: id + "-" + info.Short, Bay: id, Quantity: q, Interval: 10 * time.Second})
			}
		}
		s.Courts = append(s.Courts, c)
	}
	for _, q := range []site.Quantity{site.Humidity, site.Pressure, site.Rain, site.Solar, site.AirTemperature, site.Wind, site.Volume} {
		info, _ := q.Info()
		s.Points = append(s.Points, site.Point{ID: "site-" + info.Short, Quantity: q, Interval: 10 * time.Second})
	}
	slices.SortFunc(s.Points, func(a, b site.Point) int { return cmp.Compare(a.ID, b.ID) })
	return s
}

// aQuietView is a morning on which everything is as it was left.
func aQuietView() *View {
	s, now := aSite(), aMorning
	v := &View{Number: 7, Time: now, Site: s, Watch: Health{LastReading: now.Add(-3 * time.Second), ClockSure: true, ClockNote: "kept by the time server",
		Links:   []Link{{ID: "pump-house", Up: true, Units: []Unit{{ID: "unit-1", Up: true}}}},
		Sinks:   []Sink{{ID: "influx", Up: true, Name: "Historian"}, {ID: "mqtt", Up: true, Name: "Broker"}},
		Journal: Journal{OK: true}, Version: "test", Started: now.Add(-50 * time.Hour)}}
	offs := []float64{0, -0.002, 0.001, -0.003, 0.0005, -0.001}
	for b := range s.Bays() {
		i := len(v.Bays)
		start := now.Add(-time.Duration(150+20*i) * time.Minute)
		bay := Bay{BayNow: water.BayNow{Bay: b.ID, Time: now, LevelM: 0.062 + offs[i], SmoothM: 0.062 + offs[i], LevelAt: now.Add(-4 * time.Second),
			BayLevelM: 0.0621 + offs[i], BayLevelU: 0.0012, Settled: true, SettledM: 0.062 + offs[i], SettledAt: now, SetPointM: 0.062, FlowM3S: 0, ValveKnown: true,
			Doing: water.Settled, RoomM3: 1.7, LastFill: water.Fill{From: start, To: start.Add(10 * time.Minute), VolumeM3: 0.084 + 0.01*float64(i), FlowM3S: 1.4e-4},
			Learned: water.Learned{Scale: water.Estimate{Value: 1.02, U: 0.05}, Porosity: water.Estimate{Value: 0.29, U: 0.02}, Factor: water.Estimate{Value: 0.92, U: 0.08},
				ConstantM3S: water.Estimate{Value: 1e-7, U: 1.2e-6}, NightM3S: water.Estimate{Value: 9e-7, U: 8e-7}, SettleS: 2400, FlowM3S: 1.41e-4, NoiseM: 0.0004, OldLeakExcluded: true, Learning: true}}}
		midnight := time.Date(2026, 7, 14, 0, 0, 0, 0, zone).UTC()
		bay.Today = anAccount(b.ID, midnight, now, 0.084+0.01*float64(i), 0.021, -0.004, 0.012)
		for d := 5; d >= 1; d-- {
			from := time.Date(2026, 7, 14-d, 0, 0, 0, 0, zone).UTC()
			bay.Days = append(bay.Days, anAccount(b.ID, from, from.Add(24*time.Hour), 0.62+0.03*float64(d), 0.64+0.02*float64(d), 0.011, 0.04))
		}
		from, to := Night(s, now)
		bay.Night = anAccount(b.ID, from, to, 0.18+0.01*float64(i), 0.03, 0.004, 0.015)
		for h := 60; h > 6; h -= 6 {
			bay.Spans = append(bay.Spans, anAccount(b.ID, now.Add(-time.Duration(h)*time.Hour), now.Add(-time.Duration(h-6)*time.Hour), 0.15, 0.14, 0.003*float64(i-3), 0.015))
		}
		v.Bays = append(v.Bays, bay)
	}
	for _, p := range s.Points {
		val := map[site.Quantity]float64{site.Humidity: 0.81, site.Pressure: 285000, site.Rain: 1.2, site.Solar: 122, site.AirTemperature: 16.4, site.Wind: 1.3,
			site.Level: 0.062, site.Volume: 14.2}[p.Quantity]
		v.Readings = append(v.Readings, Reading{Sample: site.Sample{Point: p.ID, Time: now.Add(-4 * time.Second), Value: val}, Quantity: p.Quantity, Bay: p.Bay, Interval: p.Interval})
	}
	return v
}

// anAccount closes by construction: what is held is what the other terms leave.
func anAccount(bay string, from, to time.Time, in, out, unexplained, u float64) water.Account {
	return water.Account{Bay: bay, From: from, To: to, MeteredM3: in, MeteredU: 0.012, EvaporatedM3: out, EvaporatedU: 0.03, HeldM3: in - out - unexplained, HeldU: 0.024,
		UnexplainedM3: unexplained, UnexplainedU: u, FromSettled: true, ToSettled: true, FromLevelM: 0.062, ToLevelM: 0.062, ETM: 0.0048, Revision: "test"}
}

// aFrostyView is a quiet one before a night that may freeze.
func aFrostyView() *View {
	v := aQuietView()
	e := site.Event{V: 1, ID: "millbrook//freeze-risk//2026-07-14T04:00:00Z", Seq: 3, Time: site.Stamp{Time: v.Time}, Since: site.Stamp{Time: v.Time}, Site: "millbrook", Kind: site.FreezeRisk,
		State: site.Raised, Severity: site.Info, Confidence: new(0.31), Because: "Tonight may freeze, 3 in 10: the air is at 8.2 degrees C and can be expected to reach 2.9 degrees C by sunrise, about 05:10, " +
			"the ground on a clear night like this 2.1 degrees C lower. Then chambers and pipes with water in them would freeze.",
		FirstAction: "Drain the supply line and the chambers, or keep them covered and warm tonight."}
	v.Alarms = []alarm.Alarm{{Event: e, Now: e, Phase: alarm.Unacknowledged, Present: true, Told: true}}
	v.Number = 9
	return v
}

// aDeafView is of a watch that was started two hours ago, whose only line has been dead since.
func aDeafView() *View {
	v := aQuietView()
	v.Watch.LastReading, v.Watch.Started = time.Time{}, v.Time.Add(-2*time.Hour)
	for i := range v.Bays {
		v.Bays[i].LevelAt, v.Bays[i].Quality = time.Time{}, site.Bad
	}
	add := func(k site.Kind, bay, subject, cause string) string {
		e := site.Event{V: 1, ID: site.EventID("millbrook", site.Key{Bay: bay, Kind: k, Subject: subject}, v.Time), Subject: subject, Time: site.Stamp{Time: v.Time},
			Since: site.Stamp{Time: v.Watch.Started}, Site: "millbrook", Bay: bay, Kind: k, State: site.Raised, Severity: site.Warning, CauseID: cause}
		v.Alarms = append(v.Alarms, alarm.Alarm{Event: e, Now: e, Phase: alarm.Unacknowledged, Present: true, Told: cause == "", Cause: cause})
		return e.ID
	}
	line := add(site.LinkDown, "", "pump-house", "")
	add(site.NoData, "", "court-a", line)
	add(site.NoData, "", "court-b", line)
	add(site.NoData, "B2", "B2-level", line)
	add(site.NoData, "B2", "B2-meter", line)
	return v
}

// aBadView is the same morning with a valve that has stuck open at A3 and a chamber at B2 that
// gives no reading.
func aBadView() *View {
	v := aQuietView()
	b := v.Bay("A3")
	b.LevelM, b.SmoothM, b.FlowM3S, b.Settled, b.Doing = 0.081, 0.081, 14.0/60000, false, water.Filling
	b.Night.MeteredM3, b.Night.UnexplainedM3 = 4.21, 0.31
	b = v.Bay("B2")
	b.Quality, b.LevelAt = site.Bad, v.Time.Add(-42*time.Minute)
	for i := range v.Readings {
		if v.Readings[i].Point == "B2-level" {
			v.Readings[i].Quality, v.Readings[i].Why, v.Readings[i].Value = site.Bad, site.WhyTimeout, nan
		}
	}
	since := v.Time.Add(-5 * time.Hour)
	mk := func(k site.Kind, bay, subject string, sev site.Severity, because string) alarm.Alarm {
		info, _ := k.Info()
		e := site.Event{V: 1, ID: site.EventID("millbrook", site.Key{Bay: bay, Kind: k, Subject: subject}, since), Subject: subject, Seq: 4, Time: site.Stamp{Time: v.Time},
			Since: site.Stamp{Time: since}, Site: "millbrook", Bay: bay, Kind: k, State: site.Updated, Severity: sev, Because: because,
			FirstAction: words.Of(v.Site).Fill(info.FirstAction, v.Site, bay), Revision: "test"}
		return alarm.Alarm{Event: e, Now: e, Phase: alarm.Unacknowledged, Present: true, Told: true}
	}
	a := mk(site.ValveStuckOpen, "A3", "", site.Urgent, "the valve was told to shut at 01:40, and the meter still turns at 14 L/min")
	a.Now.RateLPH, a.Now.Litres, a.Now.LitresU, a.Now.TimeLeftS, a.Now.Confidence = new(840.0), new(4210.0), new(84.0), new(2280.0), new(0.97)
	a.Now.OrKind, a.Now.WouldDecide = site.MeterFault, "if the level stops rising while the meter turns, it is the meter"
	e := mk(site.Overfill, "A3", "", site.Warning, "the level stands 19 mm above its set point and rises")
	e.Cause, e.Told, e.Phase = a.Event.ID, false, alarm.SuppressedByDesign
	e.Now.CauseID = a.Event.ID
	n := mk(site.NoData, "B2", "B2-level", site.Warning, "B2-level has given no good reading since 05:59: the unit did not answer")
	s := mk(site.LowFlow, "B1", "", site.Warning, "fills run at 9 L/min, this bay's habit is 14 L/min")
	s.Phase, s.Told, s.Why, s.ShelvedUntil = alarm.Shelved, false, "shelved until Wed 08:00 by ann: new strainer ordered", v.Time.Add(26*time.Hour)
	v.Alarms = []alarm.Alarm{a, n, e, s}
	v.Watch.Links[0].Units = append(v.Watch.Links[0].Units, Unit{ID: "unit-5", Up: false})
	v.Watch.Sinks[0].Up, v.Watch.Sinks[0].Behind = false, 1240
	v.Number = 8
	return v
}
