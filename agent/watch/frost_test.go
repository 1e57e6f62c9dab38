package watch

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// outdoors is a watch that sees the weather alone, for a site at 48 N on the meridian, so that its
// noon is 12:00.
type outdoors struct {
	*world
	last *site.Finding // what was said last, a note too
	told time.Time     // when frost was last first foretold, with an hour; zero while it is not
	sure time.Time     // when it was first likely enough to wake somebody, nineteen to one; zero before
}

func newOutdoors(t *testing.T) *outdoors {
	return &outdoors{world: newWorld(t, 1, func(s *site.Site) {
		nan := math.NaN()
		s.Points = s.Points[:0]
		for id, q := range map[string]site.Quantity{"temp": site.AirTemperature, "rh": site.Humidity, "wind": site.Wind, "press": site.Pressure, "A1-level": site.Level} {
			p := site.Point{ID: id, Quantity: q, Interval: 5 * time.Minute, Min: nan, Max: nan, UStd: nan, Resolution: nan, PulseM3: nan, ModulusM3: nan, StartM3S: nan, MeterU: nan}
			if q == site.Level {
				p.Bay = "A1"
			}
			s.Points = append(s.Points, p)
		}
		slices.SortFunc(s.Points, func(a, b site.Point) int { return map[bool]int{true: -1, false: 1}[a.ID < b.ID] })
	})}
}

// read gives readings and ticks; NaN is none. It returns what is foretold, not a note.
func (o *outdoors) read(at time.Time, readings map[string]float64) *site.Finding {
	for _, p := range o.s.Points {
		if x, ok := readings[p.ID]; ok && !math.IsNaN(x) {
			smp := site.Sample{Point: p.ID, Time: at, Value: x}
			o.l.Sample(smp)
			o.w.Sample(smp)
		}
	}
	o.l.Tick(at)
	f := has(o.w.Tick(at), site.FreezeRisk, "")
	o.last = f
	switch {
	case f == nil:
		o.told, o.sure = time.Time{}, time.Time{}
	case f.ToSoft == site.NoTimeLeft:
		return nil // a note
	case o.told.IsZero():
		o.told = at
	}
	if f != nil && o.sure.IsZero() && f.Confidence >= 0.95 {
		o.sure = at
	}
	return f
}

// daylight is when the sun rises and sets at 48 N, hours (FAO-56, equations 24, 25 and 34).
func daylight(day time.Time) (rise, set float64) {
	decl := 0.409 * math.Sin(2*math.Pi*float64(day.YearDay())/365-1.39)
	half := 12 / math.Pi * math.Acos(-math.Tan(48*math.Pi/180)*math.Tan(decl))
	return 12 - half, 12 + half
}

// humidity of air at c with a dew point (FAO-56, equation 11).
func humidity(c, dew float64) float64 {
	e := func(t float64) float64 { return math.Exp(17.27 * t / (t + 237.3)) }
	return min(1, e(dew)/e(c))
}

// radiationFrosts are the nights of the FAO's frost handbook (Snyder and de Melo-Abreu 2005, Frost
// Protection, volume 1, chapter 5, the example of its forecast, as the R package frost repeats it):
// air and dew point two hours after sunset, and the night's lowest, degC.
var radiationFrosts = [][3]float64{
	{3.2, -4.2, -3.1}, {0.8, -8.8, -5.0}, {0.2, -6.5, -6.3}, {2.6, -6.2, -5.4}, {4.4, -6.1, -4.0},
	{5.2, 2.6, -2.5}, {2.7, -0.7, -4.8}, {1.2, -1.7, -5.0}, {4.5, -1.2, -4.4}, {5.6, 0.1, -3.3},
}

// TestFrostTrend is the handbook's own check of the course of such a night, which the nights below
// follow: from 0.95 to -5.45 degC in a night of 15 h.
func TestFrostTrend(t *testing.T) {
	for h, want := range map[float64]float64{3: -0.825, 6: -2.600, 10: -4.071, 15: -5.45} {
		require.InDelta(t, want, frostTrend(0.95, -5.45, 15, h), 0.001)
	}
}

// frostTrend is the air h hours after sunset, from the second on, in a night of n hours: by the root
// of the hours since the second (the handbook's FTrend; the watch goes by an exponential).
func frostTrend(two, lowest, n, h float64) float64 {
	return two + (lowest-two)*math.Sqrt((h-2)/(n-2))
}

// Every published radiation frost is foretold while a line can still be drained. Half of these
// nights freeze within four hours of sunset: no trend tells that six hours ahead.
func TestPublishedFrostsAreForetold(t *testing.T) {
	var leads, sure []time.Duration
	for _, night := range radiationFrosts {
		two, dew, lowest := night[0], night[1], night[2]
		o := newOutdoors(t)
		day := time.Date(2025, 3, 20, 0, 0, 0, 0, time.UTC) // nights of twelve hours
		var frozen time.Time
		for at := day.Add(6 * time.Hour); at.Before(day.Add(30 * time.Hour)); at = at.Add(5 * time.Minute) {
			h := at.Sub(day).Hours()
			var c float64
			switch {
			case h < 15: // a clear day warms by ten degrees and more
				c = two + 9 - 12*math.Pow(math.Cos(math.Pi/2*(h-6)/9), 2)
			case h < 20:
				c = two + 9*math.Cos(math.Pi/2*(h-15)/5)
			default:
				c = frostTrend(two, lowest, 12, h-18)
			}
			o.read(at, map[string]float64{"temp": c, "rh": humidity(c, min(dew, c)), "wind": 1})
			if frozen.IsZero() && h >= 20 && c <= 0 {
				frozen = at
				break
			}
		}
		require.False(t, o.told.IsZero(), "%v is not foretold", night)
		leads = append(leads, frozen.Sub(o.told))
		require.False(t, o.sure.IsZero(), "%v wakes nobody", night)
		sure = append(sure, frozen.Sub(o.sure))
	}
	slices.Sort(leads)
	slices.Sort(sure)
	t.Log("before the air is at freezing:", leads, "and nineteen to one:", sure)
	require.GreaterOrEqual(t, leads[0], 90*time.Minute) // one that freezes two and a half hours after sunset
	require.GreaterOrEqual(t, leads[len(leads)/2], 150*time.Minute)
	require.GreaterOrEqual(t, sure[0], time.Hour)
	require.GreaterOrEqual(t, sure[len(sure)/2], 2*time.Hour)
}

// days are the daily extremes of four years, from testdata.
func days(t *testing.T) (first time.Time, highest, lowest []float64) {
	f, err := os.Open("testdata/days.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	first, err = time.Parse(time.DateOnly, rows[1][0])
	require.NoError(t, err)
	for _, row := range rows[1:] {
		hi, err := strconv.ParseFloat(row[1], 64)
		require.NoError(t, err)
		lo, err := strconv.ParseFloat(row[2], 64)
		require.NoError(t, err)
		highest, lowest = append(highest, hi), append(lowest, lo)
	}
	return first, highest, lowest
}

// Four winters of a station's days: the warmest at two in the afternoon and the coldest at sunrise are
// measured, the course between goes by a cosine (de Wit 1978) until two hours after sunset and by
// the handbook's root after that. Nights that froze are told hours before; of the others hardly any
// that stayed clear of freezing is. The probability that is given in the afternoon, which rests on the
// measured extremes alone, is as often right as it says.
func TestFrostOverFourWinters(t *testing.T) {
	first, highest, lowest := days(t)
	o := newOutdoors(t)
	nights, frosts, missed, late, false_, mild := 0, 0, 0, 0, 0, 0
	said := map[float64]*reliability{14: {}, 17: {}}
	for i := range len(highest) - 1 {
		day := first.AddDate(0, 0, i)
		if day.Month() >= time.May && day.Month() <= time.September {
			continue
		}
		rise, set := daylight(day)
		next, _ := daylight(day.AddDate(0, 0, 1))
		hi, lo := highest[i], lowest[i+1]
		evening := hi + (lo-hi)*0.5*(1-math.Cos(math.Pi*(set+2-14)/(24+next-14)))
		begun := lowest[i]
		var told, frozen time.Time
		for at := day.Add(time.Duration(rise * float64(time.Hour))).Truncate(5 * time.Minute); at.Sub(day).Hours() < 24+next; at = at.Add(5 * time.Minute) {
			h := at.Sub(day).Hours()
			var c float64
			switch {
			case h < 14:
				c = begun + (hi-begun)*0.5*(1-math.Cos(math.Pi*(h-rise)/(14-rise)))
			case h < set+2:
				c = hi + (lo-hi)*0.5*(1-math.Cos(math.Pi*(h-14)/(24+next-14)))
			default:
				c = frostTrend(evening, lo, 24+next-set, h-set)
			}
			f := o.read(at, map[string]float64{"temp": c})
			if told, at := said[h], at.UnixMilli(); told != nil && h > 12 {
				if c, u, ok := o.w.st.Frost.tonight(at); ok {
					told.add(freezes(c, u), lo <= 0)
				}
			}
			if f != nil && told.IsZero() && h > 12 {
				told = at
			}
			if frozen.IsZero() && h > set && c <= 0 {
				frozen = at
			}
		}
		nights++
		switch {
		case lo <= 0 && hi > 2: // a night that froze after a day that had not
			frosts++
			if told.IsZero() {
				missed++
			} else if !frozen.IsZero() && frozen.Sub(told) < time.Hour {
				late++
			}
		case lo > 3:
			mild++
			if !told.IsZero() {
				false_++
			}
		}
	}
	t.Logf("%d nights: %d froze, %d of them missed, %d told within the last hour; %d stayed over 3 degrees, told in %d", nights, frosts, missed, late, mild, false_)
	require.Greater(t, frosts, 50)
	require.Zero(t, missed)
	require.LessOrEqual(t, late, frosts/10)
	require.LessOrEqual(t, false_, mild/50)
	for h, r := range said {
		r.check(t, h)
	}
}

// reliability is how often it froze of the nights to which a probability was given, by fifths of it.
type reliability struct {
	p     [5]float64 // sum
	froze [5]int
	n     [5]int
}

func (r *reliability) add(p float64, froze bool) {
	i := min(4, int(5*p))
	r.p[i] += p
	r.n[i]++
	if froze {
		r.froze[i]++
	}
}

// check compares what was said in the afternoon with what came: in each fifth within what chance
// explains in 99 of 100.
func (r *reliability) check(t *testing.T, h float64) {
	for i, n := range r.n {
		p := r.p[i] / float64(n)
		t.Logf("at %.0f:00, %d nights with a probability of %.2f in the mean: %d froze (%.2f)", h, n, p, r.froze[i], float64(r.froze[i])/float64(n))
		require.InDelta(t, float64(n)*p, float64(r.froze[i]), 2.6*math.Sqrt(float64(n)*p*(1-p)))
	}
}

// A clear night's ground is colder than the air, a windy or a cloudy one's is not.
func TestGroundIsColderOnAClearNight(t *testing.T) {
	lowest := func(fall, wind float64) (told bool) {
		o := newOutdoors(t)
		day := time.Date(2025, 3, 20, 0, 0, 0, 0, time.UTC)
		for at := day.Add(12 * time.Hour); at.Before(day.Add(29 * time.Hour)); at = at.Add(5 * time.Minute) {
			h := at.Sub(day).Hours()
			c := 1.6 + fall*(1-math.Sqrt(max(0, h-18)/11)) // 1.6 at the end, whatever falls before
			if o.read(at, map[string]float64{"temp": c, "wind": wind, "rh": 0.5}) != nil {
				told = true
			}
		}
		return told
	}
	require.True(t, lowest(7, 1), "clear and calm: 1.6 degrees in the screen are frost on the ground")
	require.False(t, lowest(1.5, 1), "under cloud it hardly falls")
	require.False(t, lowest(4, 6), "wind mixes the air")
}

// A fresh summer night is none; damp air gives its warmth back at the dew point.
func TestSummerNightAndDampAir(t *testing.T) {
	run := func(month time.Month, dusk, fall, dew float64) (earliest float64) {
		o := newOutdoors(t)
		day := time.Date(2025, month, 20, 0, 0, 0, 0, time.UTC)
		_, set := daylight(day)
		earliest = math.NaN()
		for at := day.Add(12 * time.Hour); at.Before(day.Add(28 * time.Hour)); at = at.Add(5 * time.Minute) {
			h := at.Sub(day).Hours()
			c := dusk + 6*math.Sin(math.Pi*max(0, set-h)/12)
			if h > set {
				c = dusk - fall*math.Sqrt((h-set)/6)
			}
			if o.read(at, map[string]float64{"temp": c, "rh": humidity(c, min(dew, c))}) != nil && math.IsNaN(earliest) {
				earliest = c
			}
		}
		return earliest
	}
	require.True(t, math.IsNaN(run(time.June, 12, 6, 6)), "a fresh summer night")
	dry, damp := run(time.October, 7, 5, -6), run(time.October, 7, 5, 6)
	require.False(t, math.IsNaN(dry))
	require.False(t, damp > dry, "damp air is told later or not at all")
}

// Frost is told while something holds water: in an open season always, in a closed one only what a
// reading still shows.
func TestFrostOnlyWhereWaterStands(t *testing.T) {
	o := newOutdoors(t)
	at := time.Date(2025, 1, 10, 0, 0, 0, 0, time.UTC)
	tell := func(readings map[string]float64) *site.Finding {
		var f *site.Finding
		for range 24 {
			at = at.Add(5 * time.Minute)
			readings["temp"] = -4
			f = o.read(at, readings)
		}
		return f
	}
	require.NotNil(t, tell(map[string]float64{}), "in an open season everything holds water")
	closed := site.Record{Time: at, Kind: site.RecSeason, Text: "closed"}
	o.l.Record(closed)
	o.w.Record(closed)
	require.Nil(t, tell(map[string]float64{}), "closed and drained, its sensors in store")
	require.Nil(t, tell(map[string]float64{"A1-level": 0.002, "press": 4e3}), "they hang in the air, the line is relieved")
	f := tell(map[string]float64{"A1-level": 0.045, "press": 4e3})
	require.NotNil(t, f)
	require.Contains(t, said(f.Because), "the chamber of A1")
	f = tell(map[string]float64{"A1-level": 0.002, "press": 180e3})
	require.NotNil(t, f)
	require.Contains(t, said(f.Because), "the supply line")
	require.NotContains(t, said(f.Because), "chamber")
}

// The day before tells a frost earlier than the evening's own fall does.
func TestYesterdayTellsTheEvening(t *testing.T) {
	const highest, dusk, lowest = 9.0, 5.0, -5.4 // at three, six and six
	course := func(h float64) float64 {
		switch h = math.Mod(h+18, 24) + 6; { // 6 to 30
		case h < 15:
			return lowest + (highest-lowest)*0.5*(1-math.Cos(math.Pi*(h-6)/9))
		case h < 18:
			return highest + (dusk-highest)*(h-15)/3
		}
		return dusk + (lowest-dusk)*math.Sqrt((h-18)/12)
	}
	o := newOutdoors(t)
	first := time.Date(2025, 3, 20, 0, 0, 0, 0, time.UTC)
	var leads []time.Duration
	var frozen bool
	for at := first.Add(12 * time.Hour); at.Before(first.Add(52 * time.Hour)); at = at.Add(5 * time.Minute) {
		c := course(at.Sub(first).Hours())
		o.read(at, map[string]float64{"temp": c, "wind": 5}) // so that the ground is no colder
		switch {
		case c > 4:
			frozen = false
		case c <= 0 && !frozen:
			frozen = true
			require.False(t, o.told.IsZero(), "%v", at)
			leads = append(leads, at.Sub(o.told))
		}
	}
	t.Log(leads)
	require.Len(t, leads, 2)
	require.GreaterOrEqual(t, leads[1], leads[0]+30*time.Minute)
}

// A night that may freeze is spoken of in the afternoon, without an hour; what froze is over before
// the next note, so that every night has an alarm of its own.
func TestANightThatMayFreezeIsNoted(t *testing.T) {
	o := newOutdoors(t)
	first := time.Date(2025, 3, 20, 0, 0, 0, 0, time.UTC)
	quiet := 0
	for at := first; at.Before(first.Add(96 * time.Hour)); at = at.Add(5 * time.Minute) {
		h := math.Mod(at.Sub(first).Hours(), 24)
		c := 5 - 4.5*math.Cos(math.Pi*(h-6)/9) // 0.5 at six, 9.5 at three
		if h < 6 || h >= 15 {
			c = 9.5 - 9*math.Sqrt(math.Mod(h-15+24, 24)/15)
		}
		o.read(at, map[string]float64{"temp": c, "wind": 1})
		f := o.last
		if f == nil {
			quiet++
		} else if f.ToSoft == site.NoTimeLeft {
			require.Regexp(t, `^Tonight may freeze, \d in 10: the air is at -?\d\.\d degrees C and can be expected to reach -?\d\.\d degrees C by sunrise, about 0[56]:\d0, `, said(f.Because))
		}
		switch {
		case h == 10:
			require.Nil(t, f, "the night is over")
		case h == 12 && at.Sub(first) > 24*time.Hour:
			require.NotNil(t, f)
			require.Equal(t, site.NoTimeLeft, f.ToSoft)
			require.InDelta(t, 0.6, f.Confidence, 0.3)
		}
	}
	require.Greater(t, quiet, 24*12, "a first day, of which nothing is known, and the mornings")
}

// Until the night's own fall tells how clear it is, the day's sun does; what nothing tells is wide.
func TestSunTellsHowColdTheGroundWillBe(t *testing.T) {
	now := time.Date(2025, 3, 20, 18, 0, 0, 0, time.UTC).UnixMilli()
	at := func(clear float64) (k, u float64) {
		s := frostState{Dark: true, Sunset: now - hour/2, DuskC: 6, T: 5.5, Clear: clear}
		return s.ground(now, 3)
	}
	overcast, _ := at(0)
	unknown, wide := at(math.NaN())
	clear, u := at(1)
	require.Less(t, overcast, unknown-0.5)
	require.Greater(t, clear, unknown+0.5)
	require.Less(t, u, wide)
	s := frostState{Dark: false, Sunset: now - 20*hour, Clear: 1}
	k, _ := s.ground(now, 1)
	require.Zero(t, k, "by day")
	k, _ = s.ground(now, 5)
	require.Greater(t, k, 1.5, "in the coming night")
}

// A frost after mild nights takes more to be believed than on the same evening after nights that nearly froze.
func TestAFrostAfterMildNightsIsLessSure(t *testing.T) {
	likely := func(milder float64) float64 {
		o := newOutdoors(t)
		first := time.Date(2025, 6, 10, 0, 0, 0, 0, time.UTC)
		at := first
		for ; at.Before(first.Add(9*24*time.Hour - 3*time.Hour)); at = at.Add(5 * time.Minute) {
			h := math.Mod(at.Sub(first).Hours(), 24)
			c := 6 - 6*math.Cos(math.Pi*(h-4)/11) // 0 at four, 12 at three in the afternoon
			if h < 4 || h >= 15 {
				c = 12 - 12*math.Sqrt(math.Mod(h-15+24, 24)/13)
			}
			if at.Sub(first) < 7*24*time.Hour {
				c += milder
			}
			o.read(at, map[string]float64{"temp": c})
		}
		return o.w.st.Frost.likely(at.Add(-5 * time.Minute).UnixMilli())
	}
	mild, cold := likely(8), likely(0)
	require.Less(t, mild, cold-0.05)
	require.Greater(t, mild, 0.5*cold, "it is believed none the less")
}

// The wind of a windy afternoon is not the night's: how it drops after sunset is learned from the site's own nights,
// and until then it is not taken for sure.
func TestTheNightsWindIsLearned(t *testing.T) {
	margin := func(nights int, atNight float64) (k, u float64) {
		o := newOutdoors(t)
		first := time.Date(2025, 3, 20, 0, 0, 0, 0, time.UTC)
		at := first
		for ; at.Before(first.Add(time.Duration(nights)*24*time.Hour + 15*time.Hour)); at = at.Add(5 * time.Minute) {
			h := math.Mod(at.Sub(first).Hours(), 24)
			wind := 5.0
			if h < 6 || h >= 18 {
				wind = atNight
			}
			c := 12 - 6*math.Cos(math.Pi*(h-6)/9)
			if h < 6 || h >= 15 {
				c = 18 - 12*math.Sqrt(math.Mod(h-15+24, 24)/15)
			}
			o.read(at, map[string]float64{"temp": c, "wind": wind})
		}
		return o.w.st.Frost.margin(at.Add(-5 * time.Minute).UnixMilli())
	}
	calm, _ := margin(6, 0.5)
	windy, sure := margin(6, 5)
	unknown, unsure := margin(0, 5)
	require.Greater(t, calm, 1.8, "five metres a second that are gone by night")
	require.Less(t, windy, 0.75, "five that stay")
	require.Greater(t, unknown, windy)
	require.Greater(t, unsure, sure)
}

// A frost of the end of a long night is foretold at dusk, by sunrise, where the last nights went so.
func TestAFrostOfTheNightsEndIsForetoldAtDusk(t *testing.T) {
	o := newOutdoors(t)
	first := time.Date(2025, 11, 20, 0, 0, 0, 0, time.UTC)
	var told time.Time
	var left time.Duration
	for at := first; at.Before(first.Add(8*24*time.Hour + 6*time.Hour)); at = at.Add(5 * time.Minute) {
		h := math.Mod(at.Sub(first).Hours()+24-7, 24) // since sunrise, about
		c := 5 - 7*math.Cos(math.Pi*h/7)              // from -2 to 12
		if h >= 7 {
			c = 12 - 14*math.Sqrt((h-7)/17)
		}
		f := o.read(at, map[string]float64{"temp": c, "wind": 6}) // so that the ground is hardly colder
		if at.Sub(first) > 7*24*time.Hour+12*time.Hour && f != nil && told.IsZero() {
			told, left = at, f.ToSoft
		}
		if !told.IsZero() && c <= 0 {
			require.Greater(t, at.Sub(told), 6*time.Hour)
			require.Greater(t, left, at.Sub(told))
			require.Less(t, left, 17*time.Hour)
			return
		}
	}
	require.Fail(t, "it never froze, or was not foretold")
}
