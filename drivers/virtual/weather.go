package virtual

import (
	"math"
	"time"
)

// Weather describes the climate the site has. The weather itself is a smooth random course
// around it, a function of seed and time.
type Weather struct {
	// DayOfYear fixes the season, 1 to 366; 0 takes the calendar's. The demo plays a summer
	// night whatever the date.
	DayOfYear int `json:"day_of_year,omitempty"`
	// MeanC is the year's mean air temperature and SeasonC how far July lies above it (north)
	// or below (south), DailyC half the usual span from night to day.
	MeanC   float64 `json:"mean_c"`
	SeasonC float64 `json:"season_c"`
	DailyC  float64 `json:"daily_c"`
	// DewBelowC is how far the dew point usually lies under the day's mean temperature.
	DewBelowC float64 `json:"dew_below_c"`
	WindMS    float64 `json:"wind_ms"`
	// Cloud is the mean cover, 0 to 1.
	Cloud float64 `json:"cloud"`
	// ShowersPerDay and ShowerM give random rain: how often, and how much on the average.
	ShowersPerDay float64 `json:"showers_per_day,omitempty"`
	ShowerM       float64 `json:"shower_m,omitempty"`
	// Showers that come whatever the dice say.
	Showers []Shower `json:"showers,omitempty"`
	// Spells change the weather for a while: hot and windy days, a frost.
	Spells []Spell `json:"spells,omitempty"`
}

// Shower is rain of a given depth with one hump between two times.
type Shower struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	DepthM float64   `json:"depth_m"`
}

// Spell shifts the temperature and scales the wind between two times. Dry is a further lowering
// of the dew point.
type Spell struct {
	From       time.Time `json:"from"`
	To         time.Time `json:"to"`
	WarmerC    float64   `json:"warmer_c"`
	WindFactor float64   `json:"wind_factor,omitempty"`
	DryC       float64   `json:"dry_c,omitempty"`
}

// Air is the weather at one moment.
type Air struct {
	TempC, DewC   float64
	GroundC       float64 // of what lies open on the ground at night; TempC by day
	RH            float64 // 0 to 1
	WindMS        float64 // at 2 m
	SolarWM2      float64
	Cloud         float64 // 0 to 1
	PressurePa    float64
	RainMS        float64 // m/s
	EvaporationMS float64 // m/s, of a surface that lacks no water
}

// vapour is the saturation vapour pressure over water in kPa, by the Magnus form with the
// coefficients of WMO-No. 8, annex 4.B.
func vapour(tC float64) float64 { return 0.6112 * math.Exp(17.62*tC/(243.12+tC)) }

// evaporation is the demand of the air on a wet clay surface in m/s: Penman's combination of
// 1948 with his own wind function, 0.26 (1 + 0.54 u) mm a day per hPa, an albedo of 0.23 for
// damp clay, Brunt's net long-wave loss and a ground heat flux that gives most of the night's
// loss back. It is deliberately another law than the reference evapotranspiration of the
// account: nothing agrees but the weather.
func evaporation(a Air) float64 {
	es, ea := vapour(a.TempC), vapour(a.DewC)
	delta := es * 17.62 * 243.12 / ((243.12 + a.TempC) * (243.12 + a.TempC))
	gamma := 0.000665 * a.PressurePa / 1000
	net := 0.77*a.SolarWM2 - longWave(a)
	if net > 0 {
		net *= 0.88
	} else {
		net *= 0.2
	}
	const wm2ToMMDay = 86400 / 2.45e6
	mmDay := (delta*net*wm2ToMMDay + gamma*2.6*(1+0.54*a.WindMS)*(es-ea)) / (delta + gamma)
	return max(0, mmDay) * 1e-3 / 86400
}

// boltzmann is Stefan's and Boltzmann's constant, W/m2K4.
const boltzmann = 5.670374e-8

// longWave is Brunt's net long-wave loss of the ground, W/m2.
func longWave(a Air) float64 {
	return boltzmann * math.Pow(a.TempC+273.15, 4) * (0.39 - 0.158*math.Sqrt(vapour(a.DewC))) * (1 - 0.7*a.Cloud)
}

// sky is the weather of one site: a pure function of time.
type sky struct {
	w          Weather
	seed       uint64
	origin     time.Time
	latitude   float64 // rad
	longitude  float64 // deg
	elevationM float64
	showers    []Shower
}

func newSky(c *Config) *sky {
	s := &sky{w: c.Weather, seed: c.Seed, origin: c.Start.Truncate(24 * time.Hour).Add(-48 * time.Hour),
		latitude: c.LatitudeDeg * math.Pi / 180, longitude: c.LongitudeDeg, elevationM: c.ElevationM}
	s.showers = append(s.showers, c.Weather.Showers...)
	return s
}

// Streams of the weather; names are part of the seed's meaning.
var (
	streamTemp   = stream("weather/temperature")
	streamDew    = stream("weather/dew")
	streamCloud  = stream("weather/cloud")
	streamWind   = stream("weather/wind")
	streamBaro   = stream("weather/baro")
	streamShower = stream("weather/shower")
	streamFlick  = stream("weather/flicker")
)

// at returns the weather at t.
func (s *sky) at(t time.Time) Air {
	x := t.Sub(s.origin).Seconds()
	var warmer, dry float64
	windy := 1.0
	for _, p := range s.w.Spells {
		if t.Before(p.From) || !t.Before(p.To) {
			continue
		}
		// The spell comes and goes within three hours at either end.
		const edge = 3 * 3600.0
		k := min(1, t.Sub(p.From).Seconds()/edge, p.To.Sub(t).Seconds()/edge)
		warmer += k * p.WarmerC
		dry += k * p.DryC
		if p.WindFactor > 0 {
			windy *= 1 + k*(p.WindFactor-1)
		}
	}
	var a Air
	a.RainMS = s.rain(t)

	// Cover swings over half days around the climate's mean; rain comes from a closed sky.
	cover := s.w.Cloud + 0.28*wander(s.seed, streamCloud, x, 11*3600)
	a.Cloud = min(max(cover, 0), 1)
	if a.RainMS > 0 {
		a.Cloud = max(a.Cloud, 0.9)
	}

	u := t.UTC()
	day := float64(u.YearDay())
	if s.w.DayOfYear > 0 {
		day = float64(s.w.DayOfYear)
	}
	hourUTC := float64(u.Hour()) + float64(u.Minute())/60 + float64(u.Second())/3600
	// Sun's height: declination and equation of time after Spencer (1971), first terms.
	b := 2 * math.Pi * (day - 1) / 365
	decl := 0.006918 - 0.399912*math.Cos(b) + 0.070257*math.Sin(b) - 0.006758*math.Cos(2*b) + 0.000907*math.Sin(2*b)
	eqt := 3.8197 * (0.000075 + 0.001868*math.Cos(b) - 0.032077*math.Sin(b) - 0.014615*math.Cos(2*b) - 0.040849*math.Sin(2*b))
	solarHour := hourUTC + s.longitude/15 + eqt
	cosz := math.Sin(s.latitude)*math.Sin(decl) + math.Cos(s.latitude)*math.Cos(decl)*math.Cos((solarHour-12)*math.Pi/12)
	if cosz > 0 {
		// Haurwitz (1945) clear sky, and his order of loss under cloud; broken cloud flickers.
		clear := 1098 * cosz * math.Exp(-0.057/cosz)
		broken := 4 * a.Cloud * (1 - a.Cloud)
		pass := 1 - 0.72*math.Pow(a.Cloud, 2.2) + 0.16*broken*wander(s.seed, streamFlick, x, 420)
		a.SolarWM2 = clear * min(max(pass, 0.06), 1.08)
	}

	south := 1.0
	if s.latitude < 0 {
		south = -1
	}
	season := s.w.MeanC + south*s.w.SeasonC*math.Cos(2*math.Pi*(day-200)/365)
	mean := season + 2.2*wander(s.seed, streamTemp, x, 40*3600) + warmer
	a.TempC = mean + s.w.DailyC*(1-0.6*a.Cloud)*dayCourse(solarHour, dayLength(s.latitude, decl)) + 0.25*wander(s.seed, streamTemp+1, x, 1500)
	if a.RainMS > 0 {
		a.TempC -= 2
	}
	a.DewC = mean - warmer*0.7 - s.w.DewBelowC - dry + 1.3*wander(s.seed, streamDew, x, 26*3600)
	if a.RainMS > 0 {
		a.DewC = max(a.DewC, a.TempC-1)
	}
	a.DewC = min(a.DewC, a.TempC-0.1)
	a.RH = vapour(a.DewC) / vapour(a.TempC)

	// Wind rises with the sun and dies down at night.
	stir := 0.55 + 0.75*max(0, cosz)
	a.WindMS = s.w.WindMS * windy * stir * math.Exp(0.35*wander(s.seed, streamWind, x, 5*3600)+0.2*wander(s.seed, streamWind+1, x, 600))

	// Barometric formula of the standard atmosphere, with weather of some hPa around it.
	a.PressurePa = 101325*math.Pow(1-2.25577e-5*s.elevationM, 5.25588) + 600*wander(s.seed, streamBaro, x, 30*3600)
	a.EvaporationMS = evaporation(a)
	a.GroundC = a.TempC
	if cosz <= 0 {
		a.GroundC -= groundBelow(a)
	}
	return a
}

// dayLength is the time from sunrise to sunset in hours, for latitude and declination in rad. It is
// held between 4 and 20 h: nearer to the poles no day has a course of its own.
func dayLength(latitude, decl float64) float64 {
	return min(20, max(4, 24/math.Pi*math.Acos(min(1, max(-1, -math.Tan(latitude)*math.Tan(decl))))))
}

// warmest is the solar hour at which a day's air is warmest.
const warmest = 15.0

// dayCourse is the course of the air's temperature over a day of the given length, hours, at an hour
// of solar time: -1 at sunrise, when it is coldest, 1 when it is warmest. It rises by half a cosine
// (de Wit 1978) and goes after Goettsche and Olesen (2001, Remote Sensing of Environment 76:337) from
// then on: a cosine as wide as the day is long, and from sunset an exponential that takes over its
// slope. Their time constant follows from that, and from where the next sunrise finds it.
func dayCourse(hour, length float64) float64 {
	rise, set := 12-length/2, max(12+length/2, warmest+1)
	h := math.Mod(hour-rise+48, 24) // since sunrise
	if up := warmest - rise; h < up {
		return -math.Cos(math.Pi * h / up)
	}
	fall := math.Pi / length
	if h < set-rise {
		return 2*math.Cos(fall*(h+rise-warmest)) - 1
	}
	at, slope := math.Cos(fall*(set-warmest)), fall*math.Sin(fall*(set-warmest))
	night := 24 + rise - set
	// at = slope night (1 - exp(-k)) / k, by Newton's method for the convex 1 - exp(-k) = q k.
	q := at / (slope * night)
	k := 1 / q
	for range 6 {
		k -= (1 - math.Exp(-k) - q*k) / (math.Exp(-k) - q)
	}
	return 2*(at-slope*night/k*(1-math.Exp(-k*(h-set+rise)/night))) - 1
}

// groundBelow is by how much the ground is colder than the air at night, K: what the long-wave loss
// takes from it beyond the half the soil gives back (FAO-56, equation 46) comes from the air through
// grass (FAO-56, equation 4: 208/u s/m, in a calm as at half a metre a second) and as radiation. Dry
// and clear that is 4 K at 1 m/s and 1.3 K at 5 m/s; grass minima lie several degrees below the
// screen's on clear calm nights (Brugge 2011, Weather 66:54, from memory for the page).
func groundBelow(a Air) float64 {
	const heat = 1210.0 // of a cubic metre of air, J/K
	return 0.5 * longWave(a) / (heat*max(0.5, a.WindMS)/208 + 4*boltzmann*math.Pow(a.TempC+273.15, 3))
}

// rain returns the rain's rate at t, m/s: scheduled showers and those of the dice.
func (s *sky) rain(t time.Time) float64 {
	r := 0.0
	for _, h := range s.showers {
		r += h.rate(t)
	}
	if s.w.ShowersPerDay > 0 {
		// A shower belongs to the six hours in which it begins; it may reach into the next.
		slot := int64(math.Floor(t.Sub(s.origin).Seconds() / slotS))
		for n := slot - 1; n <= slot; n++ {
			if h, ok := s.dice(n); ok {
				r += h.rate(t)
			}
		}
	}
	return r
}

const slotS = 6 * 3600.0

// dice returns the random shower of a slot of six hours, if it has one.
func (s *sky) dice(slot int64) (Shower, bool) {
	n := uint64(slot) * 4
	if uniform(s.seed, streamShower, n) >= 1-math.Exp(-s.w.ShowersPerDay*slotS/86400) {
		return Shower{}, false
	}
	begin := (float64(slot) + 0.9*uniform(s.seed, streamShower, n+1)) * slotS
	long := 600 + 4*3600*math.Pow(uniform(s.seed, streamShower, n+2), 2)
	from := s.origin.Add(time.Duration(begin * 1e9))
	return Shower{From: from, To: from.Add(time.Duration(long * 1e9)),
		DepthM: -s.w.ShowerM * math.Log(uniform(s.seed, streamShower, n+3))}, true
}

// rate is the intensity of a shower at t: one hump, sin squared, whose integral is its depth.
func (h Shower) rate(t time.Time) float64 {
	if t.Before(h.From) || !t.Before(h.To) {
		return 0
	}
	d := h.To.Sub(h.From).Seconds()
	x := math.Sin(math.Pi * t.Sub(h.From).Seconds() / d)
	return h.DepthM / d * 2 * x * x
}
