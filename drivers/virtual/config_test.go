package virtual

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A configuration survives its JSON, and a file need hold only what differs.
func TestConfigJSON(t *testing.T) {
	c := anyHouse(11, 24*time.Hour)
	c.Weather.Spells = []Spell{{From: c.Start, To: c.Start.Add(time.Hour), WarmerC: 3}}
	text, err := json.Marshal(c)
	require.NoError(t, err)
	got, err := ReadConfig(bytes.NewReader(text), Default())
	require.NoError(t, err)
	require.Equal(t, c, got)

	some, err := ReadConfig(strings.NewReader(`{"seed": 9, "step": "10s", "faults": [{"kind": "leak", "bay": "A1", "size": 30}], "weather": {"cloud": 0.9}}`), Default())
	require.NoError(t, err)
	want := Default()
	want.Seed, want.Step, want.Weather.Cloud = 9, Span(10*time.Second), 0.9
	want.Faults = []Fault{{Kind: LinerLeak, Bay: "A1", Size: 30}}
	require.Equal(t, want, some)

	for _, bad := range []string{`{"step": "soon"}`, `{"stepp": "1s"}`, `{"seed": -1}`, `[`, ``} {
		_, err := ReadConfig(strings.NewReader(bad), Default())
		require.Error(t, err, bad)
	}
}

// Every mistake is told, all at once, each by its path.
func TestValidate(t *testing.T) {
	require.Empty(t, new(Default()).Validate())
	for path, spoil := range map[string]func(*Config){
		"site":                               func(c *Config) { c.Site = "events" },
		"start":                              func(c *Config) { c.Start = time.Time{} },
		"step":                               func(c *Config) { c.Step = Span(11 * time.Second) },
		"zone":                               func(c *Config) { c.Zone = "Mars/Olympus" },
		"latitude_deg":                       func(c *Config) { c.LatitudeDeg = math.NaN() },
		"longitude_deg":                      func(c *Config) { c.LongitudeDeg = 200 },
		"truth_every":                        func(c *Config) { c.TruthEvery = -1 },
		"supply.pressure_pa":                 func(c *Config) { c.Supply.PressurePa = math.Inf(1) },
		"supply.sag_pa":                      func(c *Config) { c.Supply.SagPa = c.Supply.PressurePa },
		"supply.leak_m3s":                    func(c *Config) { c.Supply.LeakM3S = -1 },
		"supply.draws[0].m3s":                func(c *Config) { c.Supply.Draws = []Draw{{M3S: -1}} },
		"instruments.main.pulse_m3":          func(c *Config) { c.Instruments.Main.PulseM3 = 0 },
		"instruments.rain_tip_m":             func(c *Config) { c.Instruments.RainTipM = 0 },
		"instruments.supply_unit":            func(c *Config) { c.Instruments.SupplyUnit = 1 },
		"courts":                             func(c *Config) { c.Courts, c.Neighbours = nil, nil },
		"courts[0].id":                       func(c *Config) { c.Courts[0].ID = "" },
		"courts[0].form":                     func(c *Config) { c.Courts[0].Form = "fresco" },
		"courts[1].unit":                     func(c *Config) { c.Courts[1].Unit = 250 },
		"courts[1].bays":                     func(c *Config) { c.Courts[1].Bays, c.Neighbours = nil, nil },
		"courts[0].bays[1].id":               func(c *Config) { c.Courts[0].Bays[1].ID = "A1"; c.Neighbours = nil },
		"courts[0].bays[0].area_m2":          func(c *Config) { c.Courts[0].Bays[0].AreaM2 = 0 },
		"courts[0].bays[0].factor":           func(c *Config) { c.Courts[0].Bays[0].Factor = -1 },
		"courts[0].bays[0].catch":            func(c *Config) { c.Courts[0].Bays[0].Catch = 1.1 },
		"courts[0].bays[0].layers[1]":        func(c *Config) { c.Courts[0].Bays[0].Layers[1].DrainablePorosity = 0.7 },
		"courts[0].bays[0].layers":           func(c *Config) { c.Courts[0].Bays[0].Layers[0].DepthM = 3 },
		"courts[0].bays[0].nominal.porosity": func(c *Config) { c.Courts[0].Bays[0].Nominal.Porosity = nil },
		"courts[0].bays[0].level_m":          func(c *Config) { c.Courts[0].Bays[0].LevelM = 0.2 },
		"courts[0].bays[0].meter":            func(c *Config) { c.Courts[0].Bays[0].Meter.Error = -1 },
		"neighbours[0]":                      func(c *Config) { c.Neighbours[0][1] = "Z1" },
		"faults[0].kind":                     func(c *Config) { c.Faults = []Fault{{Kind: "gremlins"}} },
		"acts[0].bay":                        func(c *Config) { c.Acts = []Act{{Kind: MoveSetPoint, Bay: "Z1", Value: 1}} },
		"acts[0].kind":                       func(c *Config) { c.Acts = []Act{{Kind: "sing", Bay: "A1"}} },
		"acts[0].until":                      func(c *Config) { c.Acts = []Act{{Kind: HandWater, Bay: "A1"}} },
		"acts[0].value":                      func(c *Config) { c.Acts = []Act{{Kind: MoveSetPoint, Bay: "A1"}} },
	} {
		c := Default()
		spoil(&c)
		problems := c.Validate()
		require.Len(t, problems, 1, "%s: %v", path, problems)
		require.Equal(t, path, problems[0].Path)
		require.NotEmpty(t, problems[0].What)
		require.NotEmpty(t, problems[0].Fix)
		_, err := New(c)
		require.Error(t, err, path)
	}
	c := Default()
	c.Zone, c.Step, c.Courts[1].Bays[2].SpreadS = "Mars/Olympus", 0, 0
	require.Len(t, c.Validate(), 3, "all at once")
}
