package agent_test

import (
	"math"
	"time"

	"bayledger/agent/site"
	"bayledger/drivers/virtual"
)

// row is one line of the scorecard: one sort of fault, and what must be reached.
type row struct {
	name   string
	fault  virtual.FaultKind
	lo, hi float64 // size, spread evenly over its logarithm; signed means either sign
	signed bool
	set    instruments
	// kinds are the right names, the first the one expected; related are other findings that
	// the fault truly causes and that count as seen, not as named.
	kinds, related []site.Kind
	// neighbours is true when the fault befalls two bays that share an edge, site when it
	// befalls the site and no bay.
	neighbours, site bool
	// learn is how many days the run has before the fault, spread how many more at random.
	learn, spread float64
	// begins says when the fault can first be felt; nil means with its onset.
	begins func(s *exposed) bool
	// met says that what was asked when it began has come all the same, before its limit and before anything was
	// told: it begins again, with the next time. nil means never.
	met func(s *exposed) bool
	// within says whether the limit has not passed yet, limit the same in words.
	within func(s *exposed) bool
	limit  string
	// most is the longest a run goes on after the fault can be felt. A run of an open row that is over before its
	// limit has come, and told nothing, says nothing: rain has kept the bay full.
	most  time.Duration
	open  bool
	reach float64 // share; 0: none is asked
	runs  int     // in the full scorecard
	// balance is how the hourly balance shows the fault, so that the oracle can judge it; nil where it
	// does not.
	balance *balance
	// short names the figures that are known to be short of what is asked.
	short map[string]shortfall
	// prepare adds what must happen for the fault to matter.
	prepare func(p *plan, from time.Time)
}

// exposed is what the judge has seen of the faulted bay since the onset.
type exposed struct {
	plan  plan
	now   time.Time
	felt  time.Time // when the fault could first be felt; zero before
	truth truth
	at    truth // when it was first felt
	// fills begun and ended, hours of settled night, inflow and level movement since felt.
	fills       int
	nightHours  float64
	lostLPH     float64 // what the step before now lost
	lostHours   float64 // in which at least half of the fault's size was lost
	inflow      time.Duration
	movedM      float64
	lo, hi      float64
	lastFlowing time.Time
	running     bool
	habitLowM   float64   // lowest true level in the three days before the onset, or where a fill would have begun
	asked       time.Time // when the controller first asked for water since the onset; zero before
	sankUnasked bool      // it was two bands under its habit before that
	forgotten   bool      // it was so after, and beyond half an hour of the demand where it had sunk before
}

func (s *exposed) since() time.Duration { return s.now.Sub(s.felt) }

// update takes the next moment, step after the last.
func (s *exposed) update(t time.Time, tr truth, step time.Duration, fault *fault, r *row) {
	s.now = t
	s.lostLPH = (tr.lostM3 - s.truth.lostM3) * 1000 / step.Hours()
	if tr.flowM3S > 0 {
		s.lastFlowing = t
	}
	if t.Before(fault.from) {
		// Where rain has kept the bay full, its habit is where it would have been filled.
		if low := min(tr.levelM, tr.setM-tr.bandM); fault.from.Sub(t) < 72*time.Hour && (s.habitLowM == 0 || low < s.habitLowM) {
			s.habitLowM = low
		}
		s.truth = tr
		return
	}
	s.truth = tr
	switch {
	case !s.asked.IsZero():
	case tr.asks:
		s.asked = t
	case tr.levelM < s.habitLowM-2*tr.bandM:
		s.sankUnasked = true
	}
	if !s.asked.IsZero() && tr.levelM < s.habitLowM-2*tr.bandM && !(s.sankUnasked && t.Sub(s.asked) <= 30*time.Minute) {
		s.forgotten = true
	}
	if s.felt.IsZero() {
		if r.begins == nil || r.begins(s) {
			s.felt, s.at, s.lo, s.hi = t, tr, tr.levelM, tr.levelM
		}
		s.running = tr.flowM3S > 0
		return
	}
	if tr.flowM3S > 0 {
		s.inflow += step
	} else if s.running {
		s.fills++
	}
	s.running = tr.flowM3S > 0
	if s.lostLPH >= fault.size/2 {
		s.lostHours += step.Hours()
	}
	s.lo, s.hi = min(s.lo, tr.levelM), max(s.hi, tr.levelM)
	s.movedM = s.hi - s.lo
	// Settled night: local 21:00 to 05:00, two hours after the last inflow.
	if h := t.Hour(); (h >= 19 || h < 3) && t.Sub(s.lastFlowing) > 2*time.Hour {
		s.nightHours += step.Hours()
	}
}

func within(d time.Duration) func(*exposed) bool {
	return func(s *exposed) bool { return s.since() <= d }
}

// stuckOpenLimit is travel, two pulses and two polls, and at most five minutes.
func stuckOpenLimit(s *exposed) bool {
	pulses := time.Duration(0)
	if s.at.flowM3S > 0 {
		pulses = time.Duration(2 * s.at.pulseM3 / s.at.flowM3S * float64(time.Second))
	}
	travel := 30 * time.Second // as the site file of the runs says
	return s.since() <= min(5*time.Minute, travel+pulses+2*s.plan.poll)
}

func runsUnasked(s *exposed) bool { return s.truth.flowM3S > 0 && !s.truth.asks }
func asks(s *exposed) bool        { return s.truth.asks }
func runs(s *exposed) bool        { return s.truth.flowM3S > 0 }

// content is a controller that takes its command back because the level it reads is where it is to be: a valve
// that sticks in the last seconds of a fill has left nothing undone.
func content(s *exposed) bool {
	return !s.truth.asks && s.truth.chamberM >= s.truth.setM-3*s.truth.noiseM
}

// remembered is a bay that has never been two bands under its habit while it asked, or after. One that sank there in
// a closed window, before the controller was free to ask for any water, has half an hour of the demand.
func remembered(s *exposed) bool { return !s.forgotten }

const day = 24 * time.Hour

var (
	anyLoss  = []site.Kind{site.Leak, site.UnexplainedLoss, site.OverflowFault, site.MeterFault, site.LevelSensorFault, site.SeepageBetweenBays, site.Drying}
	anyGain  = []site.Kind{site.ValveWeeping, site.MeterFault, site.LevelSensorFault, site.SeepageBetweenBays, site.Overfill, site.Overflowing, site.UnexplainedLoss}
	ofLevel  = []site.Kind{site.LevelSensorFault, site.Leak, site.UnexplainedLoss, site.ValveWeeping, site.MeterFault, site.OverflowFault, site.SlowChamber, site.Drying, site.Overfill, site.Overflowing}
	overfull = []site.Kind{site.Overfill, site.Overflowing}
)

// rows are the faults of the scorecard with what must be reached.
var rows = []row{
	{name: "valve stuck open, command and set point known", fault: virtual.StuckOpen, lo: 100, hi: 100, set: fullSet, kinds: []site.Kind{site.ValveStuckOpen}, related: overfull,
		learn: 1, spread: 3, begins: runsUnasked, within: stuckOpenLimit, limit: "travel, 2 pulses, 2 polls, at most 5 min", most: 2 * time.Hour, reach: 0.99, runs: 300},
	{name: "valve stuck open, neither known", fault: virtual.StuckOpen, lo: 100, hi: 100, set: noValve, kinds: []site.Kind{site.ValveStuckOpen}, related: overfull,
		learn: 3, spread: 4, begins: runsUnasked, within: func(s *exposed) bool {
			return s.truth.levelM-s.at.levelM <= (s.at.crestM-s.at.levelM)/2
		}, limit: "half the room to the crest", most: 6 * time.Hour, reach: 0.99, runs: 300},
	{name: "valve stuck closed", fault: virtual.StuckShut, set: fullSet, kinds: []site.Kind{site.ValveStuckClosed}, related: []site.Kind{site.Drying, site.LowFlow, site.MeterFault, site.NoSupply},
		learn: 1, spread: 3, begins: asks, met: content, within: within(30 * time.Minute), limit: "30 min of the demand", most: 6 * time.Hour, reach: 0.99, runs: 300},
	{name: "no supply", fault: virtual.SupplyLost, site: true, set: fullSet, kinds: []site.Kind{site.NoSupply}, related: []site.Kind{site.PressureOutOfBand, site.ValveStuckClosed, site.Drying},
		learn: 1, spread: 3, begins: asks, within: within(30 * time.Minute), limit: "30 min of the demand", most: 6 * time.Hour, reach: 0.99, runs: 300},
	{name: "valve stuck closed, no command or set point", fault: virtual.StuckShut, set: noValve, kinds: []site.Kind{site.ValveStuckClosed, site.Drying}, related: []site.Kind{site.Leak, site.UnexplainedLoss, site.MeterFault, site.NoSupply},
		learn: 4, spread: 3, within: remembered, limit: "level two bands under its habit; sunk before any demand, 30 min of that", most: 21 * day, open: true, reach: 0.99, runs: 300,
		short: map[string]shortfall{seenInTime: {0.97, "296 of 300 and 295 of 299 on two fresh seeds; 291 of 298 on another, 290 with the watch before, which had 294 of 297 on a third. By the clock before, which went on where rain kept the bay from ever sinking so low, and did not wait for the demand where it sank in a closed window before any water was due, 293 of 300 on the third; with the watch before, by that clock, 285 of 300, 268 and 265 on three other seeds. Late are bays that rain had kept from being filled, so that nobody knows where they ask, and bays that were filled once, in an evening, when they had sunk further. Whoever tells before two bands tells of set points lowered unseen, by 2.5 to 15 mm, as well, for two bands are 6 to 12 mm: 7 false in 27.6 clean bay-years, 14 with the watch before. Where one bay is filled at a time the others' fills tell the two apart; where each is filled by itself nothing does."}}},
	{name: "liner leak 100 L/h and more", fault: virtual.LinerLeak, lo: 100, hi: 400, set: fullSet, kinds: []site.Kind{site.Leak}, related: anyLoss,
		learn: 4, spread: 4, within: within(3 * time.Hour), limit: "3 h", most: 24 * time.Hour, reach: 0.95, runs: 60, balance: &balance{mark: anHour}},
	{name: "liner leak 100 L/h and more, no weather", fault: virtual.LinerLeak, lo: 100, hi: 400, set: noWeather, kinds: []site.Kind{site.Leak}, related: anyLoss,
		learn: 4, spread: 4, within: within(12 * time.Hour), limit: "12 h", most: 2 * day, reach: 0.95, runs: 60, balance: &balance{mark: anHour}},
	{name: "liner leak 20 L/h", fault: virtual.LinerLeak, lo: 20, hi: 40, set: fullSet, kinds: []site.Kind{site.Leak}, related: anyLoss,
		learn: 5, spread: 4, within: func(s *exposed) bool { return s.nightHours <= 4 }, limit: "4 h of settled night", most: 4 * day, reach: 0.95, runs: 60, balance: &balance{mark: anHour}},
	{name: "liner leak 5 L/h, baseline learned", fault: virtual.LinerLeak, lo: 5, hi: 8, set: fullSet, kinds: []site.Kind{site.Leak}, related: anyLoss,
		learn: 8, spread: 3, within: within(48 * time.Hour), limit: "48 h", most: 6 * day, reach: 0.90, runs: 60, balance: &balance{mark: anHour}},
	{name: "liner leak 5 L/h, baseline not learned", fault: virtual.LinerLeak, lo: 5, hi: 8, set: fullSet, kinds: []site.Kind{site.Leak}, related: anyLoss,
		learn: 3, spread: 2, within: within(96 * time.Hour), limit: "96 h", most: 8 * day, reach: 0.90, runs: 60, balance: &balance{mark: anHour},
		short: map[string]shortfall{seenInTime: {0.72, "Three nights know a bay whose nights have a fill in them to less than 5 L/h only after a week; after a storm the level stands where the curve is unsure by 15 to 60 %, or at the crest, where no balance closes. 38, 45, 47 and 48 of 60 on four fresh seeds; on the third the watch before had 42, on the fourth 46."}}},
	{name: "valve weeping, meter not turning", fault: virtual.Weeping, lo: 5, hi: 10, set: fullSet, kinds: []site.Kind{site.ValveWeeping}, related: anyGain,
		learn: 6, spread: 4, within: within(48 * time.Hour), limit: "48 h", most: 6 * day, reach: 0.90, runs: 60, balance: &balance{mark: anHour},
		short: map[string]shortfall{seenInTime: {0.82, "Under 7 L/h a night does not show over a level known to 0.15 mm that it goes on, so a hose nobody recorded is excluded by the second; where it lifts the bay to its crest nothing is known of it. 51, 55 and 48 of 60 on three fresh seeds; 54 on a fourth with windows that rain and the overflow cut short, 53 without, and 52 on a fifth."}}},
	{name: "supply-line leak", fault: virtual.LineLeak, lo: 10, hi: 100, site: true, set: fullSet, kinds: []site.Kind{site.SupplyLineLeak}, related: []site.Kind{site.MainMeterFault},
		learn: 3, spread: 4, within: within(day), limit: "24 h", most: 3 * day, reach: 0.95, runs: 60,
		prepare: func(p *plan, _ time.Time) {
			if p.mainStartLPH >= p.fault.size/1.05 { // not registered: twice the starting flow
				p.fault.size = max(p.fault.size, 2*p.mainStartLPH)
			}
		}},
	{name: "meter dead", fault: virtual.MeterDead, set: fullSet, kinds: []site.Kind{site.MeterFault}, related: []site.Kind{site.ValveStuckClosed, site.LowFlow, site.ValveWeeping, site.NoSupply},
		// It can be felt when water first runs through it, which after a storm takes days.
		learn: 3, spread: 4, begins: runs, within: func(s *exposed) bool {
			return s.fills < 3 || s.fills == 3 && !s.running || s.since() <= 6*time.Hour
		}, limit: "3 fills or 6 h of the first", most: 3 * day, reach: 0.99, runs: 300},
	{name: "meter wrong by 20 %", fault: virtual.MeterWrong, lo: 20, hi: 35, signed: true, set: fullSet, kinds: []site.Kind{site.MeterFault}, related: append(anyLoss, anyGain...),
		learn: 7, spread: 2, within: within(7 * day), limit: "7 days", most: 9 * day, reach: 0.90, runs: 60},
	{name: "meter wrong by 10 %, main meter", fault: virtual.MeterWrong, lo: 10, hi: 14, signed: true, set: fullSet, kinds: []site.Kind{site.MeterFault}, related: append(anyLoss, anyGain...),
		learn: 7, spread: 2, within: within(7 * day), limit: "7 days", most: 9 * day, reach: 0.90, runs: 60,
		short: map[string]shortfall{seenInTime: {0.75, "A bay that rain keeps full takes no water in a week: 33 of 40 on a fresh seed, where six of the seven others took none in time and the seventh none before. Of 60 runs of another seed 54, and five took none; 57 of 60 on a third, 55 by the watch before."}}},
	{name: "meter wrong by 10 %, no main meter", fault: virtual.MeterWrong, lo: 10, hi: 14, signed: true, set: noMain, kinds: []site.Kind{site.MeterFault}, related: append(anyLoss, anyGain...),
		learn: 7, spread: 2, within: within(21 * day), limit: "21 days", most: 23 * day, reach: 0.90, runs: 60, balance: &balance{letIn, true},
		short: map[string]shortfall{seenInTime: {0.52, "36 of 60 and 21 of 40 on two fresh seeds; the watch before had 16 of the 40. Without rain whole days beside the other bays' and the slopes of fills show a tenth in one to two weeks. Where it rains every third day many days lie in the clay, where the curve is unsure by 60 %, the relation to the other bays is known to 5 to 9 % when it begins, and a bay that is full takes next to no water: 6 of 20. The oracles know what each bay evaporates and holds. The fixed limits raise an alarm in 16 of 30 such runs, and in 15 of the same without the fault."}, rightKind: {0.66, "A loss of a litre an hour by nights known to half of that and fills known to a twentieth may be a leak's, a drift's or the meter's: all three are told."}, rightBay: {0.88, "On neighbours' evenings."}}},
	{name: "level sensor failed", fault: virtual.SensorOut, set: fullSet, kinds: []site.Kind{site.LevelSensorFault, site.NoData}, related: nil,
		learn: 0.5, spread: 3, within: within(2 * time.Minute), limit: "2 min", most: time.Hour, reach: 0.99, runs: 300},
	{name: "level sensor frozen", fault: virtual.SensorFrozen, set: fullSet, kinds: []site.Kind{site.LevelSensorFault}, related: ofLevel,
		learn: 2, spread: 4, within: func(s *exposed) bool {
			return s.inflow <= 10*time.Minute || (s.inflow == 0 && (s.since() <= day || s.movedM < 0.003))
		}, limit: "10 min of inflow, else 24 h with 3 mm", most: 3 * day, reach: 0.95, runs: 60},
	{name: "level sensor drifting 4 mm a day", fault: virtual.SensorDrift, lo: 4, hi: 8, signed: true, set: fullSet, kinds: []site.Kind{site.LevelSensorFault}, related: ofLevel,
		learn: 6, spread: 2, within: within(5 * day), limit: "5 days", most: 6 * day, reach: 0.85, runs: 60},
	{name: "level sensor drifting 1 mm a day", fault: virtual.SensorDrift, lo: 1, hi: 2, signed: true, set: fullSet, kinds: []site.Kind{site.LevelSensorFault}, related: ofLevel,
		learn: 7, spread: 2, within: within(21 * day), limit: "21 days", most: 23 * day, reach: 0.85, runs: 60, balance: &balance{aMillimetre, true},
		short: map[string]shortfall{seenInTime: {0.70, "42 of 60 on a fresh seed, 46 by the watch before, and 50 and 53 on two others. 11 of the 18 late are the lumped model's. With nights that only 3 mm of rain cut short, and not 0.3, it is 43."}, rightBay: {0.93, "A millimetre a day is near what a summer's change of evaporation does."}, rightKind: {0.82, "52 of 55 on a fresh seed, 14 of 18 on another. Where fills and nights do not exclude the meter, a loss has three causes."}}},
	{name: "seepage 10 L/h at 20 mm between neighbours", fault: virtual.Seepage, lo: 10, hi: 30, neighbours: true, set: fullSet, kinds: []site.Kind{site.SeepageBetweenBays}, related: append(anyLoss, anyGain...),
		// Rain lifts the lower bay as high as the upper, and then nothing seeps for days: the stated head difference
		// is there while at least half of it is.
		learn: 6, spread: 3, begins: func(s *exposed) bool { return s.lostLPH >= s.plan.fault.size/2 }, within: func(s *exposed) bool {
			return s.lostHours <= 48
		}, limit: "48 h in which they stand 10 mm apart", most: 10 * day, reach: 0.85, runs: 60,
		prepare: func(p *plan, from time.Time) {
			// The first bay is held 20 mm over its neighbour.
			p.apart = [2]string{p.fault.bay, p.fault.other}
		}},
	{name: "chamber clogged", fault: virtual.ChamberClogged, lo: 12, hi: 60, set: fullSet, kinds: []site.Kind{site.SlowChamber}, related: ofLevel,
		learn: 4, spread: 3, begins: runs, within: within(72 * time.Hour), limit: "72 h of the first fill", most: 4 * day, reach: 0.80, runs: 60},
	{name: "overflow blocked, then overfilled", fault: virtual.OverflowBlocked, set: fullSet, kinds: []site.Kind{site.OverflowFault}, related: append(overfull, site.ValveStuckOpen),
		learn: 4, spread: 3, begins: func(s *exposed) bool { return s.truth.levelM > s.truth.crestM }, within: within(72 * time.Hour), limit: "72 h", most: 4 * day, reach: 0.80, runs: 60,
		prepare: func(p *plan, from time.Time) {
			at := from.Add(2 * time.Hour)
			p.acts = append(p.acts, act{kind: virtual.ManualOpen, bay: p.fault.bay, at: at, until: at.Add(150 * time.Minute)})
		}},
	{name: "overflow displaced", fault: virtual.OverflowDisplaced, lo: 35, hi: 60, set: fullSet, kinds: []site.Kind{site.OverflowFault}, related: anyLoss,
		learn: 4, spread: 3, begins: func(s *exposed) bool { return s.truth.lostM3 > 0.01 }, within: within(72 * time.Hour), limit: "72 h", most: 4 * day, reach: 0.80, runs: 60},
	{name: "low flow", fault: virtual.LowFlow, lo: 40, hi: 70, set: fullSet, kinds: []site.Kind{site.LowFlow}, related: []site.Kind{site.Drying, site.NoSupply, site.ValveStuckClosed},
		learn: 4, spread: 3, begins: runs, within: within(72 * time.Hour), limit: "72 h", most: 4 * day, reach: 0.80, runs: 60},
}

// size draws the size of a row's fault.
func (r *row) size(u, sign float64) float64 {
	if r.lo == 0 {
		return 0
	}
	v := r.lo * math.Pow(r.hi/r.lo, u)
	if r.signed && sign < 0.5 {
		v = -v
	}
	return v
}
