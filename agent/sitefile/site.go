package sitefile

import (
	"fmt"
	"math"
	"time"

	"bayledger/agent/site"
)

// Site is the section about the club itself.
type Site struct {
	ID         string  `yaml:"id" required:"yes" eg:"velderbruck" doc:"Permanent id of the site in every topic, tag and event. Never change it."`
	Name       string  `yaml:"name" eg:"Velderbruck Tennis Club" doc:"What people call the club. The id is shown when it is not given."`
	Zone       string  `yaml:"zone" required:"yes" eg:"Europe/Vienna" doc:"Time zone in the IANA form Area/City: where accounts close at midnight and people read clocks."`
	Units      string  `yaml:"units" default:"mm/L" enum:"mm/L,in/gal" doc:"Units people here read: millimetres and litres, or inches and gallons."`
	Language   string  `yaml:"language" default:"en" enum:"en,de" doc:"Language in which people are told: page, reports, alarms, notices and procedures. en English, de German. Logs, rules and the errors of commands are English."`
	Latitude   float64 `yaml:"latitude" min:"-90" max:"90" eg:"47.61" doc:"Degrees, north positive. Evaporation from weather needs it."`
	Longitude  float64 `yaml:"longitude" min:"-180" max:"180" eg:"14.47" doc:"Degrees, east positive. Hourly evaporation needs it."`
	ElevationM float64 `yaml:"elevation" dim:"length" min:"-430 m" max:"5000 m" default:"0 m" why:"a hundred metres change evaporation by less than one per cent" eg:"312 m" doc:"Height above sea level."`
	Attended   window  `yaml:"attended" default:"07:00-19:00" why:"people who play look at the courts" doc:"Part of the day in which somebody will look of their own accord. What can wait for it does not wake anybody."`
	FalsePages float64 `yaml:"false_pages_per_season" default:"0.03" min:"0.001" max:"10" why:"0.01 per bay and year" doc:"False pages that six bays may have in a half-year season. Smaller finds small leaks later."`
	Tariff     *Tariff `yaml:"tariff" doc:"What water costs, for reports."`
}

// Tariff is the price of water.
type Tariff struct {
	PerM3    float64 `yaml:"per_m3" required:"yes" min:"0" max:"10000" eg:"3.20" doc:"Price of a cubic metre, sewage charge included where it is paid on the same water."`
	Currency string  `yaml:"currency" required:"yes" eg:"EUR" doc:"Its currency, as it should be printed."`
}

// Supply is the section about the water's way to the bays.
type Supply struct {
	ShutOff   string       `yaml:"shut_off" eg:"the red wheel in the shed" doc:"Where the supply is shut by hand, in the club's words. Every urgent message says it."`
	LowPa     float64      `yaml:"pressure_low" dim:"pressure" min:"0 kPa" max:"2000 kPa" eg:"140 kPa" doc:"Lower end of the supply pressure the club wants, after the regulator."`
	HighPa    float64      `yaml:"pressure_high" dim:"pressure" min:"0 kPa" max:"2000 kPa" eg:"210 kPa" doc:"Upper end of it."`
	Points    SupplyPoints `yaml:"points" doc:"Instruments on the main."`
	Isolation *Isolation   `yaml:"isolation" doc:"A master valve on the main that the daemon may shut."`
}

// SupplyPoints are the instruments on the main.
type SupplyPoints struct {
	Meter    *MeterPoint `yaml:"meter" doc:"Main meter's running total."`
	Flow     *Point      `yaml:"flow" doc:"Flow in the main."`
	Pressure *Point      `yaml:"pressure" doc:"Supply pressure after the regulator, against the air."`
}

// Weather is the section about evaporation and rain.
type Weather struct {
	Points    WeatherPoints `yaml:"points" doc:"Instruments of the weather station. Evaporation uses the best that is there: all of them (FAO-56), temperature alone (Hargreaves), or the monthly table."`
	MonthlyET []depth       `yaml:"monthly_et" eg:"[0.4 mm, 0.8 mm, 1.6 mm, 2.6 mm, 3.6 mm, 4.2 mm, 4.4 mm, 3.8 mm, 2.6 mm, 1.4 mm, 0.6 mm, 0.4 mm]" doc:"Reference evapotranspiration of a day in each month, January first: the last resort where nothing measures weather."`
}

// WeatherPoints are the instruments of a weather station.
type WeatherPoints struct {
	Temperature *Point     `yaml:"temperature" doc:"Air temperature."`
	Humidity    *Point     `yaml:"humidity" doc:"Relative humidity."`
	Wind        *WindPoint `yaml:"wind" doc:"Wind speed."`
	Solar       *Point     `yaml:"solar" doc:"Global radiation on the level."`
	Rain        *Point     `yaml:"rain" doc:"Rain gauge's running total."`
	AirPressure *Point     `yaml:"air_pressure" doc:"Absolute air pressure at the site, not reduced to sea level. A level sensor without a vent tube needs it."`
}

// depth is a depth of water a day.
type depth float64

func (d *depth) parse(text string) error {
	m, err := parseNumber(site.Length, text)
	if err != nil {
		return err
	}
	if m < 0 || m > 0.020 {
		return mistake{fmt.Sprintf("%s is no day's evapotranspiration", clip(text)), "it lies between 0 mm and 20 mm a day"}
	}
	*d = depth(m)
	return nil
}

func (l *loader) site() {
	f, s := &l.file.Site, l.cfg.Site
	s.ID, s.Name = f.ID, f.Name
	l.id("site.id", f.ID, "the site")
	if s.Name == "" {
		s.Name = s.ID
	}
	s.Zone = time.UTC
	if f.Zone != "" {
		zone, err := time.LoadLocation(f.Zone)
		switch {
		case f.Zone == "Local":
			l.bad("site.zone", "name the club's zone, for example Europe/Vienna", "Local is whatever zone the machine is set to")
		case err != nil:
			l.bad("site.zone", "use the IANA form Area/City, for example Europe/Vienna or America/Chicago", "the time zone %q is not known", clip(f.Zone))
		default:
			s.Zone = zone
		}
	}
	if f.Units == "in/gal" {
		s.Display = site.USDisplay
	}
	s.Language = f.Language
	s.LatitudeDeg, s.LongitudeDeg, s.ElevationM = f.Latitude, f.Longitude, f.ElevationM
	s.Attended = f.Attended.DayWindow
	s.FalsePagesPerSeason = f.FalsePages
	if f.Tariff != nil {
		s.Tariff = site.Tariff{PerM3: f.Tariff.PerM3, Currency: f.Tariff.Currency}
		if !site.Known(s.Tariff.PerM3) {
			s.Tariff.PerM3 = 0
		}
	}
}

func (l *loader) supply() {
	f, s := &l.file.Supply, l.cfg.Site
	s.ShutOff, s.SupplyLowPa, s.SupplyHighPa = f.ShutOff, f.LowPa, f.HighPa
	if f.LowPa >= f.HighPa {
		l.bad("supply.pressure_high", "give the upper end of the band here", "the supply pressure's band ends at %s and begins at %s", l.text("supply.pressure_high"), l.text("supply.pressure_low"))
	}
	l.point("supply.points.meter", "", site.Volume, pointOf(f.Points.Meter))
	l.point("supply.points.flow", "", site.Flow, pointOf(f.Points.Flow))
	l.point("supply.points.pressure", "", site.Pressure, pointOf(f.Points.Pressure))
}

func (l *loader) weather() {
	f, s := &l.file.Weather, l.cfg.Site
	for i := range s.MonthlyET {
		s.MonthlyET[i] = math.NaN()
	}
	if n := len(f.MonthlyET); n > 0 && n != 12 {
		l.bad("weather.monthly_et", "give twelve, January first", "%d months are given", n)
	} else if n == 12 {
		for i, d := range f.MonthlyET {
			s.MonthlyET[i] = float64(d)
		}
	}
	p := &f.Points
	l.point("weather.points.temperature", "", site.AirTemperature, pointOf(p.Temperature))
	l.point("weather.points.humidity", "", site.Humidity, pointOf(p.Humidity))
	l.point("weather.points.wind", "", site.Wind, pointOf(p.Wind))
	l.point("weather.points.solar", "", site.Solar, pointOf(p.Solar))
	l.point("weather.points.rain", "", site.Rain, pointOf(p.Rain))
	l.point("weather.points.air_pressure", "", site.AirPressure, pointOf(p.AirPressure))
	measured := p.Temperature != nil || p.Solar != nil
	if measured && !l.has("site.latitude") {
		l.bad("site", "add latitude: and its degrees; a tenth of a degree is close enough", "the weather station measures evaporation, which needs the site's latitude")
	}
}
