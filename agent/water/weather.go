package water

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// Method says where reference evapotranspiration came from over a stretch of time.
type Method uint8

// The methods, best first. The account takes the best whose instruments are there and good at
// the moment.
const (
	MethodStation    Method = iota // Penman-Monteith from temperature, humidity, wind and sun
	MethodPart                     // Penman-Monteith with one or two of them replaced by the paper's stand-ins
	MethodHargreaves               // temperature alone
	MethodTable                    // the site file's monthly table
	MethodClearSky                 // latitude and date alone
)

var methodNames = [...]string{"Penman-Monteith", "Penman-Monteith with stand-ins", "Hargreaves", "monthly table", "latitude and date"}

func (m Method) String() string {
	if int(m) < len(methodNames) {
		return methodNames[m]
	}
	return "unknown"
}

// methodU is the relative standard uncertainty of a day's evapotranspiration by each method,
// beyond what the learned factor takes up. Station figures scatter about a tenth and stand-ins a
// sixth about lysimeters, Hargreaves about a quarter by the day (FAO-56, chapter 3; from memory),
// a table knows nothing of the day's clouds; and by the day a clay court departs from the grass
// the formula is for by another sixth.
var methodU = [...]float64{0.20, 0.25, 0.30, 0.45, 0.50}

// weather holds the last readings of the site's instruments.
type weather struct {
	Temp, RH, Wind, Solar reading
	// Hourly extremes of the last day of temperature, for Hargreaves and for dew: ring by hour.
	Lo, Hi     [24]float64
	HourAt     [24]int64 // hours since 1970, so that an old entry is seen to be old
	RainReg    Register
	RainM      float64 // m fallen and not yet taken by a stride
	RainAt     int64   // ms, last good rain reading
	LastRain   int64   // ms, when rain last fell
	RatioLast  float64 // solar over clear sky before sunset
	WindHeight float64
}

type reading struct {
	V   float64
	At  int64 // ms; 0 never
	Sum float64
	N   int
}

func (r *reading) add(v float64, at int64) { r.V, r.At, r.Sum, r.N = v, at, r.Sum+v, r.N+1 }

// take returns the mean since it was last asked, or the last value when that is younger than
// stale milliseconds.
func (r *reading) take(now, stale int64) (float64, bool) {
	defer func() { r.Sum, r.N = 0, 0 }()
	switch {
	case r.N > 0:
		return r.Sum / float64(r.N), true
	case r.At > 0 && now-r.At <= stale:
		return r.V, true
	}
	return math.NaN(), false
}

// staleWeather is how long a weather reading stands for the present: an hour.
const staleWeather = int64(time.Hour / time.Millisecond)

// lowSun is the sine of the height below which the sun evaporates next to nothing: four degrees.
const lowSun = 0.07

// sky is the weather of one stride.
type sky struct {
	ETmm    float64 // reference evapotranspiration of the stride
	UsualMM float64 // that of the same hours on the days before
	Method  Method
	U       float64
	RainMM  float64
	Day     bool
	Base    [4]float64
	TempC   float64 // NaN when not known
}

func (w *weather) init() {
	for i := range w.Lo {
		w.Lo[i], w.Hi[i] = math.NaN(), math.NaN()
	}
	w.RatioLast = 0.7
	w.RainReg.MaxM3S = 0.3 / 3600 // 300 mm an hour, and a register in metres
}

func (w *weather) sample(q site.Quantity, t int64, v float64) {
	switch q {
	case site.AirTemperature:
		w.Temp.add(v, t)
		h := t / 3600000
		i := int(h % 24)
		if w.HourAt[i] != h || math.IsNaN(w.Lo[i]) {
			w.HourAt[i], w.Lo[i], w.Hi[i] = h, v, v
		} else {
			w.Lo[i], w.Hi[i] = min(w.Lo[i], v), max(w.Hi[i], v)
		}
	case site.Humidity:
		w.RH.add(v, t)
	case site.Wind:
		w.Wind.add(v, t)
	case site.Solar:
		w.Solar.add(max(0, v), t)
	case site.Rain:
		inc, _ := w.RainReg.Add(float64(t)/1000, v)
		w.RainM += inc
		w.RainAt = t
		if inc > 0 {
			w.LastRain = t
		}
	}
}

// extremes of the last 24 hours; ok when at least half of them were heard.
func (w *weather) extremes(t int64) (lo, hi float64, ok bool) {
	h := t / 3600000
	lo, hi = math.Inf(1), math.Inf(-1)
	n := 0
	for i, at := range w.HourAt {
		if h-at < 24 && !math.IsNaN(w.Lo[i]) {
			lo, hi = min(lo, w.Lo[i]), max(hi, w.Hi[i])
			n++
		}
	}
	return lo, hi, n >= 12
}

// place is where the sun shines, worked out once.
type place struct {
	Lat, Lon, Elev float64
	latKnown       bool
	monthly        [12]float64 // mm a day
	table          bool
}

func newPlace(s *site.Site) place {
	p := place{Lat: s.LatitudeDeg, Lon: s.LongitudeDeg, Elev: s.ElevationM, latKnown: site.Known(s.LatitudeDeg)}
	if !site.Known(p.Lat) {
		p.Lat = 45 // the middle of where clay is played on; the uncertainty says the rest
	}
	if !site.Known(p.Lon) {
		// The zone's winter offset is within an hour or so of the sun.
		_, off := time.Date(2025, 1, 15, 12, 0, 0, 0, s.Zone).Zone()
		p.Lon = float64(off) / 3600 * 15
	}
	p.table, p.monthly = true, [12]float64{}
	for i, m := range s.MonthlyET {
		p.monthly[i] = m * 1000
		p.table = p.table && m > 0
	}
	return p
}

// hourAngle of the sun, radians, 0 at solar noon, to a quarter of an hour (the equation of time
// is left out).
func (p place) hourAngle(t time.Time) float64 {
	u := t.UTC()
	h := float64(u.Hour()) + float64(u.Minute())/60 + float64(u.Second())/3600 + p.Lon/15
	return (math.Mod(h+48, 24) - 12) * math.Pi / 12
}

// stride takes the weather between two moments.
func (w *weather) stride(p place, from, to time.Time) sky {
	mid := from.Add(to.Sub(from) / 2)
	ms := to.UnixMilli()
	dt := to.Sub(from).Hours()
	ha := p.hourAngle(mid)
	sun := SunOn(p.Lat, mid.UTC().YearDay())
	clear := ClearSkyShare(p.Elev) * sun.HourlyMJ(ha) // MJ/m2 an hour
	k := sky{Day: sun.Elevation(ha) > lowSun, TempC: math.NaN()}
	k.Base = [4]float64{math.Cos(ha), math.Sin(ha), math.Cos(2 * ha), math.Sin(2 * ha)}
	k.RainMM, w.RainM = w.RainM*1000, 0

	temp, haveT := w.Temp.take(ms, staleWeather)
	rh, haveRH := w.RH.take(ms, staleWeather)
	wind, haveWind := w.Wind.take(ms, staleWeather)
	solar, haveSolar := w.Solar.take(ms, staleWeather)
	lo, hi, haveRange := w.extremes(ms)
	if haveT {
		k.TempC = temp
	}
	// The share of the day's radiation that falls in this stride spreads a daily figure.
	share := 0.0
	if daily := sun.DailyMJ(); daily > 0 {
		share = sun.HourlyMJ(ha) * dt / daily
	}
	if haveWind {
		wind = WindAt2M(wind, w.WindHeight)
	} else {
		wind = 2 // FAO-56: the world's mean
	}
	missing := 0
	for _, have := range [...]bool{haveRH, haveWind, haveSolar} {
		if !have {
			missing++
		}
	}
	switch {
	case haveT && haveSolar:
		k.Method = MethodStation
		if missing > 0 {
			k.Method = MethodPart
		}
		if !haveRH {
			// The air is near saturation at the night's lowest (equation 48).
			rh = 0.6
			if haveRange {
				rh = min(1, SaturationKPa(lo)/SaturationKPa(temp))
			}
		}
		rs := solar * 0.0036 // W/m2 to MJ/m2 an hour
		if sun.Elevation(ha) > sun.tells() {
			w.RatioLast += (rs/clear - w.RatioLast) * min(1, dt*2)
		}
		k.ETmm = max(0, HourlyFromWeather(temp, rh, wind, rs, w.RatioLast, p.Elev, sun.Elevation(ha) > 0)) * dt
	case haveT && haveRange && missing <= 2:
		// What the sun sent is then known by the day only (equation 50), and so is the rest.
		k.Method = MethodPart
		ea := SaturationKPa(lo)
		if haveRH {
			ea = rh * SaturationKPa(temp)
		}
		k.ETmm = max(0, dailyFromRange(lo, hi, ea, wind, sun.DailyMJ(), p.Elev)) * share
	case haveT && haveRange:
		k.Method = MethodHargreaves
		k.ETmm = max(0, HargreavesDaily(lo, hi, sun.DailyMJ())) * share
	case p.table:
		k.Method = MethodTable
		k.ETmm = p.monthly[mid.Month()-1] * share
	default:
		// Under a usual sky evaporation takes about two fifths of the clear-sky radiation.
		k.Method = MethodClearSky
		k.ETmm = 0.38 * 0.408 * ClearSkyShare(p.Elev) * sun.DailyMJ() * share
	}
	k.U = methodU[k.Method]
	return k
}

// usual is the reference evapotranspiration of the hours of the last days.
type usual struct{ MM, Hours [24]float64 } // mm/h; hours it is the mean of

// usualDays is over how many days the usual is a mean.
const usualDays = 5

// take returns what was usual in a stride of dt hours that ends at ms, mm, and takes what was.
func (u *usual) take(ms int64, dt, et float64) float64 {
	i := (ms - 1) / int64(time.Hour/time.Millisecond) % 24
	if u.Hours[i] == 0 {
		u.MM[i] = et / dt
	}
	was := u.MM[i] * dt
	u.Hours[i] = min(u.Hours[i]+dt, usualDays)
	u.MM[i] += (et/dt - u.MM[i]) * min(1, dt/u.Hours[i])
	return was
}
