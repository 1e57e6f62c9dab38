package water

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// Stride is how often the balance is struck.
const Stride = 5 * time.Minute

const strideMS = int64(Stride / time.Millisecond)

// longest is the longest stride the balance takes at once; a longer silence is walked through.
const longest = hour

// Ledger keeps the account of every bay of one site. It has no clock: Sample, Record and Tick
// move it, in time order, and each must be called from one goroutine at a time. What comes late,
// twice or out of order is ignored.
type Ledger struct {
	s     *site.Site
	place place
	bays  []*bay
	byID  map[string]int
	index *site.Index
	refs  []pointRef // in the order of the site's points
	st    ledgerState
	main  *site.Point
	mflow *site.Point
	under []Window // under way, by bay, and whether they can be judged
	live  []bool
	parts []Window
	can   []bool
	odd   []bool
	cuts  []cutAt
	dev   []float64
	vars  []float64

	departs []departure
}

// ledgerState is what a snapshot keeps of the site.
type ledgerState struct {
	Now, Last int64 // ms: last tick, last stride
	Midnight  int64 // ms, the local midnight after Last
	W         weather
	Main      Register
	MainT     int64
	MainL     float64 // L, since the start
	MainInc   float64 // L, in the stride under way
	MainFlow  float64
	MainFlowT int64
	PressPa   float64
	PressT    int64
	AirPa     float64
	DayMain   float64
	DayBays   float64
	Mains     []Main
	Strides   int64
	Closed    bool // the season is closed
	UnseenT   int64
	Sky       sky // of the last stride
	DuskT     int64
	WasDay    bool
	Pace      pace
	Usual     usual // evapotranspiration by the hour of the day
}

type pointRef struct {
	bay int // -1 for the site
	q   site.Quantity
	k   quantityIndex
}

// quantityIndex saves comparing strings for every sample.
type quantityIndex uint8

const (
	qOther quantityIndex = iota
	qLevel
	qFlow
	qMeter
	qValve
	qSetPoint
	qWaterTemp
	qWeather
	qPressure
	qAirPressure
)

var indexOf = map[site.Quantity]quantityIndex{
	site.Level: qLevel, site.Flow: qFlow, site.Volume: qMeter, site.ValveOpen: qValve, site.SetPoint: qSetPoint, site.WaterTemp: qWaterTemp,
	site.AirTemperature: qWeather, site.Humidity: qWeather, site.Wind: qWeather, site.Solar: qWeather, site.Rain: qWeather,
	site.Pressure: qPressure, site.AirPressure: qAirPressure,
}

// New returns a ledger for the site with nothing in it but the site file's nominal figures.
func New(s *site.Site) *Ledger {
	l := &Ledger{s: s, place: newPlace(s), byID: map[string]int{}, index: site.NewIndex(s.Points), refs: make([]pointRef, len(s.Points))}
	for b := range s.Bays() {
		l.byID[b.ID] = len(l.bays)
		l.bays = append(l.bays, newBay(s, b))
	}
	l.cuts = make([]cutAt, len(l.bays))
	for i := range s.Points {
		p := &s.Points[i]
		r := pointRef{bay: -1, q: p.Quantity, k: indexOf[p.Quantity]}
		if p.Bay != "" {
			r.bay = noBay
			if n, ok := l.byID[p.Bay]; ok {
				r.bay = n
			}
		}
		l.refs[i] = r
	}
	l.st.W.init()
	l.st.Pace.init()
	if w := s.Find("", site.Wind); w != nil {
		l.st.W.WindHeight = w.HeightM
	}
	l.main, l.mflow = s.Find("", site.Volume), s.Find("", site.Flow)
	l.st.Main.ModulusM3 = math.NaN()
	if l.main != nil {
		l.st.Main.PulseM3, l.st.Main.ModulusM3 = l.main.PulseM3, l.main.ModulusM3
	}
	for _, y := range l.bays {
		l.st.Main.MaxM3S += y.st.Reg.MaxM3S
	}
	l.st.Sky.TempC = math.NaN()
	l.st.PressPa, l.st.AirPa, l.st.MainFlow = math.NaN(), math.NaN(), math.NaN()
	return l
}

// Site is the site the ledger is kept for.
func (l *Ledger) Site() *site.Site { return l.s }

// Sample takes one reading, calibration applied. A point the site does not have is ignored.
func (l *Ledger) Sample(s site.Sample) {
	i, ok := l.index.Find(s.Point)
	if !ok {
		return
	}
	r := l.refs[i]
	if r.bay == noBay {
		return
	}
	t := s.Time.UnixMilli()
	v, q := s.Value, s.Quality
	if math.IsNaN(v) || math.IsInf(v, 0) {
		q = site.Bad
	}
	if r.bay < 0 {
		l.siteSample(r, t, v, q)
		return
	}
	y := l.bays[r.bay]
	switch r.k {
	case qLevel:
		y.sampleLevel(t, v, q)
	case qFlow:
		y.sampleFlow(t, v, q)
	case qMeter:
		y.sampleMeter(t, v, q)
	case qValve:
		y.sampleValve(t, v, q)
	case qSetPoint:
		if q != site.Bad && t > y.st.SetT {
			y.st.SetT = t
			y.setPointMoved(t, v*1000)
		}
	case qWaterTemp:
		if q != site.Bad {
			y.st.WaterTempC = v
		}
	}
}

func (l *Ledger) siteSample(r pointRef, t int64, v float64, q site.Quality) {
	if q == site.Bad {
		return
	}
	st := &l.st
	switch {
	case r.k == qWeather:
		st.W.sample(r.q, t, v)
	case r.k == qMeter && t > st.MainT:
		st.MainT = t
		inc, _ := st.Main.Add(float64(t)/1000, v)
		st.MainInc += inc * 1000
	case r.k == qFlow && t > st.MainFlowT:
		if l.main == nil && st.MainFlowT > 0 && t-st.MainFlowT < 5*minute {
			st.MainInc += (max(0, st.MainFlow) + max(0, v)) / 2 * float64(t-st.MainFlowT)
		}
		st.MainFlow, st.MainFlowT = v, t
	case r.k == qPressure && t > st.PressT:
		st.PressPa, st.PressT = v, t
	case r.k == qAirPressure:
		st.AirPa = v
	}
}

// Record takes what a person put on record; what the account has no use for is ignored.
func (l *Ledger) Record(r site.Record) {
	t := r.Time.UnixMilli()
	for i, y := range l.bays {
		if r.Bay != "" && l.byID[r.Bay] != i || r.Bay == "" && r.Subject != "" && l.bayOf(r.Subject) != i {
			continue
		}
		if r.Bay != "" && l.s.Bay(r.Bay) == nil {
			return
		}
		st := &y.st
		switch r.Kind {
		case site.RecHandWatering:
			if r.Value > 0 && r.Bay != "" {
				st.ByHandM3 += r.Value
			}
		case site.RecMaintenance:
			st.Maintain = max(st.Maintain, r.Until.UnixMilli())
		case site.RecMeterReplaced:
			if r.Bay != "" || y.meter != nil && y.meter.ID == r.Subject {
				st.Reg = Register{PulseM3: st.Reg.PulseM3, ModulusM3: st.Reg.ModulusM3, MaxM3S: st.Reg.MaxM3S}
				st.LastRestart = t
			}
		case site.RecSensorChanged, site.RecCalibration:
			if y.level != nil && y.level.ID == r.Subject && !math.IsNaN(st.F.Ref) {
				// The level starts anew; what is known of the bay stays.
				st.F.P[sW][sW] += sq(50 * slopeMM(y.curve, st.F.Ref))
				st.F.X[sB] = 0
				st.LevelMM = math.NaN()
			}
		case site.RecSetPoint:
			if y.setPoint == nil && r.Bay != "" {
				y.setPointMoved(t, r.Value*1000)
				st.SetFixed = true
			}
		case site.RecSeason:
			if r.Text == "open" && l.st.Closed {
				st.Dry = true
			}
		}
	}
	if r.Kind == site.RecMeterReplaced && l.main != nil && r.Subject == l.main.ID {
		l.st.Main = Register{PulseM3: l.st.Main.PulseM3, ModulusM3: l.st.Main.ModulusM3, MaxM3S: l.st.Main.MaxM3S}
	}
	if r.Kind == site.RecSeason {
		l.st.Closed = r.Text == "closed"
	}
}

// noBay stands for a bay the site does not have; its points are ignored.
const noBay = -2

// bayOf is the index of the bay a point belongs to, -1 for none.
func (l *Ledger) bayOf(point string) int {
	if i, ok := l.index.Find(point); ok {
		return max(-1, l.refs[i].bay)
	}
	return -1
}

// Tick says that data time has come to t. Strides whose end has passed are closed. A t that is
// not later than the last is ignored.
func (l *Ledger) Tick(t time.Time) {
	now := t.UnixMilli()
	st := &l.st
	if now <= st.Now {
		return
	}
	st.Now = now
	for _, y := range l.bays {
		y.fresh, y.slopes = y.fresh[:0], y.slopes[:0]
		y.settleLevel()
		y.fades(now, 0)
		y.endFill(now)
	}
	if st.Last == 0 {
		st.Last = now - now%strideMS
		st.Midnight = l.nextMidnight(st.Last)
		return
	}
	for now-st.Last >= strideMS {
		to := st.Last + strideMS
		if behind := now - now%strideMS - st.Last; behind > strideMS {
			// Ticks were missed: walk in the longest strides that do not pass a midnight.
			to = min(st.Last+longest, now-now%strideMS, max(st.Midnight, st.Last+strideMS))
		}
		l.strideTo(to)
	}
}

func (l *Ledger) strideTo(to int64) {
	st := &l.st
	from, until := time.UnixMilli(st.Last).UTC(), time.UnixMilli(to).UTC()
	l.st.Sky = st.W.stride(l.place, from, until)
	st.Sky.UsualMM = st.Usual.take(to, until.Sub(from).Hours(), st.Sky.ETmm)
	midnight := to >= st.Midnight
	st.MainL += st.MainInc
	st.MainInc = 0
	for _, y := range l.bays {
		y.stride(st.Last, to, &l.st.Sky)
	}
	l.unseenRain(to)
	l.windows(to)
	for _, y := range l.bays {
		y.white(to, midnight)
		y.close(to, midnight, l.s.Revision)
	}
	if midnight {
		l.closeMain(st.Midnight)
		st.Midnight = l.nextMidnight(to)
	}
	st.Last = to
	st.Strides++
}

// unseenRain looks, on a site without a rain gauge, for water that arrives on most bays at once
// with no meter turning: that is the sky. The balance then takes the level's word for some hours.
func (l *Ledger) unseenRain(to int64) {
	if l.s.Find("", site.Rain) != nil || len(l.bays) < 2 {
		return
	}
	wet, all := 0, 0
	for _, y := range l.bays {
		if !y.step.Obs || y.step.Poor {
			continue
		}
		all++
		// Wet has unit variance while the surprises are white.
		if y.st.Wet > 2.5 && y.st.Cum.T-y.st.RunT > 10*minute {
			wet++
		}
	}
	if wet >= 2 && wet*2 >= all {
		l.st.UnseenT = to
	}
	if l.st.UnseenT > 0 && to-l.st.UnseenT < hour {
		for _, y := range l.bays {
			// Up to ten millimetres an hour may be falling.
			f := &y.st.F
			f.P[sW][sW] += sq(10 * y.b.AreaM2 * y.step.DT)
			y.st.Soak = max(y.st.Soak, 2*y.b.AreaM2)
			f.P[sE][sE] = max(f.P[sE][sE], 0.25)
			y.st.LastRainT = to
			y.st.Cum.Spoils++
		}
	}
}

func (l *Ledger) closeMain(at int64) {
	bays := 0.0
	for _, y := range l.bays {
		bays += y.st.Cum.Metered
	}
	st := &l.st
	if l.main != nil || l.mflow != nil {
		m, b := (st.MainL-st.DayMain)/1000, (bays-st.DayBays)/1000
		from := at - 24*hour
		if n := len(st.Mains); n > 0 {
			from = st.Mains[n-1].To.UnixMilli()
		}
		q := 0.0
		if l.main != nil && l.main.PulseM3 > 0 {
			q = PulseU(l.main.PulseM3)
		}
		st.Mains = append(st.Mains, Main{From: time.UnixMilli(from).UTC(), To: time.UnixMilli(at).UTC(), MainM3: m, BaysM3: b,
			MainU: 2 * math.Sqrt(sq(classTwo*m)+sq(classTwo*b)+q*q)})
		if len(st.Mains) > dayKeep {
			st.Mains = st.Mains[1:]
		}
	}
	st.DayMain, st.DayBays = st.MainL, bays
}

// nextMidnight is the first local midnight after ms.
func (l *Ledger) nextMidnight(ms int64) int64 {
	t := time.UnixMilli(ms).In(l.s.Zone)
	y, m, d := t.Date()
	return time.Date(y, m, d+1, 0, 0, 0, 0, l.s.Zone).UnixMilli()
}
