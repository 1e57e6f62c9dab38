package watch

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// nightsOf has a site learn n nights of half a day each, in which the air falls by k for the root of an hour, the wind is
// as given, and the day's sun showed so clear a sky. It returns the site two and a half hours into the next.
func nightsOf(n int, clear, k float64, wind func(h float64) float64) (*frostState, int64) {
	s := &frostState{Clear: clear, Sunrise: 1, Wind: wind(2.5)}
	dusk := time.Date(2025, 3, 20, 18, 0, 0, 0, time.UTC).UnixMilli()
	course := func(to float64) int64 {
		s.Dark, s.Sunset, s.DuskC = true, dusk, 8
		for h := 0.0; h <= to; h += 0.5 {
			i := (dusk + int64(h*float64(hour))) / halfHour
			s.T = s.DuskC - k*math.Sqrt(h)
			s.Halves[i%50], s.Course[i%50], s.Blew[i%50] = i, s.T, math.Log(wind(h))
		}
		return dusk + int64(to*float64(hour))
	}
	for range n {
		s.Nights.learn(s, course(12))
		dusk += day
	}
	s.WndAt = course(2.5)
	return s, s.WndAt
}

// What stands at the ground freezes in the night's lull, not in its mean wind, and how far that goes is the site's own.
func TestTheNightsLullIsLearned(t *testing.T) {
	steady := func(float64) float64 { return 2 }
	lull := func(h float64) float64 {
		if h == 8 {
			return 0.6
		}
		return 2
	}
	k0, _ := (&frostState{Dark: true, WndAt: 1, Wind: 2}).calm(1)
	s, now := nightsOf(10, 0.8, 2, steady)
	k1, _ := s.calm(now)
	s, now = nightsOf(10, 0.8, 2, lull)
	k2, _ := s.calm(now)
	require.InDelta(t, k0, k1, 0.2)
	require.Greater(t, k2, 1.5*k1)
}

// Where every night falls steeply whatever the sky, a steep fall does not show a clear one.
func TestASteepFallIsTheSitesOwn(t *testing.T) {
	wind := func(float64) float64 { return 1 }
	s, now := nightsOf(0, 0.4, 2.5, wind)
	first, _ := s.margin(now)
	s, now = nightsOf(10, 0.4, 2.5, wind)
	known, _ := s.margin(now)
	require.Greater(t, first, known+0.4)
	s.Dark = false
	bySun, _ := s.margin(now)
	require.InDelta(t, bySun, known, 0.3)
}

// A site whose days are clear, or never, is believed to have such a night, half clear as the day may have looked.
func TestTheSitesDaysTellHowClearItsNightsAre(t *testing.T) {
	at := func(days float64) float64 {
		s := frostState{Clear: 0.5}
		for range 10 {
			s.Nights.Clears.learn(&frostState{Clear: days}, 1)
		}
		k, _ := s.margin(1)
		return k
	}
	s := frostState{Clear: 0.5}
	k, _ := s.margin(1)
	require.InDelta(t, groundC/2, k, 1e-9)
	require.Greater(t, at(1), k+0.4)
	require.Less(t, at(0), k-0.4)
}

// A mast of ten metres has more wind than what lies on the ground.
func TestWindIsTakenAtTwoMetres(t *testing.T) {
	at := func(height float64) float64 {
		o := newOutdoors(t)
		for i, p := range o.s.Points {
			if p.ID == "wind" {
				o.s.Points[i].HeightM = height
			}
		}
		o.read(time.Date(2025, 3, 20, 0, 0, 0, 0, time.UTC), map[string]float64{"wind": 4})
		return o.w.st.Frost.Wind
	}
	require.InDelta(t, 4, at(2), 0.01)
	require.InDelta(t, 3, at(10), 0.01) // FAO-56: 0.748 of it
}

// Where cloudy days are followed by nights that fall little, or a cold evening by no colder night than a mild one, the
// forecast by the mean fall learns it, and how surely it then knows.
func TestTheForecastOfANightLeansAsTheSitesNightsDo(t *testing.T) {
	at := time.Date(2025, 3, 20, 18, 0, 0, 0, time.UTC).UnixMilli()
	learned := func(n int, night func(odd bool) (clear, air, low float64)) (fair, foul, u float64) {
		var s nights
		for i := range n {
			f := &frostState{Sunset: at}
			clear, air, low := night(i%2 == 1)
			f.T = low
			for k, c := range []float64{air, low} {
				j := (at + int64(k)*halfHour) / halfHour
				f.Halves[j%50], f.Course[j%50], f.Skies[j%50], f.Blew[j%50] = j, c, clear, math.NaN()
			}
			s.learn(f, at+halfHour)
			at += day
		}
		clear, air, _ := night(false)
		fair, u, _ = s.lowest(air, clear, at)
		clear, air, _ = night(true)
		foul, _, _ = s.lowest(air, clear, at)
		return fair, foul, u
	}
	cloud := func(odd bool) (clear, air, low float64) {
		if odd {
			return 0.2, 10, 6
		}
		return 0.9, 10, 2
	}
	fair, foul, _ := learned(2, cloud)
	require.InDelta(t, fair, foul, 1)
	fair, foul, few := learned(8, cloud)
	require.Less(t, fair, foul-1.5)
	_, _, many := learned(30, cloud)
	require.Less(t, many, few)
	mild, cold, _ := learned(30, func(odd bool) (clear, air, low float64) {
		if odd {
			return math.NaN(), 6, 2
		}
		return math.NaN(), 12, 2
	})
	require.Greater(t, cold, mild-4.5)
}
