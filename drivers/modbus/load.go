package modbus

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Load is how much of a line its requests take. Only lines whose speed is known have one.
type Load struct {
	Link string
	// Known is false for a link without a baud rate; nothing below is filled then and OK is true.
	Known bool
	// Share is the share of time in which frames, or the silences that belong to them, occupy
	// the line; 1 is all of it.
	Share float64
	// RequestsPerS is how many requests are sent a second.
	RequestsPerS float64
	// Longest is the longest a single request occupies the line, Wait the longest a point waits
	// after its moment for its request to start, when every device answers at once.
	Longest, Wait time.Duration
	// Parts say which device and interval takes which share, largest first.
	Parts []LoadPart
	// OK is false for a line that cannot keep up: What says so with the figures, Fix what to
	// slow down, and to what.
	OK        bool
	What, Fix string
}

// LoadPart is the share of the points of one device that have one interval, counted as if they
// were read alone.
type LoadPart struct {
	Device   string
	Interval time.Duration
	Points   int
	Share    float64
}

// Characters of a read request, and of an answer besides its data (serial line V1.02, 2.5.1):
// unit, function, address or count, and check.
const requestChars = 8

func answerChars(t Table, n int) int {
	if t == Coils || t == Discrete {
		return 5 + (n+7)/8
	}
	return 5 + 2*n
}

// most a line may be loaded: what is left is for retries, late answers and trials of dead units.
const fullLoad = 0.9

// Loads works out the load of each link, in their order, for points the site has and options
// that are valid. It plays one round of the line, the longest interval long, by the driver's own
// rules: what is due, joined by the planner, the most urgent first, one at a time. Devices are
// taken to answer at once, so a line that is refused here cannot keep up whatever its devices.
func Loads(opts Options, s *site.Site) []Load {
	loads := make([]Load, len(opts.Links))
	for i, l := range opts.Links {
		loads[i] = loadOf(l, s)
	}
	return loads
}

// occupied is how long one request occupies the line: both frames and a silence behind each.
func occupied(l Link, t Table, n int) time.Duration {
	return time.Duration(requestChars+answerChars(t, n))*charTime(l) + 2*frameGap(l)
}

func loadOf(l Link, s *site.Site) Load {
	out := Load{Link: l.ID, OK: true}
	if charTime(l) == 0 || l.ListenOnly {
		return out
	}
	out.Known = true
	round := playRound(l, s)
	out.Share, out.RequestsPerS, out.Longest, out.Wait = round.share, round.perS, round.longest, round.wait
	for _, d := range l.Devices {
		for _, iv := range intervals(d, s) {
			p := LoadPart{Device: d.ID, Interval: iv}
			one := d
			one.Points = slices.DeleteFunc(slices.Clone(d.Points), func(m PointMap) bool {
				sp := s.Point(m.Point)
				return sp == nil || sp.Interval != iv
			})
			p.Points = len(one.Points)
			for _, r := range planDevice(one, s) {
				p.Share += float64(occupied(l, r.table, r.n)+d.Turnaround) / float64(iv)
			}
			out.Parts = append(out.Parts, p)
		}
	}
	slices.SortStableFunc(out.Parts, func(a, b LoadPart) int {
		switch {
		case a.Share > b.Share:
			return -1
		case a.Share < b.Share:
			return 1
		}
		return 0
	})
	if round.ok() {
		return out
	}
	out.OK = false
	out.What = fmt.Sprintf("line %s cannot keep up: it would be busy %.0f %% of the time, and %s", l.ID, 100*round.share, round.complaint)
	out.Fix = slowDown(l, s, out.Parts)
	return out
}

func intervals(d Device, s *site.Site) []time.Duration {
	var ivs []time.Duration
	for _, m := range d.Points {
		if sp := s.Point(m.Point); sp != nil && sp.Interval > 0 && !slices.Contains(ivs, sp.Interval) {
			ivs = append(ivs, sp.Interval)
		}
	}
	slices.Sort(ivs)
	return ivs
}

func planDevice(d Device, s *site.Site) []block {
	var spans []span
	for i, m := range d.Points {
		if s.Point(m.Point) != nil {
			spans = append(spans, span{point: i, table: m.Table, start: m.Address, n: m.Decode.Type.Registers()})
		}
	}
	return plan(spans, limits{registers: d.MaxRegisters, bits: d.MaxBits, gap: d.MaxGap})
}

type round struct {
	share, perS   float64
	longest, wait time.Duration
	complaint     string // empty when the line keeps up
}

func (r round) ok() bool { return r.complaint == "" }

// longestRound bounds how much of the line's time is played.
const longestRound = 10 * time.Minute

// playRound plays the line's time in units of the clock, without waiting.
func playRound(l Link, s *site.Site) round {
	type job struct {
		dev           *device
		b             block
		due, interval time.Duration
	}
	var devs []*device
	horizon := time.Duration(0)
	for _, o := range l.Devices {
		known := o
		known.Points = slices.DeleteFunc(slices.Clone(o.Points), func(m PointMap) bool { sp := s.Point(m.Point); return sp == nil || sp.Interval <= 0 })
		if len(known.Points) == 0 {
			continue
		}
		d := newDevice(l.Kind, known, s, l.ID, nil)
		devs = append(devs, d)
		for _, g := range d.groups {
			horizon = max(horizon, g.interval)
		}
	}
	if horizon == 0 {
		return round{}
	}
	// Two rounds, and many of the shortest interval, so that what is left over is seen to grow.
	shortest := horizon
	for _, d := range devs {
		shortest = min(shortest, d.groups[0].interval)
	}
	horizon = min(max(2*horizon, 20*shortest), longestRound)
	type state struct {
		group *group
		dev   *device
		next  time.Duration
	}
	var states []*state
	for _, d := range devs {
		for _, g := range d.groups {
			states = append(states, &state{group: g, dev: d})
		}
	}
	var out round
	free := map[*device]time.Duration{}
	var ready []job
	now, busy, requests := time.Duration(0), time.Duration(0), 0
	for now < horizon && (out.complaint == "" || now < 2*shortest) {
		next := time.Duration(math.MaxInt64)
		for _, d := range devs {
			var set uint64
			var due time.Duration
			for _, st := range states {
				if st.dev != d {
					continue
				}
				if st.next <= now {
					set |= st.group.bit
					due = st.next
					st.next += st.group.interval
				}
				next = min(next, st.next)
			}
			if set == 0 {
				continue
			}
			for _, r := range d.requests(set) {
				ready = append(ready, job{d, r.block, due, r.interval})
			}
		}
		best := -1
		for i, j := range ready {
			if free[j.dev] > now {
				next = min(next, free[j.dev])
				continue
			}
			if best < 0 || j.due+j.interval < ready[best].due+ready[best].interval {
				best = i
			}
		}
		if best < 0 {
			now = next
			continue
		}
		j := ready[best]
		ready = slices.Delete(ready, best, best+1)
		cost := occupied(l, j.b.table, j.b.n)
		if wait := now - j.due; wait > out.wait {
			out.wait = wait
		}
		if now-j.due > j.interval/2 && out.complaint == "" {
			out.complaint = fmt.Sprintf("device %s, wanted every %s, would be asked %s after its moment", j.dev.o.ID, site.FormatDuration(j.interval), site.FormatDuration((now - j.due).Round(time.Millisecond)))
		}
		out.longest = max(out.longest, cost)
		now += cost
		busy += cost
		requests++
		free[j.dev] = now + j.dev.o.Turnaround
	}
	// What was asked for, whether or not it was done in the time.
	for _, j := range ready {
		busy += occupied(l, j.b.table, j.b.n)
		requests++
	}
	// Broken off where it is clear that the line does not keep up: what was asked for until then.
	span := min(max(now, shortest), horizon)
	if out.complaint != "" {
		span = shortest * (1 + (now-1)/shortest)
	}
	out.share = float64(busy) / float64(span)
	out.perS = float64(requests) / span.Seconds()
	if out.share > fullLoad && out.complaint == "" {
		out.complaint = fmt.Sprintf("more than %.0f %% leaves no time for a retry", 100*fullLoad)
	}
	return out
}

// usualIntervals are those a person would choose.
var usualIntervals = []time.Duration{
	200 * time.Millisecond, 500 * time.Millisecond, time.Second, 2 * time.Second, 3 * time.Second, 5 * time.Second, 10 * time.Second,
	15 * time.Second, 20 * time.Second, 30 * time.Second, time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute,
}

// slowDown says what to slow down until the line keeps up: step by step what takes most, and what
// of the same interval takes nearly as much with it.
func slowDown(l Link, s *site.Site, parts []LoadPart) string {
	t := *s
	t.Points = slices.Clone(s.Points)
	now := make([]time.Duration, len(parts))
	for i, p := range parts {
		now[i] = p.Interval
	}
	share := func(i int) float64 { return parts[i].Share * float64(parts[i].Interval) / float64(now[i]) }
	played := playRound(l, &t)
	for !played.ok() {
		most := 0
		for i := range parts {
			if share(i) > share(most) {
				most = i
			}
		}
		k := slices.IndexFunc(usualIntervals, func(d time.Duration) bool { return d > now[most] })
		if k < 0 {
			return "use a faster line or divide the devices among several lines"
		}
		from, least := now[most], 0.8*share(most)
		for i := range parts {
			if now[i] == from && share(i) >= least {
				now[i] = usualIntervals[k]
			}
		}
		for i, p := range parts {
			for _, sp := range pointsOf(l, p, s) {
				t.Point(sp.ID).Interval = now[i]
			}
		}
		played = playRound(l, &t)
	}
	type change struct{ from, to time.Duration }
	var order []change
	slowed, all := map[change][]string{}, map[time.Duration]int{}
	for i, p := range parts {
		all[p.Interval]++
		c := change{p.Interval, now[i]}
		if c.from == c.to {
			continue
		}
		if slowed[c] == nil {
			order = append(order, c)
		}
		slowed[c] = append(slowed[c], p.Device)
	}
	var words []string
	for _, c := range order {
		devices := slowed[c]
		slices.Sort(devices)
		of := strings.Join(devices, ", ")
		if len(devices) > 1 && len(devices) == all[c.from] {
			of = fmt.Sprintf("all %d devices read so often", len(devices))
		}
		words = append(words, fmt.Sprintf("raise the interval of %s from %s to %s", of, site.FormatDuration(c.from), site.FormatDuration(c.to)))
	}
	return strings.Join(words, "; ") + fmt.Sprintf(" (the line is then busy %.0f %% of the time), or use a faster line", 100*played.share)
}

// pointsOf are the points of the site that part p of the load is made of.
func pointsOf(l Link, p LoadPart, s *site.Site) []*site.Point {
	var points []*site.Point
	for _, d := range l.Devices {
		if d.ID != p.Device {
			continue
		}
		for _, m := range d.Points {
			if sp := s.Point(m.Point); sp != nil && sp.Interval == p.Interval {
				points = append(points, sp)
			}
		}
	}
	return points
}
