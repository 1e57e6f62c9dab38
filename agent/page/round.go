package page

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// The rules of the morning round. The step and the waiting time are common practice in the
// trade, which has no source to cite: moves of 0.1 to 0.2 inch, then up to 24 hours before the
// effect is judged; hourly looks in the first week after a first fill, daily after.
const (
	inchM = 0.0254
	// smallMoveM follows one report, largeMoveM the same report at two rounds running.
	smallMoveM, largeMoveM = 0.1 * inchM, 0.2 * inchM
	// settlesIn is how long after a move nothing is judged.
	settlesIn = 24 * time.Hour
	// crestRoomM is how far below the overflow's crest a set point must stay.
	crestRoomM = 0.015
	// heavyRainM in rainSpan makes the surface tell of the rain, not of the set point.
	heavyRainM = 0.010
	rainSpan   = 24 * time.Hour
	firstWeek  = 7 * 24 * time.Hour
	// reportFor is how long a report of the surface is of today.
	reportFor = 12 * time.Hour
	// dipUStd is the standard uncertainty of a dip: a stick read to the nearest 4 mm mark, a
	// rectangular distribution of half-width 2 mm (JCGM 100:2008, 4.3.7).
	dipUStd = 0.002 / 1.7320508075688772
	// sensorUStd stands for a level sensor whose site file says nothing.
	sensorUStd = 0.001
)

// surfaceReport is what the round knows of how a bay plays.
type surfaceReport struct {
	Plays string // dry, right, soft; empty when nobody said today
	Again bool   // the round before, since the last move, said the same
}

// roundInput is everything a proposal rests on.
type roundInput struct {
	Surface    surfaceReport
	SetM       float64
	LevelM     float64 // settled level
	LevelU     float64 // expanded
	BandM      float64
	CrestM     float64 // NaN when not known
	TopM       float64 // underside of the surface layer
	Settled    bool
	Open       []string      // what is open on the bay, in words
	RainM      float64       // of the last day, NaN when nothing measures it
	SinceMove  time.Duration // since the set point last moved
	SinceFirst time.Duration // since the season opened
	Closed     bool
}

// propose returns by how much the set point should move, metres, 0 for not at all, and why. It
// proposes; a person moves the set point at their own controller.
func propose(in roundInput, w words.Voice) (moveM float64, why string) {
	tolerance := in.BandM
	if site.Known(in.LevelU) {
		tolerance += in.LevelU
	}
	switch {
	case in.Closed:
		return 0, w.Say("The season is closed.")
	case in.Surface.Plays == "":
		return 0, w.Say("Say how it plays, and the watch says whether the set point should move.")
	case len(in.Open) > 0:
		return 0, w.Say("Not while this is open: %s.", w.List(in.Open))
	case !site.Known(in.SetM):
		return 0, w.Say("The set point is not known.")
	case in.SinceMove < settlesIn:
		return 0, w.Say("The set point moved %s ago; a move is judged after %s.", w.Span(in.SinceMove), w.Span(settlesIn))
	case in.RainM >= heavyRainM:
		return 0, w.Say("%s of rain fell in the last day; the surface tells of that.", w.Fine(in.RainM))
	case !in.Settled:
		return 0, w.Say("The bay is not at rest; look again when it is.")
	case !site.Known(in.LevelM) || math.Abs(in.LevelM-in.SetM) > tolerance:
		return 0, w.Say("The level is not at its set point (%s); that comes first.", offText(w, in.LevelM-in.SetM))
	case in.Surface.Plays == "right":
		return 0, w.Say("It plays right: leave it.")
	}
	move := smallMoveM
	if in.Surface.Again {
		move = largeMoveM
	}
	if in.Surface.Plays == "soft" {
		move = -move
	}
	to := in.SetM + move
	if move > 0 {
		if site.Known(in.CrestM) && to > in.CrestM-crestRoomM {
			return 0, w.Say("It plays dry, but the set point would come within %s of the overflow.", w.Depth(crestRoomM))
		}
		if to > in.TopM {
			return 0, w.Say("It plays dry, but the set point would stand in the playing layer.")
		}
	} else if to <= in.BandM {
		return 0, w.Say("It plays soft, but the set point is as low as it can be.")
	}
	if in.Surface.Again {
		return move, w.Say("It played %s at two rounds running and the level holds its set point. Judge it after %s.", w.Say(in.Surface.Plays), w.Span(settlesIn))
	}
	return move, w.Say("It played %s today and the level holds its set point. Judge it after %s.", w.Say(in.Surface.Plays), w.Span(settlesIn))
}

// fine writes a depth as fine as a controller can be set to: half millimetres, or hundredths of an
// inch.
func fine(m float64, w words.Voice) string {
	if !w.Display.Inches {
		m = math.Round(m*2000) / 2000
	}
	return w.Fine(m)
}

// notAtRest marks the record of a dip at a bay that was not at rest.
const notAtRest = "not at rest"

// agreement says whether dip, sensor and set point agree within their combined uncertainty, or
// why that cannot be said.
func agreement(dip site.Record, p *site.Point, setM, bandM float64, w words.Voice) (says string, agrees bool) {
	switch {
	case dip.Text == notAtRest:
		return w.Say("The bay was not at rest when it was dipped, so the dip cannot be compared. Dip again when it says settled."), false
	case !site.Known(dip.Value2):
		return w.Say("The sensor gave no reading at the dip, so there is nothing to compare it with."), false
	}
	u := sensorUStd
	if p != nil && site.Known(p.UStd) {
		u = p.UStd
	}
	limit := 2 * math.Hypot(dipUStd, u) // k=2
	diff := dip.Value - dip.Value2
	if math.Abs(diff) > limit {
		return w.Say("Dip and sensor differ by %s; their uncertainty allows %s.", fine(math.Abs(diff), w), fine(limit, w)), false
	}
	if off := dip.Value2 - setM; site.Known(off) && math.Abs(off) > bandM+2*u {
		return w.Say("Dip and sensor agree; the level is not at its set point (%s).", offText(w, off)), false
	}
	if !site.Known(setM) {
		return w.Say("Dip and sensor agree."), true
	}
	return w.Say("Dip, sensor and set point agree."), true
}

// The rules for offering an offset: enough dips over enough days, and a mean difference that its
// uncertainty does not explain.
const (
	offsetDips = 5
	offsetSpan = 14 * 24 * time.Hour
	offsetBack = 42 * 24 * time.Hour
)

// drift is what the dips of some weeks say of a level sensor.
type drift struct {
	N           int
	Over        time.Duration
	MeanM, U    float64 // dip less sensor, expanded uncertainty
	Significant bool
}

// driftOf compares dips and sensor since the point was last calibrated or changed. The
// uncertainty has the scatter of the mean and the part of a dip that is the same every day (the
// stick's zero), which no number of dips removes.
func driftOf(records []site.Record, bay, point string) drift {
	var diffs []float64
	var first, last time.Time
	for _, r := range records {
		switch {
		case (r.Kind == site.RecCalibration || r.Kind == site.RecSensorChanged) && r.Subject == point:
			diffs = nil
		case r.Kind == site.RecDip && r.Bay == bay && r.Text != notAtRest && site.Known(r.Value2):
			if len(diffs) == 0 {
				first = r.Time
			}
			diffs, last = append(diffs, r.Value-r.Value2), r.Time
		}
	}
	d := drift{N: len(diffs), Over: last.Sub(first), MeanM: math.NaN(), U: math.NaN()}
	if d.N < 2 {
		return d
	}
	sum := 0.0
	for _, x := range diffs {
		sum += x
	}
	d.MeanM = sum / float64(d.N)
	ss := 0.0
	for _, x := range diffs {
		ss += (x - d.MeanM) * (x - d.MeanM)
	}
	scatter := math.Sqrt(ss / float64(d.N-1) / float64(d.N))
	d.U = 2 * math.Hypot(scatter, dipUStd/2)
	d.Significant = d.N >= offsetDips && d.Over >= offsetSpan && math.Abs(d.MeanM) > d.U
	return d
}

type roundPage struct {
	shell
	Bays   []roundCard
	Said   string
	Notes  []string // what is told for information, and the procedures that wait for somebody
	CanAct bool
	Unit   string
	WUnit  string
	Hourly bool
	// CanCorrect is true where an offset can be accepted on the page.
	CanCorrect bool
	Likely     []string // amounts for one tap
}

type roundCard struct {
	ID, Name            string
	Set, Level, Doing   string
	Rest                string // how sure the level is at rest
	Trouble             string
	Severity            site.Severity
	Night               string
	DipText, DipJudged  string
	DipAgrees           bool
	Surface             string
	Move, Why           string
	Moved               string
	FixedSet            bool
	Offset, OffsetOffer string
}

func (s *Server) round(w http.ResponseWriter, r *http.Request) {
	sh := s.shell(r, words.Key("Morning round"), "round")
	p := roundPage{shell: sh, Said: said(sh, r), CanAct: s.mayAct(r), CanCorrect: s.deps.Calibration != nil}
	v := viewOf(r, s)
	if v == nil || v.Site == nil {
		s.render(w, r, http.StatusOK, "round", p)
		return
	}
	p.Unit, _ = v.Site.Display.DepthUnit()
	p.WUnit, _ = v.Site.Display.WaterUnit()
	p.Likely = []string{"100", "200", "500"}
	if v.Site.Display.Gallons {
		p.Likely = []string{"25", "50", "100"}
	}
	records, rain, err := s.roundHistory(r.Context(), v, sh.now)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	opened := time.Time{}
	for _, x := range records {
		if x.Kind == site.RecSeason && x.Text == "open" {
			opened = x.Time
		}
	}
	p.Hourly = !opened.IsZero() && sh.now.Sub(opened) < firstWeek
	for _, a := range v.Alarms {
		if a.Told && a.Present && a.Now.Severity == site.Info {
			p.Notes = append(p.Notes, words.Sentence(a.Now.Because))
		}
	}
	p.Notes = append(p.Notes, v.Procedures.Waiting()...)
	for i := range v.Bays {
		p.Bays = append(p.Bays, roundCardOf(sh.voice, v, &v.Bays[i], records, rain, opened))
	}
	s.render(w, r, http.StatusOK, "round", p)
}

// roundHistory reads the records the round looks at and the rain of the last day.
func (s *Server) roundHistory(ctx context.Context, v *View, now time.Time) (records []site.Record, rainM float64, err error) {
	rainM = site.Unknown()
	if s.deps.History == nil {
		return nil, rainM, nil
	}
	records, err = s.deps.History.Records(ctx, now.Add(-offsetBack), now.Add(time.Second),
		site.RecDip, site.RecSurface, site.RecSetPoint, site.RecSeason, site.RecCalibration, site.RecSensorChanged)
	if err != nil {
		return nil, rainM, fmt.Errorf("page: read the rounds: %w", err)
	}
	if p := v.Site.Find("", site.Rain); p != nil {
		dots, err := s.deps.History.Series(ctx, p.ID, now.Add(-rainSpan), now.Add(time.Second), time.Hour)
		if err != nil {
			return nil, rainM, fmt.Errorf("page: read the rain: %w", err)
		}
		rainM = risen(dots)
	}
	return records, rainM, nil
}

// surfaceOf returns how a bay plays today and whether the round before said the same. What was
// said before the set point moved is answered by the move.
func surfaceOf(records []site.Record, bay string, moved, now time.Time) (rep surfaceReport, last site.Record) {
	for _, r := range records {
		if r.Kind != site.RecSurface || r.Bay != bay || !r.Time.After(moved) {
			continue
		}
		if r.Time.Sub(last.Time) >= reportFor { // another round; within one the newest word counts
			rep.Again = last.Text == r.Text
		}
		rep.Plays, last = r.Text, r
	}
	if now.Sub(last.Time) >= reportFor {
		return surfaceReport{}, last
	}
	return rep, last
}

// risen is how far a running total rose over a series; a total that starts again counts from
// there. NaN when there are not two readings.
func risen(dots []Dot) float64 {
	sum, n := 0.0, 0
	last := math.NaN()
	for _, d := range dots {
		lo, hi := d.Min, d.Max
		if !site.Known(lo) || !site.Known(hi) {
			continue
		}
		if n > 0 && lo >= last {
			sum += lo - last
		}
		sum += hi - lo
		last = hi
		n++
	}
	if n == 0 {
		return math.NaN()
	}
	return sum
}

func roundCardOf(w voice, v *View, b *Bay, records []site.Record, rainM float64, opened time.Time) roundCard {
	sb := v.Site.Bay(b.Bay)
	card := bayCardOf(w, v, b, reachOf(v.Site, v.Bays))
	c := roundCard{ID: b.Bay, Name: card.Name, Set: w.Depth(b.SetPointM), Level: card.Level, Doing: card.State, Trouble: card.Trouble, Severity: card.Severity,
		FixedSet: v.Site.Find(b.Bay, site.SetPoint) == nil, Rest: w.Say("not at rest")}
	if b.Settled {
		c.Rest = w.Say("at rest")
	}
	if n := b.Night; !n.From.IsZero() {
		rest, odd := restOf(w, n)
		switch took := w.Water(n.MeteredM3); {
		case n.OverflowRan:
			c.Night = w.Say("Last night it took %s; the overflow ran.", took)
		case odd:
			c.Night = w.Say("Last night it took %s; unexplained %s, beyond its uncertainty.", took, rest)
		default:
			c.Night = w.Say("Last night it took %s; unexplained %s.", took, rest)
		}
	}
	in := roundInput{SetM: b.SetPointM, LevelM: b.SettledM, LevelU: b.BayLevelU, BandM: sb.BandM, CrestM: sb.CrestM, TopM: sb.SurfaceBottomM(),
		Settled: b.Settled, RainM: rainM, SinceMove: w.now.Sub(b.SetPointMoved), Closed: v.Closed, SinceFirst: w.now.Sub(opened)}
	if b.SetPointMoved.IsZero() {
		in.SinceMove = math.MaxInt64
	} else if in.SinceMove < 7*24*time.Hour {
		c.Moved = w.Say("Set point moved %s.", w.clock(b.SetPointMoved))
	}
	for _, a := range v.Alarms {
		if a.Present && a.Now.Severity != site.Info && concerns(a.Now, b.Bay) {
			in.Open = append(in.Open, w.Lower(w.Title(a.Now.Kind)))
		}
	}
	point := ""
	p := v.Site.Find(b.Bay, site.Level)
	if p != nil {
		point = p.ID
	}
	for _, r := range records {
		if r.Bay != b.Bay {
			continue
		}
		switch r.Kind {
		case site.RecDip:
			c.DipText = w.by(w.Say("%s at %s", w.Depth(r.Value), w.clock(r.Time)), r.Who)
			c.DipJudged, c.DipAgrees = agreement(r, p, b.SetPointM, sb.BandM, w.Voice)
		}
	}
	report, last := surfaceOf(records, b.Bay, b.SetPointMoved, w.now)
	in.Surface = report
	if report.Plays != "" {
		c.Surface = w.by(w.Say("%s at %s", w.Say(last.Text), w.clock(last.Time)), last.Who)
	}
	move, why := propose(in, w.Voice)
	c.Why = why
	if move != 0 {
		phrase := words.Key("Raise the set point by %s, to %s.")
		if move < 0 {
			phrase = words.Key("Lower the set point by %s, to %s.")
		}
		c.Move = w.Say(phrase, fine(math.Abs(move), w.Voice), fine(b.SetPointM+move, w.Voice))
	}
	if d := driftOf(records, b.Bay, point); d.Significant {
		phrase := words.Key("%d dips over %s stand %s \u00b1 %s above the sensor.")
		if d.MeanM < 0 {
			phrase = words.Key("%d dips over %s stand %s \u00b1 %s below the sensor.")
		}
		c.Offset = w.Say(phrase, d.N, w.Span(d.Over), fine(math.Abs(d.MeanM), w.Voice), fine(d.U, w.Voice))
		c.OffsetOffer = fine(d.MeanM, w.Voice)
	}
	return c
}

// by adds who did what was said.
func (w voice) by(what, who string) string {
	if who == "" {
		return what
	}
	return w.Say("%s by %s", what, who)
}

// acceptOffset takes the offset the dips propose. The figure is worked out again here: what a
// form carries is not trusted with a calibration.
func (s *Server) acceptOffset(r *http.Request, v *View) (site.Record, string, error) {
	rec := blank(site.RecCalibration)
	b, _, err := bayOf(r, v)
	if err != nil {
		return rec, "", err
	}
	p := v.Site.Find(b.Bay, site.Level)
	records, _, err := s.roundHistory(r.Context(), v, s.deps.Now())
	if err != nil {
		return rec, "", err
	}
	var d drift
	if p != nil {
		d = driftOf(records, b.Bay, p.ID)
	}
	if !d.Significant {
		return rec, "", bad("The dips of %s do not show an offset of its sensor.", bayName(v.Site, b.Bay))
	}
	gain, offset := 1.0, 0.0
	if k, ok := s.deps.Calibration(p.ID); ok {
		gain, offset = k.Gain, k.Offset
	}
	rec.Bay, rec.Subject, rec.Value, rec.Value2 = b.Bay, p.ID, gain, offset+math.Round(d.MeanM*10000)/10000
	rec.Text = fmt.Sprintf("offset from %d dips", d.N)
	return rec, "offset", nil
}
