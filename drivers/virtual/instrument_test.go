package virtual

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// A sensor without a vent tube follows the barometer by 10.2 mm a hPa (p / (rho g) with 998.2
// kg/m3; check value K-6 gives 0.70433 m a psi, which is 10.216 mm a hPa).
func TestUnventedSensorFollowsTheBarometer(t *testing.T) {
	read := func(unvented bool, pa float64) float64 {
		var s sensor
		c := LevelSensor{Unvented: unvented}
		fx := noEffects()
		s.read(&c, &fx, 1, 1, 0, 0.08, 15, pa)
		return s.readM
	}
	require.InDelta(t, 0.7043323772/68.94757293168361, read(true, 101325+100)-read(true, 101325), 1e-6)
	require.Zero(t, read(false, 101325+1000)-read(false, 101325))
	require.InDelta(t, 0.08, read(true, 101325), 1e-12)
}

// The noise has the stated spread, no bias, and the quantum; the temperature effect is the
// stated one.
func TestSensorNoise(t *testing.T) {
	c := LevelSensor{NoiseM: 0.001, QuantumM: 0.0005, PerDegM: 0.0002, OffsetM: 0.003}
	fx := noEffects()
	s := sensor{stream: stream("x")}
	const n = 400000
	sum, sq := 0.0, 0.0
	for k := range n {
		s.read(&c, &fx, 7, uint64(k), float64(k), 0.08, 25, standardPa)
		require.InDelta(t, math.Round(s.readM/0.0005), s.readM/0.0005, 1e-9)
		d := s.readM - 0.08 - 0.003 - 10*0.0002
		sum += d
		sq += d * d
	}
	// 0.8 of the noise is white, 0.6 wanders over 300 s: 1333 independent spans bound the mean.
	require.InDelta(t, 0, sum/n, 4*0.0006/math.Sqrt(n/300.0))
	require.InEpsilon(t, 0.001, math.Sqrt(sq/n), 0.05)
}

// Box and Muller's numbers are standard normal: moments, and shares beyond two and three sigma
// (0.0455003 and 0.0026998, from the error function).
func TestGauss(t *testing.T) {
	const n = 1 << 20
	var sum, sq, cube, quad float64
	beyond := map[float64]float64{2: 0, 3: 0}
	for k := range uint64(n) {
		x := gauss(3, stream("gauss"), k)
		sum += x
		sq += x * x
		cube += x * x * x
		quad += x * x * x * x
		for s := range beyond {
			if math.Abs(x) > s {
				beyond[s]++
			}
		}
	}
	require.InDelta(t, 0, sum/n, 5/math.Sqrt(n))
	require.InDelta(t, 1, sq/n, 5*math.Sqrt(2.0/n))
	require.InDelta(t, 0, cube/n, 5*math.Sqrt(15.0/n))
	require.InDelta(t, 3, quad/n, 5*math.Sqrt(96.0/n))
	for s, count := range beyond {
		want := math.Erfc(s / math.Sqrt2)
		require.InDelta(t, want, count/n, 5*math.Sqrt(want/n), "%v sigma", s)
	}
}

// A meter counts whole pulses of what passes above its starting flow.
func TestMeter(t *testing.T) {
	m := meter{cfg: &MeterConfig{PulseM3: 0.01, StartM3S: 25 * lph, TotalM3: 1.234}}
	require.Equal(t, 123.0, m.counts())
	m.register(24*lph, 3600, 1, 0, false)
	require.Equal(t, 123.0, m.counts(), "below its starting flow it stands")
	m.register(26*lph, 3600, 1, 0, false)
	require.Equal(t, 126.0, m.counts(), "1.26 m3: 126 whole pulses")
	m.register(0.001, 3600, 1, 0, true)
	require.Equal(t, 126.0, m.counts(), "a dead one stands")
	m.register(0, 3600, 1, 10*lph, false)
	require.Equal(t, 127.0, m.counts(), "a creeping one counts nothing that flows")
}

// The controller fills one bay at a time, starts only in its windows, keeps its pause, and
// brings every bay into its band.
func TestController(t *testing.T) {
	c := Default()
	c.Step = Span(2 * time.Second)
	c.Controller.Windows = []site.DayWindow{{From: 21 * 60, To: 6 * 60}}
	f := newField(t, c)
	zone, err := time.LoadLocation(c.Zone)
	require.NoError(t, err)
	fills := 0
	was := make([]bool, 6)
	stopped := make([]time.Time, 6)
	for f.Now().Before(c.Start.Add(36 * time.Hour)) {
		f.Advance(f.Now().Add(2 * time.Second))
		open := 0
		for i, b := range f.bays {
			if b.ctl.command {
				open++
			}
			switch {
			case b.ctl.command && !was[i]:
				fills++
				local := f.Now().In(zone)
				require.True(t, local.Hour() >= 21 || local.Hour() < 6, "%s begins at %v", b.cfg.ID, local)
				if !stopped[i].IsZero() {
					require.GreaterOrEqual(t, f.Now().Sub(stopped[i]), 15*time.Minute)
				}
			case !b.ctl.command && was[i]:
				stopped[i] = f.Now()
			}
			was[i] = b.ctl.command
		}
		require.LessOrEqual(t, open, 1)
	}
	require.Greater(t, fills, 8)
	for _, b := range f.bays {
		require.Less(t, b.zones[near].levelM, b.ctl.setPointM+0.02)
	}
	dawn := newField(t, c)
	dawn.Advance(time.Date(2026, 7, 16, 3, 50, 0, 0, time.UTC))
	for _, b := range dawn.bays {
		require.Greater(t, b.chamberM, b.ctl.setPointM-1.5*b.cfg.BandM, b.cfg.ID)
	}
}

// A set point that is moved is held from then on, and shown by its register.
func TestMoveSetPoint(t *testing.T) {
	c := Default()
	at := c.Start.Add(time.Hour)
	c.Acts = []Act{{Kind: MoveSetPoint, Bay: "B2", At: at, Value: 0.080}}
	f := newField(t, c)
	v, _, _ := f.Read("B2-setpoint")
	require.InDelta(t, 0.066, v, 1e-6)
	f.Advance(at.Add(time.Second))
	v, _, _ = f.Read("B2-setpoint")
	require.InDelta(t, 0.080, v, 1e-6)
	f.Advance(at.Add(10 * time.Hour))
	require.InDelta(t, 0.080, truth(t, f, "B2").BayM, 0.005)
}

// What people do with the chamber: a sensor lifted out shows less than an empty bay, water runs
// out where the overflow was taken out, a drain empties the bay.
func TestActsOnTheChamber(t *testing.T) {
	c := quiet()
	at := c.Start.Add(time.Minute)
	end := at.Add(6 * time.Hour)
	c.Acts = append(c.Acts, Act{Kind: LiftSensor, Bay: "A1", At: at, Until: end}, Act{Kind: TakeOverflow, Bay: "A2", At: at, Until: end},
		Act{Kind: OpenDrain, Bay: "A3", At: at, Until: end}, Act{Kind: HandWater, Bay: "B1", At: at, Until: at.Add(5 * time.Minute), Value: 0.1})
	f := newField(t, c)
	f.Advance(at.Add(10 * time.Minute))
	v, _, _ := f.Read("A1-level")
	require.Less(t, v, -0.02)
	require.InDelta(t, 0.1, truth(t, f, "B1").Hand, 1e-12)
	f.Advance(end)
	require.Less(t, truth(t, f, "A2").BayM, 0.03)
	require.Less(t, truth(t, f, "A3").BayM, 0.03)
	require.Greater(t, truth(t, f, "A3").Displaced, 1.0)
	f.Advance(end.Add(time.Minute))
	v, _, _ = f.Read("A1-level")
	require.InDelta(t, truth(t, f, "A1").ChamberM, v, 0.004)
}

// The gauge counts whole tips of the rain that fell, times what it catches.
func TestRainGauge(t *testing.T) {
	c := quiet()
	from := c.Start.Add(time.Hour)
	c.Weather.Showers = []Shower{{From: from, To: from.Add(40 * time.Minute), DepthM: 0.0074}}
	f := newField(t, c)
	f.Advance(from.Add(time.Hour))
	v, _, _ := f.Read("rain")
	require.InDelta(t, math.Floor(0.0074*0.97/0.0002)*0.0002, v, 1e-9)
	for _, b := range f.bays {
		a := truth(t, f, b.cfg.ID)
		require.InEpsilon(t, 0.0074*b.cfg.AreaM2*b.cfg.Catch, a.Rain, 1e-4, b.cfg.ID)
	}
}

// The weather of a summer day at the default site is that of a summer day: bounds from general
// knowledge (clear-sky noon at 50 degrees north 850 to 1000 W/m2; a reference evaporation of 3 to
// 7 mm on a dry July day; little at night).
func TestWeatherOfASummerDay(t *testing.T) {
	c := Default()
	c.Weather.Cloud = 0
	s := newSky(&c)
	day := time.Date(2026, 7, 16, 0, 0, 0, 0, time.UTC)
	noon, total, night := 0.0, 0.0, 0.0
	warm, cold := math.Inf(-1), math.Inf(1)
	for m := range 1440 {
		a := s.at(day.Add(time.Duration(m) * time.Minute))
		noon = max(noon, a.SolarWM2)
		total += a.EvaporationMS * 60
		if a.SolarWM2 == 0 {
			night += a.EvaporationMS * 60
		}
		warm, cold = max(warm, a.TempC), min(cold, a.TempC)
		require.True(t, a.RH > 0.1 && a.RH <= 1, "%+v", a)
		require.GreaterOrEqual(t, a.WindMS, 0.0)
		require.InDelta(t, 981e2, a.PressurePa, 3500, "270 m above the sea")
	}
	require.InDelta(t, 920, noon, 90)
	require.InDelta(t, 5e-3, total, 2e-3)
	require.Greater(t, night, 0.0)
	require.Less(t, night, 0.15*total)
	require.Greater(t, warm-cold, 6.0)

	// In winter the sun is low whatever the calendar of the run says.
	c.Weather.DayOfYear = 355
	w := newSky(&c)
	require.Less(t, w.at(day.Add(11*time.Hour+20*time.Minute)).SolarWM2, 350.0)
	// A spell changes what it says.
	c.Weather.DayOfYear = 0
	c.Weather.Spells = []Spell{{From: day.Add(-24 * time.Hour), To: day.Add(48 * time.Hour), WarmerC: 8, WindFactor: 3, DryC: 4}}
	hot := newSky(&c)
	at := day.Add(12 * time.Hour)
	require.InDelta(t, 8, hot.at(at).TempC-s.at(at).TempC, 1e-9)
	require.InEpsilon(t, 3, hot.at(at).WindMS/s.at(at).WindMS, 1e-9)
	require.Greater(t, hot.at(at).EvaporationMS, 1.4*s.at(at).EvaporationMS)
}

// A day's air is coldest at sunrise and warmest at three in the afternoon, whatever its length; it
// falls all night, ever slower, without a step in value or slope where the night takes over (what
// Goettsche and Olesen ask of their exponential).
func TestDayCourse(t *testing.T) {
	for _, length := range []float64{4, 6, 8, 10, 12, 14, 16, 18, 20} {
		rise := 12 - length/2
		require.InDelta(t, -1, dayCourse(rise, length), 1e-9)
		require.InDelta(t, -1, dayCourse(rise+24-1e-9, length), 1e-6, "%v: the night ends where the day begins", length)
		require.InDelta(t, 1, dayCourse(15, length), 1e-9)
		const dh = 0.01
		set := max(12+length/2, 16)
		require.InDelta(t, dayCourse(set-dh, length)-dayCourse(set-2*dh, length), dayCourse(set+2*dh, length)-dayCourse(set+dh, length), 1e-3, "%v", length)
		last, fell := dayCourse(set, length), math.Inf(1)
		for h := set + dh; h < 24+rise; h += dh {
			c := dayCourse(math.Mod(h, 24), length)
			require.Less(t, c, last, "%v at %v", length, h)
			require.LessOrEqual(t, last-c, fell+1e-9)
			last, fell = c, last-c
		}
	}
	require.InDelta(t, 12, dayLength(50*math.Pi/180, 0), 1e-9, "at the equinox")
	require.InDelta(t, 16.2, dayLength(50*math.Pi/180, 23.45*math.Pi/180), 0.05, "midsummer at 50 degrees north, from memory of almanacs without refraction")
}

// The ground is several degrees colder than the air on a clear calm night, hardly colder under cloud
// or in wind (Brugge 2011 and FAO Environment and Natural Resources 10, 2005).
func TestGroundAtNight(t *testing.T) {
	night := Air{TempC: 4, DewC: 0, WindMS: 0.8}
	require.InDelta(t, 4, groundBelow(night), 1.5)
	cloudy, windy := night, night
	cloudy.Cloud, windy.WindMS = 1, 6
	require.Less(t, groundBelow(cloudy), 1.6)
	require.Less(t, groundBelow(windy), 1.5)
}

// Random rain brings the climate's mean: rate times depth, over a thousand days.
func TestRandomRain(t *testing.T) {
	c := Default()
	c.Weather.ShowersPerDay, c.Weather.ShowerM = 0.7, 0.006
	s := newSky(&c)
	n, depth := 0, 0.0
	const days = 4000
	for slot := range int64(4 * days) {
		if h, ok := s.dice(slot); ok {
			n++
			depth += h.DepthM
			require.True(t, h.To.After(h.From))
		}
	}
	// At most one shower in six hours: 4 (1 - exp(-0.7/4)) = 0.642 a day.
	want := 4 * (1 - math.Exp(-0.7/4)) * days
	require.InDelta(t, want, n, 4*math.Sqrt(want))
	require.InEpsilon(t, 0.006, depth/float64(n), 0.08)
	// The rate integrates to the depth: trapezium over the hump.
	h := Shower{From: c.Start, To: c.Start.Add(time.Hour), DepthM: 0.01}
	sum := 0.0
	for k := range 3600 {
		sum += h.rate(c.Start.Add(time.Duration(k) * time.Second))
	}
	require.InEpsilon(t, 0.01, sum, 1e-9)
}

// Between gives the account of a span at the noted moments, and the sum of two spans is the
// whole.
func TestBetween(t *testing.T) {
	c := Default()
	f := newField(t, c)
	at := func(m int) time.Time { return c.Start.Add(time.Duration(m) * time.Minute) }
	f.Advance(at(600))
	mid := truth(t, f, "A1")
	f.Advance(at(1205))
	a, err := f.Between("A1", at(0), at(600))
	require.NoError(t, err)
	require.Equal(t, mid.Filled, a.Filled)
	require.Equal(t, at(600), a.Time)
	b, err := f.Between("A1", at(605), at(1205))
	require.NoError(t, err)
	all, err := f.Between("A1", at(0), at(1205))
	require.NoError(t, err)
	require.InDelta(t, all.Evaporated, a.Evaporated+b.Evaporated, 1e-12, "605 counts as 600")
	require.InDelta(t, all.Held, a.Held+b.Held, 1e-12)
	_, err = f.Between("Z1", at(0), at(1))
	require.ErrorContains(t, err, "Z1")
	_, err = f.Between("A1", at(-1), at(1))
	require.ErrorContains(t, err, "began")
	_, err = f.Between("A1", at(5), at(1))
	require.Error(t, err)
}
