package page

import (
	"math"
	"time"

	"bayledger/agent/site"
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
	for _, q := range []site.Quantity{site.Humidity, site.Pressure, site.Rain, site.Solar, site.AirTemperature, site.Wind} {
		info, _ := q.Info()
		s.Points = append(s.Points, site.Point{ID: "site-" + info.Short, Quantity: q, Interval: 10 * time.Second})
	}
	return s
}

// aQuietView is a morning on which everything is as it was left.
func aQuietView() *View {
	s, now := aSite(), aMorning
	v := &View{Number: 7, Time: now, Site: s, Watch: Health{LastReading: now.Add(-3 * time.Second), ClockSure: true, ClockNote: "kept by the time server",
		Links:   []Link{{ID: "pump-house", Up: true, Units: []Unit{{ID: "unit-1", Up: true}}}},
		Sinks:   []Sink{{ID: "influx", Up: true, Note: "Historian"}, {ID: "mqtt", Up: true, Note: "Broker"}},
		Journal: Journal{OK: true, Rows: 120000, Bytes: 6 << 20}, Version: "test", Started: now.Add(-50 * time.Hour)}}
	offs := []float64{0, -0.002, 0.001, -0.003, 0.0005, -0.001}
	for b := range s.Bays() {
		i := len(v.Bays)
		bay := Bay{ID: b.ID, LevelM: 0.062 + offs[i], LevelTime: now.Add(-4 * time.Second), LevelUStd: 0.0006, SetPointM: 0.062, BandM: 0.004, CrestM: 0.09,
			FlowM3S: 0, Valve: ValveShut, Settled: true,
			LastFill: Fill{Start: now.Add(-time.Duration(150+20*i) * time.Minute), End: now.Add(-time.Duration(140+20*i) * time.Minute), VolumeM3: 0.084 + 0.01*float64(i)}}
		midnight := time.Date(2026, 7, 14, 0, 0, 0, 0, zone).UTC()
		bay.Today = anAccount(midnight, now, 0.084+0.01*float64(i), 0.021, -0.004, 0.006)
		bay.Today.Closes, bay.Today.Why = i%2 == 0, "the bay has not been at rest twice since midnight"
		if i%2 == 0 {
			bay.Today.Why = ""
		}
		for d := 5; d >= 1; d-- {
			from := time.Date(2026, 7, 14-d, 0, 0, 0, 0, zone).UTC()
			bay.Days = append(bay.Days, anAccount(from, from.Add(24*time.Hour), 0.62+0.03*float64(d), 0.64+0.02*float64(d), 0.011, 0.02))
		}
		v.Bays = append(v.Bays, bay)
	}
	for _, p := range s.Points {
		val := map[site.Quantity]float64{site.Humidity: 0.81, site.Pressure: 285000, site.Rain: 1.2, site.Solar: 122, site.AirTemperature: 16.4, site.Wind: 1.3,
			site.Level: 0.062, site.Volume: 14.2}[p.Quantity]
		v.Readings = append(v.Readings, Reading{Sample: site.Sample{Point: p.ID, Time: now.Add(-4 * time.Second), Value: val}, Quantity: p.Quantity, Bay: p.Bay, Interval: p.Interval})
	}
	for i := range v.Bays {
		v.Bays[i].Doing = DoingOf(&v.Bays[i], 1e-6, false)
	}
	return v
}

func anAccount(from, to time.Time, in, out, unexplained, u float64) Account {
	return Account{From: from, To: to, Metered: Term{in, 0.006}, Rain: Term{0, 0}, Evaporated: Term{out, 0.015}, Overflow: Term{0, 0}, Hand: Term{0, 0},
		Held: Term{in - out - unexplained, 0.012}, Unexplained: Term{unexplained, u}, Closes: true}
}

// aBadView is the same morning with a valve that has stuck open at A3 and a chamber at B2 that
// gives no reading.
func aBadView() *View {
	v := aQuietView()
	b := v.Bay("A3")
	b.LevelM, b.FlowM3S, b.Valve, b.Settled = 0.081, 14.0/60000, ValveShut, false
	b.Doing = DoingOf(b, 1e-6, false)
	b = v.Bay("B2")
	b.LevelM, b.LevelQuality, b.LevelWhy = nan, site.Bad, site.WhyTimeout
	b.Doing = DoingOf(b, 1e-6, false)
	b.LevelTime = v.Time.Add(-42 * time.Minute)
	since := v.Time.Add(-5 * time.Hour)
	mk := func(k site.Kind, bay, subject string, sev site.Severity, because string) Alarm {
		info, _ := k.Info()
		return Alarm{Event: site.Event{V: 1, ID: site.EventID("millbrook", site.Key{Bay: bay, Kind: k, Subject: subject}, since), Subject: subject, Seq: 4, Time: site.Stamp{Time: v.Time},
			Since: site.Stamp{Time: since}, Site: "millbrook", Bay: bay, Kind: k, State: site.Updated, Severity: sev, Because: because,
			FirstAction: info.Action(v.Site, bay), Revision: "test"}}
	}
	a := mk(site.ValveStuckOpen, "A3", "", site.Urgent, "the valve was told to shut at 01:40, and the meter still turns at 14 L/min")
	a.RateLPH, a.Litres, a.LitresU, a.TimeLeftS, a.Confidence = new(840.0), new(4210.0), new(84.0), new(2280.0), new(0.97)
	a.OrKind, a.WouldDecide = site.MeterFault, "if the level stops rising while the meter turns, it is the meter"
	e := mk(site.Overfill, "A3", "", site.Warning, "the level stands 19 mm above its set point and rises").Event
	e.CauseID = a.ID
	a.Folded = []site.Event{e}
	n := mk(site.NoData, "B2", "B2-level", site.Warning, "B2-level has given no good reading since 05:59: the unit did not answer")
	v.Alarms = []Alarm{a, n, {Event: e}}
	v.Watch.Links[0].Units = append(v.Watch.Links[0].Units, Unit{ID: "unit-5", Up: false})
	v.Watch.Sinks[0].Up, v.Watch.Sinks[0].Behind = false, 1240
	v.Number = 8
	return v
}
