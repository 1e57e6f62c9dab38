package water

import "math"

// The states of a bay's habit of losing water.
const (
	aK    = iota // evaporation over reference evapotranspiration, 1
	aW           // share of the day's evaporation the clay takes up after sunset, 1
	aC           // constant loss, L/h
	aL           // by how much more the chamber leads than is known of it, 1
	aT           // by how much the level reads too high for each degree its sensor is warmer, mm/K
	aR           // by how much more of what the air asks beyond the usual it gives than of the usual, 1
	aFrom        // error of the water held at the window's start, L
	aTo          // and at its end
	nHabit
)

// NHabit is the number of states of a habit.
const NHabit = nHabit

// habit is what a bay loses while nothing is wrong, learned from its closed balances: one window
// for the day and one for the night. Only settled levels enter, so no model of the chamber and
// no shape of an evening does.
type habit struct {
	X [nHabit]float64
	P [nHabit][nHabit]float64
	N int // windows learned from
}

// Window is a closed balance set against the bay's habit.
type Window struct {
	Closed
	Night    bool
	Expected float64 // L, the loss the habit and the site's other bays ask for
	Nu, S    float64 // loss less expected, L, and its variance
	// Least says what is missing at least: whatever the storage curve; whatever the chamber leads;
	// whatever both. The latter two are empty where the lead says nothing.
	Least  [3]Missing
	Joined bool // it follows on the window before
	Part   bool // it began neither at dawn nor at dusk, or ended at neither
	Shared bool // other bays have shown what the sky did, and that is expected
	// Wide is the variance that surprises have shown over S, for Carry.
	Wide    float64
	h, gain [nHabit]float64
	// Nu by this bay's habit alone, and the variance of it that other bays do not share.
	lone, loneOwn float64
	// The rest of that variance, and what of the two parts the site's factors are on.
	loneCommon, ofCommon, ofOwn float64
	// What clay draws late within a day, L, and the variance of when it does; 0 for whole days and
	// nights, whose habits hold it.
	late, lateVar float64
	// What in S windows from dawn to night at the usual level, by which Wide is learned, have next to nothing of, L2:
	// how soon air warms the sensor, when clay draws, what another level does.
	untried float64
}

// Missing is a loss beyond what is expected, L, and its variance, L2.
type Missing struct{ L, S float64 }

// Surprise is the log-likelihood ratio of a loss of the size seen against none.
func (m Missing) Surprise() float64 {
	if !(m.L > 0) {
		return 0
	}
	return m.L * m.L / (2 * m.S)
}

// Surest is what shows most of a loss. Of the storage curve and of the chamber's lead the surer
// statement holds: that they are wrong by a factor of known deviation, or that they are wrong by no more
// than they can be.
func (w *Window) Surest() Missing {
	best := Missing{w.Nu, w.S}
	for _, m := range w.Least {
		if m.Surprise() > best.Surprise() {
			best = m
		}
	}
	return best
}

// Surprise is how much likelier a loss of the size seen makes the window than none.
func (w *Window) Surprise() float64 { return w.Surest().Surprise() }

// prior: factor and share are those of the stride's filter (see there for their reasons). A sound
// liner and clay by night lose some hundredths of a millimetre an hour; what no sound bay loses is
// found in its first night and not learned.
func (a *habit) prior(area float64) {
	*a = habit{}
	set := func(i int, mean, sd float64) { a.X[i], a.P[i][i] = mean, sd*sd }
	set(aK, 0.78, 0.30)
	set(aW, 0.06, 0.06)
	set(aC, 0, 0.05*area)
	set(aL, 0, leadModel)
	set(aT, 0, warmsMM)
	set(aR, 0, readily)
}

// pace keeps the site's common knowledge of how far windows depart from habit, learned from all
// its bays: factors on the standard deviations of days, of nights, and of the slopes of fills. Q is, of days and
// nights, that of what all bays share, Own that of what each departs from the others by; Said and OwnSaid are how
// many windows the two were learned from, one counting for the square of their part in its variance.
// Z2 is the sum of the squares of windows' surprises over their variances; RunZ2 that of Runs runs of windows.
type pace struct {
	Q, N               [3]float64
	Own, Said, OwnSaid [2]float64
	Z2                 float64
	RunZ2, Runs        float64
}

// run is a bay's last windows taken together, as a steady loss of unit size would show in them.
type run struct {
	Sig Signature
	N   int
}

// runOf is how many windows are a run: three days, about as long as a small loss takes to be told. What
// departs from habit in one window departs in the next as well where a season, a depth or a spell of weather
// is the cause, and then a run is further off than its windows say.
const runOf = 6

// take adds a window to the run, and a full run to what is known of the site's.
func (r *run) take(w *Window, p *pace) {
	stated := *w
	stated.Wide = 1
	stated.Carry(&r.Sig, w.Hours)
	if r.N++; r.N < runOf {
		return
	}
	if r.Sig.J > 0 {
		p.RunZ2 += min(mostZ2, r.Sig.D*r.Sig.D/r.Sig.J)
		p.Runs++
	}
	*r = run{}
}

// leastPace: a quiet fortnight says little of the days that are not. A bay follows the others by 2.5 % of a day
// at best (leastOwn).
const (
	leastPace = 0.6
	leastOwn  = 0.4
)

func (p *pace) init() { p.Q, p.Own = [3]float64{1, 1, 1}, [2]float64{1, 1} }

// factors are those on the standard deviations of what bays share and of what each has by itself.
type factors struct{ common, own float64 }

func (p *pace) of(night bool) factors { return factors{p.Q[kindOf(night)], p.Own[kindOf(night)]} }

// hours are the factors for some hours of a day or a night, which may be no quieter than stated.
func (f factors) hours() factors { return factors{max(1, f.common), max(1, f.own)} }

// ofSlopes is the place of the slopes in a pace; windows' are kindOf.
const ofSlopes = 2

// learn takes a surprise's square over its variance, one while the stated deviation is right. A
// few surprises far out of line are a trouble and not the noise.
func (p *pace) learn(k int, z2 float64) {
	p.N[k]++
	p.Q[k] = max(leastPace, min(5, p.Q[k]*math.Exp((min(6, z2)-1)/2*max(0.02, 1/(6+p.N[k]/2)))))
}

// see learns from a window: by how it lies beside habit, how far all bays depart from it; by what is left when
// the others' part is taken off, how far each departs from them. Where no others show, the two are one.
func (p *pace) see(w *Window) {
	k := kindOf(w.Night)
	p.N[k]++
	common, own := w.ofCommon, w.ofOwn
	if !w.Shared {
		common, own = common+own, common+own
	}
	learnPart(&p.Q[k], &p.Said[k], leastPace, common, w.lone, w.loneOwn+w.loneCommon)
	learnPart(&p.Own[k], &p.OwnSaid[k], leastOwn, own, w.Nu, w.S)
}

// learnPart takes a surprise of variance s, of which part is what the factor is on, by the likelihood's slope over
// what all surprises have said (Fisher's information of the logarithm: twice the square of the part's share): what is
// stated of the rest is not the factor's to mend.
func learnPart(factor, said *float64, least, part, nu, s float64) {
	share := part / s
	*said += share * share
	*factor = max(least, min(5, *factor*math.Exp(share*(min(6, nu*nu/s)-1)*max(0.02, 1/(4+2**said)))))
}

// StatedWorth is how many windows the stated uncertainties are worth. They follow from the method of
// evaporation and from the instruments, on the safe side, and how wide they themselves are is known to
// about a seventh: 25 degrees of freedom (GUM G.4.2).
const StatedWorth = 25.0

// wide is the variance of windows' surprises over what is stated: the mean of the windows that the
// statement is worth and of those seen, and as much more as runs of them have been further off together. All
// variances of the model scale with it, so that no gain
// does, and the surprises are Student's in the same number (West and Harrison 1997, Bayesian
// Forecasting and Dynamic Models, section 4.5).
func (p *pace) wide() float64 {
	const runs = StatedWorth / runOf
	each := (StatedWorth + p.Z2) / (StatedWorth + p.N[0] + p.N[1])
	return each * max(1, (runs+p.RunZ2/each)/(runs+p.Runs))
}

func kindOf(night bool) int {
	if night {
		return 1
	}
	return 0
}

// passingVar is the variance, L2, of what a window's loss departs from habit by itself: weather
// (relative to evaporation), night air and clay (per area, alike over some hours), and what of the
// rain the clay kept or shed. common is the part that all bays of a site share. Rain that is on its way
// counts as arrived when it fell, and wet clay draws less: neither makes a loss later (w.Nu over 0).
func (y *bay) passingVar(w *Window, etu float64, q factors) (common, own float64) {
	c := &w.Closed
	e := y.st.Habit.X[aK] * c.ET
	sky := sq(etu * e)
	n := sq(0.010*y.b.AreaM2) * min(2*tauN*c.Hours, c.Hours*c.Hours)
	own = OwnSky*sky + 0.7*n
	if w.Night {
		// What clay draws by night is as unsure as the evaporation that dried it, each bay's by itself: whatever
		// of it the habit takes for constant is so while days are alike.
		own += sq(etu * (y.st.Habit.X[aW]*c.Wet + max(0, y.st.Habit.X[aC])*c.Hours))
	}
	own *= sq(q.own)
	common = sq(q.common) * ((1-OwnSky)*sky + 0.3*n)
	w.ofCommon, w.ofOwn = common, own
	rain := sq(0.4 * c.Rain)
	if w.Nu < 0 {
		rain += sq(0.3 * c.Soaked)
		if t := max(y.st.LastRainT, y.st.LastHandT); t > 0 && c.From-t < wetFor {
			// Wet clay gives from itself and draws less from below, for a day or so.
			own += sq(0.25*e) + sq(0.06*c.Wet)
		}
	}
	return common + 0.8*rain, own + 0.2*rain
}

// OwnSky is which part of the variance of a day's evaporation bays of one site do not share, as stated: a bay departs
// from the others' days by six per cent where the formula does by twenty.
const OwnSky = 0.1

// wetFor is how long the clay's surface is wet after rain or a hose.
const wetFor = 24 * hour

// byNight is how unsure what the air asks of a night is, a share: wind and dry air alone ask for it, most nights for
// next to nothing, and whether clay without sun gives any of it the days do not say.
const byNight = 0.5

// missing is what the window lost beyond habit, and beyond shift, what else is expected.
func (a *habit) missing(w *Window, shift float64) {
	w.h = [nHabit]float64{aK: w.ET, aW: w.Wet, aC: w.Hours, aL: -w.Lead, aT: -w.Warmer, aR: w.Over, aFrom: 1, aTo: -1}
	w.Expected = shift
	for i, h := range w.h {
		x := a.X[i]
		if i == aTo || i == aFrom && !w.Joined {
			x = 0
		}
		w.Expected += h * x
	}
	w.Nu = w.Loss - w.Expected
}

// expect sets the window against the habit; r is the variance beyond the ends' and the habit's
// own, shift what the other bays add to the expectation.
func (a *habit) expect(w *Window, shift, r float64) {
	a.missing(w, shift)
	p := a.P
	if !w.Joined {
		for i := range nHabit {
			p[i][aFrom], p[aFrom][i] = 0, 0
		}
		p[aFrom][aFrom] = sq(w.FromU)
	}
	p[aTo][aTo] = sq(w.ToU)
	elsewhere := w.farVar() + sq(w.WarmerU)*(sq(a.X[aT])+p[aT][aT])
	if w.Night {
		elsewhere += sq(byNight * a.X[aK] * w.ET)
	}
	w.untried = elsewhere + w.lateVar
	s := r + sq(w.U) + elsewhere
	var ph [nHabit]float64
	for i := range p {
		for j, h := range w.h {
			ph[i] += p[i][j] * h
		}
		s += w.h[i] * ph[i]
	}
	w.Wide = 1
	w.Least = [3]Missing{{w.leastLoss(w.Held, w.Rel) - w.Expected, s}}
	lead := w.h[aL] * a.X[aL]
	if led := s - w.EndS - sq(w.h[aL])*p[aL][aL] + w.LedS; w.Led > 0 && !w.Joined && led > 0 {
		held := w.Held + w.Led
		w.Least[1] = Missing{w.Nu + lead - w.Led, led + sq(w.LedRel*w.curveSays(held, math.Sqrt(led)))}
		w.Least[2] = Missing{w.leastLoss(held, w.LedRel) - w.Expected + lead, led}
	}
	s += sq(w.Rel * w.curveSays(w.Held, math.Sqrt(s)))
	w.S = s
	for i := range ph {
		w.gain[i] = ph[i] / s
	}
}

// curveSays is how much of the water held the storage curve can be wrong about, L; sd is the
// standard deviation of all else. The slope of a curve is wrong by a factor, whose logarithm has
// the deviation Rel: a change of held water that should have been a and is read as b lies
// ln(b/a)/Rel deviations off, so that b-a must be measured by Rel times the logarithmic mean
// (b-a)/ln(b/a). What should have been held is itself known to sd only. A curve that is wrong
// makes a rise larger or smaller than it is, never a fall of it: where the level went the other
// way than the rest of the balance asks for, the curve has no part in what is missing.
func (w *Window) curveSays(held, sd float64) float64 {
	were := w.Metered + w.Hand + rainCatch*w.Rain - w.Expected
	if were*held <= 0 {
		return 0
	}
	return logMean(math.Abs(were)+sd, math.Abs(held))
}

// logMean is the logarithmic mean of two positive numbers.
func logMean(a, b float64) float64 {
	if r := b / a; math.Abs(r-1) > 1e-6 {
		return (b - a) / math.Log(r)
	}
	return a
}

// leastLoss is the loss, L, if the curve that says held is wrong as far as it may be, all in the
// direction of no loss. A factor with a stated deviation rel and no tails is a rectangle of the root
// of three deviations each way (GUM 4.3.7).
func (w *Window) leastLoss(held, rel float64) float64 {
	far := math.Exp(math.Sqrt(3) * rel)
	if held < 0 {
		far = 1 / far
	}
	return w.Loss + w.Held - held*far
}

// learn takes the window into the habit. hold keeps what is learned (Schmidt). A window far out
// of line teaches no more than one at three deviations.
func (a *habit) learn(w *Window, area float64, hold bool) {
	s := w.S
	if z2 := w.Nu * w.Nu / s; z2 > 9 {
		s *= z2 / 9
		for i := range w.gain {
			w.gain[i] *= 9 / z2
		}
	}
	if hold {
		w.gain[aK], w.gain[aW], w.gain[aC], w.gain[aL], w.gain[aT], w.gain[aR] = 0, 0, 0, 0, 0, 0
	} else {
		a.N++
	}
	if !w.Joined {
		for i := range nHabit {
			a.P[i][aFrom], a.P[aFrom][i] = 0, 0
		}
		a.P[aFrom][aFrom], a.X[aFrom] = sq(w.FromU), 0
	}
	a.P[aTo][aTo], a.X[aTo] = sq(w.ToU), 0
	var ph [nHabit]float64
	for i := range a.P {
		for j, h := range w.h {
			ph[i] += a.P[i][j] * h
		}
	}
	for i := range a.X {
		a.X[i] += w.gain[i] * w.Nu
	}
	k := &w.gain
	for i := range nHabit {
		for j := i; j < nHabit; j++ {
			v := a.P[i][j] - k[i]*ph[j] - ph[i]*k[j] + k[i]*s*k[j]
			a.P[i][j], a.P[j][i] = v, v
		}
		a.P[i][i] = max(a.P[i][i], 1e-12)
	}
	// Clay takes water and does not give it back to the stone: what comes in by night and is not
	// metered is no habit.
	for range 5 { // what moves along may meet a bound of its own
		a.atLeast(aC, -0.005*area)
		a.atLeast(aW, 0)
		a.atLeast(aK, 0.1)
	}
	a.X[aC] = max(a.X[aC], -0.005*area)
	// The end is the next window's start.
	a.X[aFrom], a.X[aTo] = a.X[aTo], 0
	for i := range nHabit {
		a.P[aFrom][i] = a.P[aTo][i]
	}
	a.P[aFrom][aFrom] = a.P[aTo][aTo]
	for i := range nHabit {
		a.P[i][aFrom] = a.P[aFrom][i]
		a.P[i][aTo], a.P[aTo][i] = 0, 0
	}
}

// atLeast keeps a state from going below what it can be. What hangs together with it moves along, as it
// would had that been known: a constant loss held at its least alone would leave in the factor, for good,
// what had been set against it.
func (a *habit) atLeast(i int, least float64) {
	short := least - a.X[i]
	if short <= 0 {
		return
	}
	for j := range a.X {
		a.X[j] += a.P[j][i] / a.P[i][i] * short
	}
	a.X[i] = least
}

// readily is how far the share that a bay gives of what a day asks beyond the usual may lie beside what it gives of
// the usual (one standard deviation): clay that passes water on slowly answers a hot day by less, and a dull one too.
const readily = 0.20

// byDepthLate is how far the share that clay takes up late may lie elsewhere where the level lives a depthStep, mm,
// from where it did (one standard deviation).
const (
	byDepthLate = 0.04
	depthStep   = 30.0
)

// byDepthVar is the variance of the evaporation factor far, mm, from where it was learned: evaporation falls with
// depth to water by an unknown part, steeply near the clay. A twentieth for each millimetre is allowed for, up to
// what the habit was unsure of at first.
func byDepthVar(far float64) float64 { return sq(min(0.05*math.Abs(far), 0.30)) }

// livedThere is which part of that is left, either way, once the level has come to live there: what is drawn deeper or
// higher up is then as good as doubled in thirty millimetres.
const livedThere = 4.0 / 9

// age lets what was learned go stale. Where other bays show what the sky does (shared), a season's change of
// evaporation that they have in common is expected and need not be learned anew.
func (a *habit) age(hours, area float64, shared bool) {
	day := hours / 24
	wander := sq(0.010)
	if shared {
		wander *= OwnSky
	}
	a.P[aK][aK] += wander * day
	a.P[aW][aW] += sq(0.003) * day
	a.P[aC][aC] += sq(0.0005*area) * day
	a.P[aR][aR] += sq(0.01) * day
	a.P[aL][aL] += sq(0.02) * day // what is known of the lead changes with every fill
}

// moves makes what was learned as unsure as a level that has come to live mm elsewhere asks for: by day what is
// drawn then, by what is left of the variance v that the way there was allowed while it was far, and what is drawn late
// as the same share of it; by night what is drawn late by itself.
func (a *habit) moves(mm, v float64, night bool) {
	if night {
		a.P[aW][aW] += sq(byDepthLate) * mm / depthStep
		return
	}
	v *= livedThere
	late := a.X[aW] / a.X[aK]
	a.P[aK][aK] += v
	a.P[aW][aW] += v * late * late
	a.P[aK][aW] += v * late
	a.P[aW][aK] += v * late
}

// farVar is the variance, L2, of what a bay loses more or less than its habit because its level
// stands elsewhere than where the habit was learned. A level that stands higher is no reason to lose less, nor a
// lower one to lose more.
func (w *Window) farVar() float64 {
	if w.Far*w.Nu <= 0 {
		return 0
	}
	return byDepthVar(w.Far)*sq(w.ET) + sq(min(0.005*math.Abs(w.Far), 0.06)*w.Wet)
}

// Carry takes a trouble's signature through the window; litres is what the trouble at unit size
// adds to the loss seen.
func (w *Window) Carry(sig *Signature, litres float64) {
	e := &sig.E
	if !w.Joined {
		e[aFrom] = 0
	}
	g := litres
	for i, h := range w.h {
		g -= h * e[i]
	}
	for i := range e {
		e[i] += w.gain[i] * g
	}
	e[aFrom], e[aTo] = e[aTo], 0
	s := w.S*w.Wide + max(0, 1-w.Wide)*w.untried
	sig.D += g * w.Nu / s
	sig.J += g * g / s
}

// Signature is the mark a trouble of unit size leaves on a bay's balances from its onset on. Size
// D/J is the best estimate of how large the trouble is, with standard uncertainty 1/sqrt(J), and
// D*D/(2J) how much likelier the readings are with it than without (natural logarithm).
//
// It is the generalised likelihood ratio of Willsky and Jones (1976, IEEE Trans. Automatic
// Control 21:108): what the habit would have been surprised by, weighed with what it was.
type Signature struct {
	// E is the error the trouble has put into each state of the habit so far.
	E    [NHabit]float64
	D, J float64
}

// LLR is the log-likelihood ratio of a trouble of that size against none.
func (s *Signature) LLR(size float64) float64 { return size*s.D - size*size*s.J/2 }

// Best returns the likeliest size, its standard uncertainty and its log-likelihood ratio; all
// NaN and 0 when nothing is known yet.
func (s *Signature) Best() (size, u, llr float64) {
	if !(s.J > 0) {
		return math.NaN(), math.NaN(), 0
	}
	return s.D / s.J, 1 / math.Sqrt(s.J), s.D * s.D / (2 * s.J)
}
