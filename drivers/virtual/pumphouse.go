package virtual

import "time"

// Default is the invented club every example uses: Harrowmere, two courts with three bays each,
// on a site near 50 degrees north. Its nominal figures are off by what surveys and books are off.
// Start and Seed are the caller's to choose.
func Default() Config {
	c := Config{
		Site: "harrowmere", Name: "Harrowmere Tennis Club",
		Seed: 1, Start: time.Date(2026, 7, 15, 16, 0, 0, 0, time.UTC), Step: Span(time.Second),
		Zone: "Europe/Berlin", LatitudeDeg: 50.6, LongitudeDeg: 9.7, ElevationM: 270,
		Weather: Weather{MeanC: 10, SeasonC: 9.5, DailyC: 6, DewBelowC: 5.5, WindMS: 2.2, Cloud: 0.35},
		Supply:  Supply{PressurePa: 320e3, SagPa: 30e3, WanderPa: 6e3, LowPa: 220e3, HighPa: 380e3},
		Controller: Controller{OneAtATime: true, Confirm: Span(20 * time.Second), MinRun: Span(20 * time.Second),
			MaxRun: Span(90 * time.Minute), Pause: Span(15 * time.Minute), Filter: Span(15 * time.Second)},
		Instruments: SiteInstruments{
			Main:     MeterConfig{PulseM3: 1e-3, StartM3S: 8 * lph, Error: 0.004, TotalM3: 2841.307},
			RainTipM: 0.2e-3, RainCatch: 0.97, SupplyUnit: 10, WeatherUnit: 11,
		},
		Courts: []CourtConfig{
			{ID: "A", Name: "Court A", Unit: 1, Form: FormInput, Bays: []BayConfig{
				defaultBay("A1", 97.5, 25, 0.245, 0.085, 80, 29, 342.187),
				defaultBay("A2", 83.0, 25, 0.215, 0.070, 72, 26, 176.540),
				defaultBay("A3", 124.0, 30, 0.285, 0.095, 86, 38, 358.002),
			}},
			{ID: "B", Name: "Court B", Unit: 2, Form: FormHolding, Bays: []BayConfig{
				defaultBay("B1", 106.0, 25, 0.230, 0.080, 84, 34, 142.022),
				defaultBay("B2", 88.5, 28, 0.255, 0.090, 66, 24, 999.612),
				defaultBay("B3", 101.0, 30, 0.225, 0.075, 62, 31, 25.736),
			}},
		},
		Neighbours: [][2]string{{"A1", "A2"}, {"A2", "A3"}, {"B1", "B2"}, {"B2", "B3"}},
	}
	b := c.bays()
	// No two bays are alike: evaporation, catch, settling, sensors and meters of their own.
	for i, k := range []struct {
		factor, catch, spread, chamber, noise, perDeg, meterErr float64
		area, stone, clay                                       float64 // nominal over true
	}{
		{1.02, 0.93, 1500, 90, 0.5e-3, 0.04e-3, 0.006, 1.02, 1.12, 0.85},
		{0.91, 0.90, 1100, 60, 0.4e-3, -0.03e-3, -0.009, 0.98, 0.86, 1.15},
		{1.08, 0.95, 1900, 120, 0.6e-3, 0.06e-3, 0.004, 1.01, 1.22, 1.10},
		{0.97, 0.92, 1400, 80, 0.5e-3, 0.02e-3, -0.005, 0.985, 0.90, 0.80},
		{0.88, 0.88, 1000, 70, 0.4e-3, -0.05e-3, 0.010, 1.025, 1.18, 1.25},
		{1.05, 0.94, 1700, 100, 0.7e-3, 0.03e-3, -0.003, 0.975, 0.80, 0.95},
	} {
		b[i].Factor, b[i].Catch, b[i].SpreadS, b[i].ChamberS = k.factor, k.catch, k.spread, k.chamber
		b[i].Level.NoiseM, b[i].Level.PerDegM, b[i].Meter.Error = k.noise, k.perDeg, k.meterErr
		b[i].Nominal = NominalFacts{AreaM2: round(b[i].AreaM2*k.area, 0.5), Porosity: []float64{
			round(b[i].Layers[0].DrainablePorosity*k.stone, 0.01), round(b[i].Layers[1].DrainablePorosity*k.clay, 0.01)}}
	}
	b[5].Level.LoopTopM = 0.25
	return c
}

// defaultBay is a bay of the default pump house: lengths in mm, fill in L/min, meter in m3.
func defaultBay(id string, area, clay, stonePorosity, clayPorosity, setPoint, fill, meter float64) BayConfig {
	return BayConfig{
		ID: id, Name: id, AreaM2: area,
		Layers: []LayerConfig{{Name: "stone", DepthM: 0.1, DrainablePorosity: stonePorosity},
			{Name: "clay", DepthM: clay * 1e-3, DrainablePorosity: clayPorosity, Surface: true}},
		FringeM: 0.012, FloorUnevenM: 0.002, HysteresisM: 0.004, Turn: 0.5,
		SpreadS: 1500, ChamberM2: 0.07, ChamberS: 90,
		CrestM: 0.106, OverflowM: 0.2, OverflowM3S: 60 * lpm, KerbM: 0.015,
		Factor: 1, Catch: 0.92, ClayWaterM: 0.12 * clay * 1e-3, RewetS: 2.5 * 3600,
		LevelM:    setPoint*1e-3 - 0.001,
		SetPointM: setPoint * 1e-3, BandM: 0.004, FillM3S: fill * lpm, TravelS: 8,
		Level: LevelSensor{NoiseM: 0.5e-3, QuantumM: 0.1e-3},
		Meter: MeterConfig{PulseM3: 1e-4, StartM3S: 25 * lph, TotalM3: meter},
	}
}

// round rounds to a multiple of q.
func round(x, q float64) float64 {
	n := x / q
	return float64(int64(n+0.5)) * q
}
