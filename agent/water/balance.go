package water

import (
	"math"

	"bayledger/agent/site"
)

// Balance is the last stride of one bay as the watch sees it: what went in, what the weather
// asked, and what the level said against what was expected.
type Balance struct{ s *step }

// Hours is the length of the stride.
func (b Balance) Hours() float64 { return b.s.DT }

// MeteredL is the water metered in the stride, ETL the reference evapotranspiration on the bay,
// RainL the rain on it: litres.
func (b Balance) MeteredL() float64 { return b.s.Metered }

// ETL is the reference evapotranspiration on the bay in the stride, L.
func (b Balance) ETL() float64 { return b.s.ET }

// ETU is the relative standard uncertainty of a day's reference evapotranspiration by the means
// at hand.
func (b Balance) ETU() float64 { return b.s.ETU }

// RainL is the rain that fell on the bay in the stride, L.
func (b Balance) RainL() float64 { return b.s.Rain }

// Balance returns the last stride of the i-th bay. It is overwritten by the next Tick.
func (l *Ledger) Balance(i int) Balance { return Balance{&l.bays[i].step} }

// Look is what rules ask of a bay at every tick. Times are milliseconds since 1970, 0 for never.
type Look struct {
	Now int64

	LevelM, SmoothM float64 // last good reading; mean of about the last minute
	LevelAt         int64
	Quality         site.Quality
	NoiseM          float64
	BayM            float64 // the bay's level by the balance; NaN before the first stride
	LeadM           float64 // how far the chamber should stand above it
	BayUM           float64 // standard uncertainty of BayM
	Settled         bool

	SetM      float64 // NaN when not known
	SetMoved  int64
	SetBefore float64

	ValveKnown, ValveOpen bool
	ValveChanged          int64

	HasFlow, HasMeter               bool
	FlowM3S                         float64 // what runs now, NaN when nothing measures it
	FlowGood                        bool    // the flow point's last reading was good
	TotalM3                         float64 // metered since the start, up to the last reading
	MeterAt                         int64
	RunAt                           int64 // last moment water was seen to run
	RunM3S                          float64
	Runs                            bool
	FillFrom                        int64
	FillM3                          float64
	FillLevelM                      float64 // the bay's level before the fill
	Fills                           int
	LastFlowM3S, LastM3, LastLevelM float64 // of the last fill that ended: mean flow, volume, level before it
	LastPeakM3S                     float64 // highest flow read in it, 0 without a flow point
	LastFrom, LastTo                int64
	LastHighestM                    float64 // the highest it brought the chamber
	HabitM3S                        float64
	HabitStopM                      float64 // highest reading of usual fills; NaN when not known
	HabitStops                      int
	PulseM3, StartM3S               float64
	RestartAt                       int64 // when the meter's register last started again

	RoomM3   float64 // to the crest; NaN without one
	SlopeM2  float64 // learned dV/dh at the bay's level
	RainAt   int64   // when rain last reached the balance
	Seq      int64   // strides so far
	Maintain bool
	Dry      bool // a first fill is awaited or under way
	Overflow bool // the level stood at the crest in the last stride
}

// Bays is how many bays the ledger keeps; they are numbered in the order of the site file.
func (l *Ledger) Bays() int { return len(l.bays) }

// settled says whether the chamber shows the bay's level: it did at the last stride, and no water has run since,
// as a whole short fill may have.
func (y *bay) settled() bool { return y.st.Cum.Settled && !y.st.Runs && y.st.RunT <= y.st.Cum.T }

// Look fills k with the i-th bay at the last tick.
func (l *Ledger) Look(i int, k *Look) {
	y := l.bays[i]
	st := &y.st
	f := &st.F
	k.Now = l.st.Now
	k.LevelM, k.SmoothM, k.LevelAt, k.Quality = st.LevelMM/1000, st.SmoothMM/1000, st.GoodLevelT, st.LevelQ
	k.NoiseM = math.Sqrt(st.NoiseMM2) / 1000
	k.BayM, k.BayUM, k.Settled = f.H/1000, st.Cum.UH/1000, y.settled()
	lead := 0.0
	for n, x := range st.X {
		lead += f.X[sA1+n] * x
	}
	k.LeadM = lead / 1000
	k.SetM, k.SetMoved, k.SetBefore = st.SetMM/1000, st.SetChangeT, st.SetBeforeMM/1000
	k.ValveKnown, k.ValveOpen, k.ValveChanged = st.ValveKnow, st.ValveOpen, st.ValveChangeT
	k.HasFlow, k.HasMeter = y.flow != nil, y.meter != nil
	k.FlowM3S = y.flowNow(l.st.Now)
	k.FlowGood = st.FlowGood
	k.TotalM3 = st.Cum.Metered/1000 + st.IncM3
	k.MeterAt = st.RegT
	if y.meter == nil {
		k.MeterAt = st.FlowT
	}
	k.RunAt, k.RunM3S, k.Runs = st.RunT, st.RunM3S, st.Runs
	k.FillFrom, k.FillM3, k.FillLevelM = st.Fill.From, st.Fill.M3, st.Fill.LevelMM/1000
	k.LastFlowM3S, k.LastM3, k.LastLevelM, k.LastTo = st.Last.FlowM3S, st.Last.M3, st.Last.LevelMM/1000, st.Last.To
	k.LastPeakM3S, k.LastFrom, k.LastHighestM = st.Last.PeakM3S, st.Last.From, st.Last.HighestMM/1000
	k.Fills, k.HabitM3S = st.Fills, st.HabitFlow
	k.HabitStopM, k.HabitStops = st.HabitStopMM/1000, st.HabitStopN
	k.PulseM3, k.StartM3S = 0, y.startM3S
	if y.meter != nil && y.meter.PulseM3 > 0 {
		k.PulseM3 = y.meter.PulseM3
	}
	k.RestartAt = st.LastRestart
	k.RoomM3, k.SlopeM2 = math.NaN(), math.NaN()
	if !math.IsNaN(f.Ref) {
		k.RoomM3 = y.room() / 1000
		k.SlopeM2 = y.trueScale() * slopeMM(y.curve, f.H)
	}
	k.RainAt, k.Seq = st.LastRainT, st.Seq
	k.Maintain, k.Dry, k.Overflow = st.Maintain > l.st.Now, st.Dry, st.Overflowed
}

// HeldBetween is the water, m3, between two levels of the i-th bay, m, by the learned curve,
// with its standard uncertainty.
func (l *Ledger) HeldBetween(i int, low, high float64) (m3, u float64) {
	litres, ul := l.bays[i].heldL(low*1000, high*1000)
	return litres / 1000, ul / 1000
}

// Hold keeps the i-th bay from learning while a finding is open on it.
func (l *Ledger) Hold(i int, hold bool) {
	if st := &l.bays[i].st; st.LearnHold != hold {
		st.LearnHold = hold
		st.Span.pause(hold)
	}
}

// Drank takes it that what was told as a loss was the clay's: it drank in the evening the share of
// the day's evaporation, 1, more than its habit, and the habit is as unsure as that.
func (l *Ledger) Drank(i int, share float64) { l.bays[i].st.Habit.P[aW][aW] += sq(share) }

// Blind says that what the i-th bay is given is not measured (its meter is dead): no balance over
// such a time says anything.
func (l *Ledger) Blind(i int, blind bool) { l.bays[i].st.Blind = blind }

// Closed is true while the season is closed.
func (l *Ledger) Closed() bool { return l.st.Closed }

// MainL is the main meter's total since the start, L, and Pressure the supply pressure in Pa
// with the moment it was read (ms); NaN and 0 when the site does not have them.
func (l *Ledger) MainL() float64 { return l.st.MainL + l.st.MainInc }

// MainAt is when the main meter was last read, ms; 0 never.
func (l *Ledger) MainAt() int64 { return max(l.st.MainT, l.st.MainFlowT) }

// Pressure is the last good supply pressure, Pa, and when it was read, ms.
func (l *Ledger) Pressure() (pa float64, atMS int64) { return l.st.PressPa, l.st.PressT }

// TempC is the air temperature of the last stride; NaN when nothing measures it.
func (l *Ledger) TempC() float64 { return l.st.Sky.TempC }

// Day is true while the sun stood above the horizon in the last stride.
func (l *Ledger) Day() bool { return l.st.Sky.Day }

// ClearShare is the share of the clear sky's radiation that came lately while the sun stood high
// enough to tell, from 0 under a closed sky; NaN without a solar sensor that reads.
func (l *Ledger) ClearShare() float64 {
	if k := &l.st.W; k.Solar.At > 0 && l.st.Now-k.Solar.At <= staleWeather {
		return k.RatioLast
	}
	return math.NaN()
}
