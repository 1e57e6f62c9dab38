package watch

import (
	"strings"

	"bayledger/agent/site"
)

// Ability says whether a bay can find a kind of trouble with the instruments it has.
type Ability struct {
	Kind site.Kind
	Can  bool
	// How says with what, or how much less well than with full instruments; empty when there is
	// nothing to add.
	How string
	// Needs names the instruments that would let it, or sharpen it; empty when nothing would.
	Needs string
}

// Able lists, in the order of the table of kinds, what a bay can and cannot find (bay empty: the
// site). A kind that has nothing to do with a bay's instruments is left out.
func Able(s *site.Site, bay string) []Ability {
	has := func(q site.Quantity) bool { return s.Find(bay, q) != nil }
	at := func(q site.Quantity) bool { return s.Find("", q) != nil }
	main := at(site.Volume) || at(site.Flow)
	weather := at(site.AirTemperature)
	station := weather && at(site.Humidity) && at(site.Wind) && at(site.Solar)
	var out []Ability
	add := func(k site.Kind, can bool, how, needs string) { out = append(out, Ability{k, can, how, needs}) }
	if bay == "" {
		bays := 0
		for range s.Bays() {
			bays++
		}
		add(site.NoData, true, "", "")
		add(site.NoSupply, at(site.Pressure) || bays > 1, oneOf(at(site.Pressure), "by pressure", "when two bays ask in vain"), oneOf(at(site.Pressure), "", "a supply pressure sensor"))
		add(site.PressureOutOfBand, at(site.Pressure) && site.Known(s.SupplyLowPa), "", "a supply pressure sensor and the site's band")
		add(site.SupplyLineLeak, main, "", "a main meter")
		add(site.MainMeterFault, main, "", "a main meter")
		add(site.FreezeRisk, weather, "", "an air temperature sensor")
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
	add(site.WiringMismatch, metered, "", "a flow meter")
	add(site.LevelSensorFault, true, oneOf(metered, "frozen: by metered water", "frozen: only by a day's evaporation"), oneOf(metered, "", "a flow meter"))
	add(site.MeterFault, metered, "", oneOf(metered, "", "a flow meter"))
	add(site.ValveStuckOpen, metered, oneOf(command || valve, "at once after the shut command", oneOf(set, "when the fill passes the set point", "when two fifths of the room to the crest are used")), oneOf(!metered, "a flow meter", oneOf(command, "", "the controller's valve command")))
	add(site.ValveStuckClosed, metered, oneOf(command, "within minutes of the open command", oneOf(set, "when the level has stood below its band", "when the level has fallen a band and a half below where fills begin")), oneOf(!metered, "a flow meter", oneOf(command, "", "the controller's valve command or a set point")))
	add(site.ValveWeeping, metered, join(noWeather, oneOf(main, "", "a level sensor that drifts looks the same")), oneOf(!metered, "a flow meter", join(sharper, oneOf(main, "", "a main meter"))))
	add(site.SeepageBetweenBays, neighbour && metered, noWeather, oneOf(!neighbour, "a neighbour named in the site file", oneOf(!metered, "a flow meter", sharper)))
	add(site.OverflowFault, crest, "", oneOf(crest, "", "the overflow's crest in the site file"))
	add(site.Leak, true, join(noWeather, oneOf(metered, "", "only between fills, and only above some tens of litres an hour")), oneOf(!metered, "a flow meter", sharper))
	add(site.UnexplainedLoss, true, noWeather, sharper)
	add(site.LowFlow, metered, "", oneOf(metered, "", "a flow meter"))
	add(site.Overflowing, crest, "", oneOf(crest, "", "the overflow's crest in the site file"))
	add(site.Overfill, true, oneOf(set, "", "by the level where fills usually stop"), oneOf(set, "", "a set point"))
	add(site.Drying, true, oneOf(set, "", "by the level where fills usually begin"), oneOf(set, "", "a set point"))
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
