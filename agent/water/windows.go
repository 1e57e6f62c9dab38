package water

import (
	"math"
	"slices"
)

// windowState is one bay's windows: where the one under way began, and the evening's settled
// moment that will part day from night.
type windowState struct {
	From, Evening anchor // M.T is 0 where there is none
	Night         bool   // the one under way began in the evening
	Joined        bool   // it began where the last one ended
	Part          bool   // it began neither at dawn nor at dusk
	// Home is where the level lives by day and by night, mm; NaN at first. A bay that may be filled
	// only by night stands lower every day, and has not moved.
	Home [2]float64
	// Past is what the last day and the last night showed, for bays that close theirs later.
	Past [2]departure
	Run  run
}

// departure is how far a window departed from the bay's own habit, in its unit, and the variance of it
// that other bays do not share.
type departure struct {
	From, To int64
	Hours    float64 // 0 for none
	ETmm     float64
	Dev, Var float64
}

// departed is the window's departure; of none, where the bay has no unit or is not to be believed.
func (y *bay) departed(w *Window) (d departure) {
	if u := y.unit(w); u > 1 && !y.st.LearnHold {
		d = departure{w.From, w.To, w.Hours, w.ET / y.b.AreaM2, w.lone / u, w.loneOwn / (u * u)}
	}
	return d
}

// startsApart is how far apart alike windows begin and end at most: bays close their days at dusk, or
// when they come to rest after it.
const startsApart = 6 * hour

// alike says that the sky did the same in the window: it took as long, or by day as much evaporation
// was asked for.
func (d *departure) alike(w *Window, area float64) bool {
	if d.Hours == 0 || abs64(d.From-w.From) > startsApart || abs64(d.To-w.To) > startsApart {
		return false
	}
	return math.Abs(d.Hours-w.Hours) <= 0.3*w.Hours || !w.Night && math.Abs(d.ETmm-w.ET/area) <= 0.3*w.ET/area
}

const (
	duskRest   = 2 * hour // the first hours after sunset, when the clay drinks most, count to the day
	duskClose  = 4 * hour // when all bays' days are closed
	shortest   = 2.0      // h, the shortest window closed
	mostRain   = 3.0      // mm, the most rain in a window that is not spoilt
	longestWin = 40.0     // h, a window nobody could close is given up
)

// windows closes the windows that are due: the day's some hours after sunset, the night's at
// sunrise; and sets those under way against habit.
func (l *Ledger) windows(to int64) {
	st := &l.st
	dark := !st.Sky.Day
	switch {
	case dark && (st.WasDay || st.DuskT == 0):
		st.DuskT = to
		if !st.WasDay {
			st.DuskT = to - duskRest // the watch began in the dark
		}
	}
	sunrise := !dark && !st.WasDay && st.DuskT > 0
	st.WasDay = !dark
	l.cut(to)
	for _, y := range l.bays {
		w := &y.st.Win
		if y.st.Now.M.T != to {
			continue
		}
		// The first rest of the evening parts day from night, or a better one before the days close.
		if e := &w.Evening; dark && to-st.DuskT >= duskRest && (e.M.T == 0 || to-st.DuskT < duskClose && y.st.Now.V < e.V/4) {
			*e = y.st.Now
		}
		if w.From.M.T == 0 {
			w.From, w.Joined = y.st.Now, false
			if w.Part {
				w.Night = dark && to-st.DuskT >= duskRest
			}
		}
	}
	switch {
	case dark && to-st.DuskT >= duskClose:
		// Most bays close together; one that rests later closes when it does.
		l.closeAll(func(y *bay) *anchor {
			if w := &y.st.Win; !w.Night && w.Evening.M.T > w.From.M.T {
				return &w.Evening
			}
			return nil
		}, atDusk)
	case sunrise:
		l.closeAll(func(y *bay) *anchor {
			if a := &y.st.Now; a.M.T > st.DuskT && to-a.M.T < 3*hour {
				return a
			}
			return nil
		}, atDawn)
		for _, y := range l.bays {
			y.st.Win.Evening = anchor{}
			y.st.SettleMS = y.settleWait()
		}
	}
	l.underway(to)
}

// Where windows are closed: at the ends of the day, or by a cut.
type closing uint8

const (
	atDawn closing = iota
	atDusk
	atCut
)

// closeAll closes every bay's window at the settled moment end gives (nil or T 0: it has none).
func (l *Ledger) closeAll(end func(*bay) *anchor, at closing) {
	any := false
	for _, y := range l.bays {
		b := end(y)
		any = any || b != nil && y.st.Win.From.M.T > 0
	}
	if !any {
		return
	}
	ws := make([]Window, len(l.bays))
	due := make([]bool, len(l.bays))
	for i, y := range l.bays {
		w := &y.st.Win
		b := end(y)
		if b == nil || b.M.T == 0 || w.From.M.T == 0 {
			continue
		}
		c := y.closed(&w.From, b)
		next := at == atDusk || at == atCut && w.Night
		part := w.Part || at == atCut
		w.Part = at == atCut
		if c.Hours < shortest {
			w.From, w.Night, w.Joined = *b, next, false
			continue
		}
		if c.Hours > longestWin {
			c.Spoilt = true
		}
		ws[i] = Window{Closed: c, Night: w.Night, Joined: w.Joined, Part: part}
		if part && !w.Night {
			y.drawsLate(&ws[i])
		}
		due[i] = !c.Spoilt
		w.From, w.Night, w.Joined = *b, next, !c.Spoilt
	}
	l.setAgainst(ws, due)
	for i, y := range l.bays {
		if at != atCut {
			y.takeSlope(&l.st.Pace, l.slopesElsewhere(i))
		}
		if !due[i] {
			if ws[i].To > 0 {
				y.st.Win.Joined = false
			}
			continue
		}
		w := &ws[i]
		if !w.Part {
			y.st.Win.Past[kindOf(w.Night)] = y.departed(w)
		}
		a := &y.st.Habit
		// What a part of a day shows of evaporation is the hour's, and not the bay's.
		hold := y.st.LearnHold || y.st.Maintain > l.st.Now || w.Part && !w.Night
		if a.N >= 2 && !hold {
			l.st.Pace.see(w)
			l.st.Pace.Z2 += min(w.Nu*w.Nu/w.S, mostZ2)
		}
		if a.learn(w, y.b.AreaM2, hold); a.N > 2 && !hold {
			y.st.Win.Run.take(w, &l.st.Pace)
		}
		a.age(w.Hours, y.b.AreaM2, w.Shared)
		if !w.Part {
			mm, v := y.moved(w)
			a.moves(mm, v, w.Night)
			if w.Night {
				y.st.LastNight = w.Closed
			}
		}
		y.fresh = append(y.fresh, *w)
	}
}

// drizzle is the most rain, mm, that a night's window may have in it: what of it the clay keeps is then no more than
// what the night is unsure of by itself.
const drizzle = 0.3

// tells says whether a balance between two moments of the bay says anything: the overflow did not run, no more rain
// fell than most mm, nobody worked here, and what came in was measured.
func (y *bay) tells(a, b *mark, most float64) bool {
	return b.Spoils == a.Spoils && b.Overflow == a.Overflow && (b.Rain-a.Rain)/rainCatch <= most*y.b.AreaM2 && y.metered
}

// cut ends a window under way at the last settled moment before a time of which its balance would say nothing, so that
// only the hours of the rain or the overflow are lost: the next begins when the bay has settled again. One that began
// while rain was on its way through the clay ends when that has arrived, since until then what comes in may be that.
func (l *Ledger) cut(to int64) {
	any := false
	for i, y := range l.bays {
		w, now, soaked := &y.st.Win, &y.st.Now, 0.2*y.b.AreaM2
		most := mostRain
		if w.Night {
			most = drizzle
		}
		c := &l.cuts[i]
		*c = cutAt{}
		if w.From.M.T == 0 || !y.metered || !w.Night && w.Evening.M.T > w.From.M.T {
			continue // none is under way, or none can be closed, or the evening has ended it
		}
		c.lost = !y.tells(&w.From.M, &y.st.Cum, most)
		if now.M.T > w.From.M.T && y.tells(&w.From.M, &now.M, most) && (c.lost || w.Night && now.M.T == to && w.From.Soak > soaked && now.Soak <= soaked) {
			c.end = now
		}
		any = any || c.lost || c.end != nil
	}
	if !any {
		return
	}
	l.closeAll(func(y *bay) *anchor { return l.cuts[l.byID[y.b.ID]].end }, atCut)
	for i, y := range l.bays {
		if l.cuts[i].lost {
			y.st.Win.From, y.st.Win.Part = anchor{}, true
		}
	}
}

// cutAt is where a bay's window is cut: its end, nil for none, and whether it cannot go on from there.
type cutAt struct {
	end  *anchor
	lost bool
}

// far is how far above (+) or below (-) where the bay's level lives by day or by night a level is,
// mm, beyond what its band makes.
func (y *bay) far(level float64, night bool) float64 {
	d := level - y.st.Win.Home[kindOf(night)]
	switch {
	case d > movedMM/2:
		return d - movedMM/2
	case d < -movedMM/2:
		return d + movedMM/2
	}
	return 0
}

// moved lets a bay's level come to live where it is by a third at a time, so that a storm's visit
// is none, and returns how far that was, mm, and the variance of the factor that a level elsewhere was
// allowed there (byDepthVar) and is no more.
func (y *bay) moved(w *Window) (mm, v float64) {
	home := &y.st.Win.Home[kindOf(w.Night)]
	if *home != *home {
		*home = w.Level
		return 0, 0
	}
	step := (w.Level - *home) / 3
	far := y.far(w.Level, w.Night)
	*home += step
	if far == 0 {
		return 0, 0
	}
	return math.Abs(step), byDepthVar(far) - byDepthVar(y.far(w.Level, w.Night))
}

// setAgainst sets windows of about the same time against the bays' habits. What the sky does it
// does to all bays alike: the middle of the other bays' departures, as far as they are sure of
// it, is expected of a bay too.
func (l *Ledger) setAgainst(ws []Window, due []bool) {
	for i, y := range l.bays {
		if due[i] {
			y.st.Habit.missing(&ws[i], ws[i].late)
			common, own := y.passingVar(&ws[i], l.st.Sky.U, l.st.Pace.of(ws[i].Night))
			y.st.Habit.expect(&ws[i], ws[i].late, common+own+ws[i].lateVar)
			ws[i].lone, ws[i].loneOwn, ws[i].loneCommon = ws[i].Nu, ws[i].S-common, common
		}
	}
	odd := l.odd[:0]
	for i := range l.bays {
		odd = append(odd, due[i] && !l.middleOf(i, &ws[i], l.departures(ws, due, ws[i].Night), l.st.Sky.U, l.st.Pace.of(ws[i].Night)))
	}
	for i, o := range odd {
		due[i] = due[i] && !o
		ws[i].Wide = l.st.Pace.wide()
	}
	l.odd = odd
}

// departures are what the bays' windows show by day or by night: those that are due, and of the other
// bays the last.
func (l *Ledger) departures(ws []Window, due []bool, night bool) []departure {
	ds := l.departs[:0]
	for j, o := range l.bays {
		if due[j] && ws[j].Night == night {
			ds = append(ds, o.departed(&ws[j]))
		} else {
			ds = append(ds, o.st.Win.Past[kindOf(night)])
		}
	}
	l.departs = ds
	return ds
}

// middleOf expects of the i-th bay's window what the other bays' show in common. It
// returns false when that is far more than the weather's formula can be wrong by: rain that no
// gauge saw. Such a window says nothing.
func (l *Ledger) middleOf(i int, w *Window, ds []departure, etu float64, q factors) bool {
	y := l.bays[i]
	unit := y.unit(w)
	dev, vars := l.dev[:0], l.vars[:0]
	for j := range ds {
		if j != i && ds[j].alike(w, y.b.AreaM2) {
			dev, vars = append(dev, ds[j].Dev), append(vars, ds[j].Var)
		}
	}
	l.dev, l.vars = dev, vars
	if len(dev) < 3 || unit <= 1 {
		return true
	}
	slices.Sort(dev)
	slices.Sort(vars)
	// The median of n is as sure as the mean of n divided by the root of pi/2.
	m, v := middle(dev), math.Pi/2*middle(vars)/float64(len(dev))
	common, own := y.passingVar(w, etu, q)
	if m*m > 9*(common/(unit*unit)+v) {
		return false
	}
	share := common / (common + v*unit*unit)
	own += w.lateVar
	y.st.Habit.expect(w, w.late+share*m*unit, own+common*(1-share))
	w.Shared = true
	return true
}

// unit is what departures of bays are compared by: evaporation by day, area by night.
func (y *bay) unit(w *Window) float64 {
	if w.Night {
		return y.b.AreaM2 * w.Hours / 8
	}
	return y.st.Habit.X[aK] * w.ET
}

func middle(sorted []float64) float64 {
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// underway sets the windows under way against habit, as far as each bay has just been settled.
func (l *Ledger) underway(to int64) {
	if l.under == nil {
		l.under, l.live = make([]Window, len(l.bays)), make([]bool, len(l.bays))
	}
	for i, y := range l.bays {
		l.live[i] = false
		w := &y.st.Win
		b := &y.st.Now
		if w.From.M.T == 0 || b.M.T == 0 || to-b.M.T > hour || b.M.T-w.From.M.T < hour {
			continue
		}
		c := y.closed(&w.From, b)
		u := &l.under[i]
		if *u = (Window{Closed: c, Night: w.Night, Joined: w.Joined}); u.Night {
			y.drawsOn(u)
		} else {
			y.drawsLate(u)
		}
		l.live[i] = !c.Spoilt && c.Hours <= longestWin
	}
	l.setAgainst(l.under, l.live)
}

// Fresh returns the windows of the i-th bay that the last Tick closed, oldest first.
func (l *Ledger) Fresh(i int) []Window { return l.bays[i].fresh }

// Underway returns the window of the i-th bay under way, up to its last settled moment; ok is
// false when it has not been settled within the hour.
func (l *Ledger) Underway(i int) (w *Window, ok bool) {
	if l.under == nil || !l.live[i] {
		return nil, false
	}
	return &l.under[i], true
}

// Since sets the time from the n-th last moment kept of the i-th bay to its newest against habit,
// as a window of its own, unsettled ends allowed. It returns false when there is none, and for hours after hand watering.
func (l *Ledger) Since(i, n int, w *Window) bool {
	if !l.Lost(i, n, w) {
		return false
	}
	l.Weigh(i, n, w)
	return true
}

// Lost is Since without how sure it is: only the amounts, Night, Expected and Nu are set.
func (l *Ledger) Lost(i, n int, w *Window) bool {
	y := l.bays[i]
	a := y.kept(n)
	return a != nil && l.st.Last-y.st.Loose.M.T <= hour/2 && l.lost(y, a, &y.st.Loose, w)
}

// Weigh adds to a window that Lost has just set the rest of Since.
func (l *Ledger) Weigh(i, n int, w *Window) {
	y := l.bays[i]
	l.weigh(y, y.kept(n), &y.st.Loose, w)
}

// kept is the n-th last moment kept, nil when there are fewer.
func (y *bay) kept(n int) *anchor {
	if k := len(y.st.Anchors) - 1 - n; k >= 0 {
		return &y.st.Anchors[k]
	}
	return nil
}

// Against is a window of Since with what the site's other bays did in the same time expected of
// this one too. It returns false when that is no weather.
func (l *Ledger) Against(i int, w *Window) bool {
	if cap(l.parts) < len(l.bays) {
		l.parts, l.can = make([]Window, len(l.bays)), make([]bool, len(l.bays))
	}
	ws, can := l.parts[:len(l.bays)], l.can[:len(l.bays)]
	for j, o := range l.bays {
		a := o.near(w.From)
		can[j] = j == i || a != nil && abs64(a.M.T-w.From) < hour/2 && l.st.Last-o.st.Loose.M.T < hour/2 && l.part(o, a, &o.st.Loose, &ws[j])
	}
	ds := l.departs[:0]
	for j, o := range l.bays {
		d := departure{}
		if can[j] && j != i {
			d = o.departed(&ws[j])
		}
		ds = append(ds, d)
	}
	l.departs = ds
	return l.middleOf(i, w, ds, l.hourly(w), l.st.Pace.of(w.Night).hours())
}

// near is the bay's kept moment nearest to t, nil when it has none.
func (y *bay) near(t int64) (a *anchor) {
	for k := range y.st.Anchors {
		if b := &y.st.Anchors[k]; a == nil || abs64(b.M.T-t) < abs64(a.M.T-t) {
			a = b
		}
	}
	return a
}

// Halves is Since for the two halves of a stretch: it parts the time from ms on at the moment kept
// in the middle third at which the bay is known best, or that nearest to the middle.
func (l *Ledger) Halves(i int, from int64, one, two *Window) bool {
	y := l.bays[i]
	end := &y.st.Loose
	third := (end.M.T - from) / 3
	a, m := y.near(from), y.near(from+(end.M.T-from)/2)
	for k := range y.st.Anchors {
		if b := &y.st.Anchors[k]; b.M.T >= from+third && b.M.T <= end.M.T-third && b.V < m.V {
			m = b
		}
	}
	if m == nil || m.M.T-a.M.T < anchorGap || end.M.T-m.M.T < anchorGap {
		return false
	}
	return l.part(y, a, m, one) && l.part(y, m, end, two)
}

// Parts is Since for equal parts of a stretch.
func (l *Ledger) Parts(i int, from int64, parts []Window) bool {
	y := l.bays[i]
	end := &y.st.Loose
	a := y.near(from)
	if a == nil {
		return false
	}
	start := a.M.T
	for k := range parts {
		b := end
		if n := k + 1; n < len(parts) {
			b = y.near(start + (end.M.T-start)*int64(n)/int64(len(parts)))
		}
		if !l.part(y, a, b, &parts[k]) {
			return false
		}
		a = b
	}
	return true
}

// AtRest is Halves for the two parts of a stretch before and after the bay was last settled; false
// where it is settled now.
func (l *Ledger) AtRest(i int, from int64, one, two *Window) bool {
	y := l.bays[i]
	m, end := &y.st.Now, &y.st.Loose
	if m.M.T-from < anchorGap || end.M.T-m.M.T < anchorGap {
		return false
	}
	return l.part(y, y.near(from), m, one) && l.part(y, m, end, two)
}

// hourly is the relative uncertainty of evaporation over a window. Over some hours the weather
// departs from its formula by more than over a day: clouds, gusts, the clay's own delay.
func (l *Ledger) hourly(w *Window) float64 {
	return l.st.Sky.U * max(1, math.Sqrt(6/w.Hours))
}

// wetWhen is how much of what falls due to the clay in some hours of the night may come earlier or
// later.
const wetWhen = 0.5

// ownHours is by how much more than OwnSky some hours' evaporation is a bay's own: within a day clays differ in when
// they draw, however alike they are over one.
const ownHours = 0.2

// handSinks is how long water put on by hand is on its way down through the clay: some hours' balance
// is short of it.
const handSinks = 4 * hour

// drawsLate expects of a window that clay passes on late what the air takes.
func (y *bay) drawsLate(w *Window) {
	w.late = lateShare * y.st.Habit.X[aK] * w.Closed.Late
	w.lateVar = sq(w.late) + sq(wetWhen*y.st.Habit.X[aW]*w.Wet)
}

// drawsOn allows a night that is not over for what clay has yet to draw, which may have come already, or be behind.
func (y *bay) drawsOn(w *Window) {
	w.lateVar = sq(wetWhen * y.st.Habit.X[aW] * min(w.Wet, y.st.ClayL[1]))
}

// part sets the balance between two moments against habit.
func (l *Ledger) part(y *bay, a, b *anchor, w *Window) bool {
	if !l.lost(y, a, b, w) {
		return false
	}
	l.weigh(y, a, b, w)
	return true
}

// lost sets what part has to say of the loss, weigh how sure that is.
func (l *Ledger) lost(y *bay, a, b *anchor, w *Window) bool {
	if b.M.T-a.M.T < anchorGap || y.st.LastHandT > 0 && b.M.T-y.st.LastHandT < handSinks {
		return false
	}
	*w = Window{}
	c := &w.Closed
	if y.amounts(c, a, b); c.Spoilt {
		return false
	}
	w.Night = c.Dark > 0.9*c.Hours
	y.drawsLate(w)
	y.st.Habit.missing(w, w.late)
	return true
}

func (l *Ledger) weigh(y *bay, a, b *anchor, w *Window) {
	y.unsure(&w.Closed, a, b)
	w.lateVar += ownHours * sq(l.hourly(w)*y.st.Habit.X[aK]*w.ET)
	common, own := y.passingVar(w, l.hourly(w), l.st.Pace.of(w.Night).hours())
	own += w.lateVar
	y.st.Habit.expect(w, w.late, common+own)
	w.lone, w.loneOwn = w.Nu, w.S-common
}

// Known is how many windows of the site's bays taught how far windows depart from habit.
func (l *Ledger) Known() float64 { return l.st.Pace.N[0] + l.st.Pace.N[1] }

// mostZ2 is the most that one window says of how far all depart: one far out of line is a trouble.
const mostZ2 = 9
