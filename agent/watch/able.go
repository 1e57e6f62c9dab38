package watch

import (
	"strings"

	"bayledger/agent/site"
)

// Able lists, in the order of the table of kinds, what a bay can and cannot find (bay empty: the
// site). A kind that has nothing to do with a bay's instruments is left out.
func Able(s *site.Site, bay string) []site.Ability {
	has := func(q site.Quantity) bool { return s.Find(bay, q) != nil }
	at := func(q site.Quantity) bool { return s.Find("", q) != nil }
	main := at(site.Volume) || at(site.Flow)
	weather := at(site.AirTemperature)
	station := weather && at(site.Humidity) && at(site.Wind) && at(site.Solar)
	var out []site.Ability
	add := func(k site.Kind, can bool, how, more string) {
		if can {
			out = append(out, site.Ability{Kind: k, Can: true, How: how, Sharper: more})
		} else {
			out = append(out, site.Ability{Kind: k, Needs: more})
		}
	}
	if bay == "" {
		all, metered := true, 0
		for b := range s.Bays() {
			if s.Find(b.ID, site.Volume) != nil || s.Find(b.ID, site.Flow) != nil {
				metered++
			} else {
				all = false
			}
		}
		add(site.NoData, true, "", "")
		add(site.NoSupply, at(site.Pressure) || metered > 1, oneOf(at(site.Pressure), "by pressure", "when two bays ask in vain"), oneOf(at(site.Pressure), "", "a supply pressure sensor"))
		band := at(site.Pressure) && site.Known(s.SupplyLowPa)
		add(site.PressureOutOfBand, band, "", oneOf(band, "", "a supply pressure sensor and the site's band"))
		meters := oneOf(main, "a flow meter on every bay", oneOf(all, "a main meter", "a main meter and a flow meter on every bay"))
		add(site.SupplyLineLeak, main && all, "", oneOf(main && all, "", meters))
		add(site.MainMeterFault, main && all, "", oneOf(main && all, "", meters))
		add(site.FreezeRisk, weather, oneOf(at(site.Humidity), "", "without the dew point, so a little too readily"), oneOf(weather, oneOf(at(site.Humidity), "", "an air humidity sensor"), "an air temperature sensor"))
		return out
	}
	b := s.Bay(bay)
	if b == nil {
		return nil
	}
	metered := has(site.Flow) || has(site.Volume)
	valve := has(site.ValveOpen)
	command := valve && !b.Valve.Feedback
	set := has(site.SetPoint) || site.Known(b.SetPointM)
	crest := site.Known(b.CrestM) && b.CrestM > 0
	noWeather := ""
	sharper := ""
	if !station {
		noWeather = "slower, because evaporation is only known roughly"
		sharper = "a weather station (temperature, humidity, wind, sun)"
	}
	neighbour := false
	for _, n := range s.Neighbours {
		neighbour = neighbour || n[0] == bay || n[1] == bay
	}

	add(site.NoData, true, "", "")
	add(site.WiringMismatch, metered, oneOf(command, "by its valve's command and by its fills", "by its fills"), oneOf(metered, oneOf(command, "", "the controller's valve command"), "a flow meter"))
	add(site.LevelSensorFault, true, oneOf(metered, "frozen: by metered water", "frozen: only by a day's evaporation"), oneOf(metered, "", "a flow meter"))
	add(site.MeterFault, metered, "", oneOf(metered, "", "a flow meter"))
	add(site.ValveStuckOpen, metered, oneOf(command || valve, "at once after the shut command", oneOf(set, "when the fill passes the set point", "before half of the room to the crest is used")), oneOf(!metered, "a flow meter", oneOf(command, "", "the controller's valve command")))
	add(site.ValveStuckClosed, metered, oneOf(command, "within minutes of the open command", oneOf(set, "when the level has stood below its band", "when the level has fallen a band and a half below where fills begin")), oneOf(!metered, "a flow meter", oneOf(command, "", "the controller's valve command or a set point")))
	add(site.ValveWeeping, metered, join(noWeather, "under a centimetre a day a level sensor that drifts looks the same until it is dipped"), oneOf(!metered, "a flow meter", sharper))
	add(site.SeepageBetweenBays, neighbour && metered, noWeather, oneOf(!neighbour, "a neighbour named in the site file", oneOf(!metered, "a flow meter", sharper)))
	add(site.OverflowFault, crest, oneOf(metered, "", "blocked: only when no rain falls"), oneOf(crest, "", "the overflow's crest in the site file"))
	add(site.Leak, metered, noWeather, oneOf(!metered, "a flow meter", sharper))
	add(site.UnexplainedLoss, metered, noWeather, oneOf(!metered, "a flow meter", sharper))
	add(site.LowFlow, metered, "", oneOf(metered, "", "a flow meter"))
	// Without a set point the band is where this bay's fills begin and stop, and those a meter shows.
	band := set || metered
	add(site.Overflowing, crest && band, oneOf(metered, "", "without a meter, by no rain having fallen"), oneOf(!crest, "the overflow's crest in the site file", oneOf(band, "", "a flow meter or a set point")))
	// Where a meter counts it and no valve is known, what is let in too much is a stuck valve as a rule.
	if metered {
		add(site.Overfill, true, join(oneOf(set, "", "by the level where fills usually stop"), oneOf(valve, "", "told as a valve stuck open as a rule")), oneOf(!valve, "the controller's valve command", oneOf(set, "", "a set point")))
	} else {
		add(site.Overfill, set, "when it has stayed for a day and a half", oneOf(set, "a flow meter", "a set point"))
	}
	add(site.Drying, band, oneOf(set, "", "by the level where fills usually begin"), oneOf(!band, "a flow meter or a set point", oneOf(set, "", "a set point")))
	add(site.SlowChamber, metered, "", oneOf(metered, "", "a flow meter"))
	return out
}

func oneOf(cond bool, yes, no string) string {
	if cond {
		return yes
	}
	return no
}

func join(parts ...string) string {
	var p []string
	for _, s := range parts {
		if s != "" {
			p = append(p, s)
		}
	}
	return strings.Join(p, "; ")
}

// Inseparable lists, as sentences, what no data of this bay can tell apart, and what would.
func Inseparable(s *site.Site, bay string) []string {
	b := s.Bay(bay)
	if b == nil {
		return nil
	}
	has := func(q site.Quantity) bool { return s.Find(bay, q) != nil }
	metered := has(site.Flow) || has(site.Volume)
	main := s.Find("", site.Volume) != nil
	var out []string
	if metered {
		would := "only a bucket test of the meter can tell"
		if main {
			would = "only a bucket test, or the main meter while this valve alone is open, can tell"
		}
		out = append(out, "a meter that has been wrong from the first day, a porosity and an area: they appear only as one product; "+would)
	} else {
		out = append(out, "a fill, a shower and a hose: no meter counts what comes in; a flow meter would tell")
	}
	out = append(out, "a leak as old as the installation and the evaporation of this bay, until its nights and its hot days have set them apart (to 5 L/h); the bay says so meanwhile",
		"a slow leak and a level sensor that drifts down, a weeping valve and one that drifts up, below about a centimetre a day: two dips a day apart tell")
	if !has(site.ValveOpen) && !has(site.SetPoint) {
		out = append(out, "a set point moved by hand and a valve that fails, until half the room to the crest is used or the level is a band and a half low: the valve's command or the set point would tell at once")
	}
	if s.Find("", site.AirTemperature) == nil {
		out = append(out, "a loss of a day and a hot, windy day: only the nights count; a weather station would tell by day too")
	}
	if s.Find("", site.Rain) == nil {
		out = append(out, "rain and a hose that wets most bays at once: a rain gauge would tell")
	}
	return out
}
