package agent_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/agent/water"
	"bayledger/drivers/virtual"
)

// TestWhatLiesBetweenTheBranchesIsCarried: a field whose stone holds four millimetres of level more
// when it drains than when it fills (the model crosses from branch to branch by a law of its own, and
// what it holds is the judge). Every other day the set points go down by 30 mm or up again. An account
// that was given both branches, as its club measured them, says of nine days in ten how much the held
// water changed, within what it states; one that was given the curve between them is surer than it
// may be.
func TestWhatLiesBetweenTheBranchesIsCarried(t *testing.T) {
	const wide, down, days = 0.004, 0.030, 14
	var inside [2]int // without branches, and with
	var off [2]float64
	all := 0
	for seed := range uint64(3) {
		c := virtual.Default()
		c.Seed, c.Step, c.Start = 500+seed, virtual.Span(10*time.Second), time.Date(2026, 6, 20, 22, 0, 0, 0, time.UTC)
		c.Controller.Windows, c.Acts, c.Faults = nil, nil, nil
		for i := range c.Courts {
			for j := range c.Courts[i].Bays {
				b := &c.Courts[i].Bays[j]
				// Stone alone, on an even floor, so that what was measured is the layers' figure.
				b.HysteresisM, b.Turn, b.FringeM, b.FloorUnevenM = wide, 0.8, 0, 0
				b.Nominal = virtual.NominalFacts{AreaM2: b.AreaM2, Porosity: []float64{b.Layers[0].DrainablePorosity, b.Layers[1].DrainablePorosity}}
				for day := 2; day < days; day += 2 {
					c.Acts = append(c.Acts, virtual.Act{Kind: virtual.MoveSetPoint, Bay: b.ID, At: c.Start.AddDate(0, 0, day).Add(10 * time.Hour),
						Value: b.SetPointM - down*float64(day/2%2)})
				}
			}
		}
		text, err := virtual.SiteYAML(c, virtual.TCPLine("127.0.0.1:1502"))
		require.NoError(t, err)
		f, err := virtual.New(c)
		require.NoError(t, err)
		var ledgers [2]*water.Ledger
		var facts *site.Site
		for k := range ledgers {
			cfg, problems := sitefile.Load([]byte(text), "branches.yaml")
			require.Empty(t, problems)
			facts = cfg.Site
			for b := range facts.Bays() {
				b.FloorUnevenM = 0
				if k == 1 {
					b.Storage = measured(b, wide)
				}
			}
			ledgers[k] = water.New(facts)
		}
		held := map[string][]float64{}
		for at := c.Start.Add(time.Minute); at.Before(c.Start.AddDate(0, 0, days)); at = at.Add(time.Minute) {
			f.Advance(at)
			for _, p := range facts.Points {
				v, q, why := f.Read(p.ID)
				for _, l := range ledgers {
					l.Sample(site.Sample{Point: p.ID, Time: at, Value: v, Quality: q, Why: why})
				}
			}
			for _, l := range ledgers {
				l.Tick(at)
			}
			if local := at.In(facts.Zone); local.Hour() == 0 && local.Minute() == 0 {
				for b := range facts.Bays() {
					a, err := f.Truth(b.ID)
					require.NoError(t, err)
					held[b.ID] = append(held[b.ID], a.Drainable)
				}
			}
		}
		for b := range facts.Bays() {
			truth := held[b.ID]
			for k, l := range ledgers {
				accounts := l.Days(b.ID)
				accounts = accounts[len(accounts)-len(truth)+1:]
				for i := 4; i < len(accounts); i++ { // after the first days of learning
					d := accounts[i].HeldM3 - (truth[i+1] - truth[i])
					if math.Abs(d) <= accounts[i].HeldU {
						inside[k]++
					}
					off[k] += d * d
					all += k
				}
			}
		}
	}
	rms := func(k int) float64 { return 1000 * math.Sqrt(off[k]/float64(all)) }
	t.Logf("of %d bay-days %d inside with both branches, %d with the curve between them; off by %.0f L and %.0f L (root mean square)", all, inside[1], inside[0], rms(1), rms(0))
	require.GreaterOrEqual(t, inside[1], all*9/10)
	require.Greater(t, inside[1], inside[0])
}

// measured is what a club finds that drains its bay slowly and fills it slowly, and writes down the
// litres at a few levels of the stone, which holds its porosity times the height.
func measured(b *site.Bay, wide float64) (table []site.StoragePoint) {
	for _, h := range []float64{0.02, 0.04, 0.06, 0.075, 0.085} {
		phi := b.AreaM2 * b.Layers[0].DrainablePorosity
		half := wide / 2 * min(1, h/0.02)
		table = append(table, site.StoragePoint{LevelM: h, HoldsM3: phi * (h + half), FilledM3: phi * (h - half)})
	}
	return table
}
