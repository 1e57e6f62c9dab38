package virtual

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// anyFault returns a random fault of a random kind for the pump house.
func anyFault(r *rand.Rand, c *Config, span time.Duration) Fault {
	info := FaultKinds[r.IntN(len(FaultKinds))]
	f := Fault{Kind: info.Kind, From: c.Start.Add(time.Duration(r.Int64N(int64(span))))}
	if r.IntN(3) > 0 {
		f.To = f.From.Add(time.Minute + time.Duration(r.Int64N(int64(span))))
	}
	all := c.bays()
	switch info.scope {
	case ofBay:
		f.Bay = all[r.IntN(len(all))].ID
	case ofPair:
		n := c.Neighbours[r.IntN(len(c.Neighbours))]
		f.Bay, f.Other = n[0], n[1]
	case ofUnit:
		f.Unit = c.Courts[r.IntN(len(c.Courts))].Unit
	}
	if info.Default != 0 && r.IntN(2) == 0 {
		f.Size = info.Default * math.Exp(r.NormFloat64())
		switch f.Kind {
		case StuckOpen, LowFlow, MeterWrong, MainWrong:
			f.Size = math.Copysign(min(math.Abs(f.Size), 95), f.Size)
		case ChamberClogged:
			f.Size = max(f.Size, 1)
		}
	}
	return f
}

// anyHouse returns the default pump house with everything varied, some faults and some acts.
func anyHouse(seed uint64, span time.Duration) Config {
	r := rand.New(rand.NewPCG(seed, 1))
	c := Default()
	c.Seed = seed
	c.Step = Span([]time.Duration{time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second}[seed%4])
	c.Weather.ShowersPerDay, c.Weather.ShowerM = r.Float64()*4, 0.02*r.Float64()
	c.Controller.OneAtATime = r.IntN(2) == 0
	if r.IntN(2) == 0 {
		c.Controller.Windows = []site.DayWindow{{From: 20 * 60, To: 8 * 60}}
	}
	vary := func(x *float64, by float64) { *x *= math.Exp(by * r.NormFloat64()) }
	for _, b := range c.bays() {
		for _, x := range []*float64{&b.AreaM2, &b.Factor, &b.SpreadS, &b.ChamberS, &b.FillM3S, &b.RewetS, &b.OverflowM3S, &b.HysteresisM, &b.FloorUnevenM, &b.Turn} {
			vary(x, 0.4)
		}
		b.LevelM = r.Float64() * 0.12
		b.SetPointM = 0.05 + 0.05*r.Float64()
		b.CrestM = b.SetPointM + 0.005 + 0.03*r.Float64()
		b.LeakM2 = float64(r.IntN(2)) * 1e-6 * r.Float64()
	}
	for range r.IntN(8) {
		c.Faults = append(c.Faults, anyFault(r, &c, span))
	}
	for range r.IntN(3) {
		at := c.Start.Add(time.Duration(r.Int64N(int64(span))))
		c.Acts = append(c.Acts, Act{Kind: HandWater, Bay: "B1", At: at, Until: at.Add(10 * time.Minute), Value: 0.3 * r.Float64()})
	}
	c.Supply.Draws = []Draw{{From: c.Start.Add(time.Hour), To: c.Start.Add(2 * time.Hour), M3S: 20 * lpm}}
	return c
}

// Every litre that came in is held or has gone out by a way that is in the book, and what the
// supply line gave is what the bays, its leak and its other uses took: an identity that needs
// no outside source.
func TestMassCloses(t *testing.T) {
	const span = 20 * time.Hour
	for seed := uint64(1); seed <= 10; seed++ {
		c := anyHouse(seed, span)
		require.Empty(t, c.Validate(), "seed %d", seed)
		f, err := New(c)
		require.NoError(t, err, "seed %d", seed)
		begin := map[string]Account{}
		for _, b := range c.bays() {
			begin[b.ID], err = f.Truth(b.ID)
			require.NoError(t, err)
		}
		f.Advance(c.Start.Add(span))
		bays, seeped := 0.0, 0.0
		for _, b := range c.bays() {
			a, err := f.Truth(b.ID)
			require.NoError(t, err)
			d := a.Since(begin[b.ID])
			in := d.Filled + d.Rain + d.Hand
			require.InDelta(t, 0, d.Residual(), 1e-9*max(in, 0.01), "seed %d, bay %s: %+v", seed, b.ID, d)
			for name, x := range map[string]float64{"filled": d.Filled, "rain": d.Rain, "evaporated": d.Evaporated, "overflowed": d.Overflowed,
				"displaced": d.Displaced, "leaked": d.Leaked, "drainable": a.Drainable, "clay": a.ClayWater, "chamber": a.ChamberWater} {
				require.GreaterOrEqual(t, x, 0.0, "seed %d, bay %s: %s", seed, b.ID, name)
			}
			require.False(t, math.IsNaN(a.ChamberM) || math.IsNaN(a.BayM), "seed %d, bay %s", seed, b.ID)
			bays += d.Filled
			seeped += d.Seeped
		}
		require.InDelta(t, 0, seeped, 1e-12, "seed %d: what one bay loses its neighbour gains", seed)
		s := f.Supply()
		require.InDelta(t, s.Drawn, bays+s.Leaked+s.Used, 1e-9*max(s.Drawn, 0.01), "seed %d: supply line", seed)
	}
}

// The same seed gives the same readings however Advance is called and whoever reads between.
func TestCallsDoNotMatter(t *testing.T) {
	const span = 5 * time.Hour
	for seed := uint64(1); seed <= 3; seed++ {
		c := anyHouse(seed, span)
		end := c.Start.Add(span)
		show := func(f *Field) string {
			s := ""
			for _, r := range f.Registers() {
				v, q, why := f.Read(r.Point)
				s += fmt.Sprintln(r.Point, v, q, why)
			}
			for _, b := range c.bays() {
				a, err := f.Truth(b.ID)
				require.NoError(t, err)
				s += fmt.Sprintln(a)
			}
			return s + fmt.Sprintln(f.Onsets())
		}
		one, err := New(c)
		require.NoError(t, err)
		one.Advance(end)
		two, err := New(c)
		require.NoError(t, err)
		r := rand.New(rand.NewPCG(seed, 2))
		for at := c.Start; at.Before(end); at = at.Add(time.Duration(r.Int64N(int64(90 * time.Second)))) {
			two.Advance(at)
			two.Advance(at.Add(-time.Minute)) // time never goes back
			two.Read(two.points[r.IntN(len(two.points))].Point)
		}
		two.Advance(end)
		require.Equal(t, show(one), show(two), "seed %d", seed)

		c.Seed += 1000
		other, err := New(c)
		require.NoError(t, err)
		other.Advance(end)
		require.NotEqual(t, show(one), show(other), "another seed must be another night")
	}
}
