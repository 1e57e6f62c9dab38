package modbus

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"
)

// Driver reads every point of its Options at its interval.
type Driver struct {
	clk   clock.Clock
	log   *slog.Logger
	links []*link
	wg    sync.WaitGroup
}

// Sink takes the samples of one answer, or of one moment at which there was none. samples
// belongs to the sink until it calls done, from any goroutine; the driver then uses it again.
// Called from every link's goroutine, so concurrently. While it blocks, its link waits.
type Sink func(samples []site.Sample, done func())

// Check returns everything that is wrong with opts for this site: what Validate finds, points
// the site does not have, and lines that cannot keep up with what is asked of them.
func Check(opts Options, s *site.Site) site.Problems {
	ps := opts.Validate()
	for i, l := range opts.Links {
		for j, d := range l.Devices {
			for k, p := range d.Points {
				at := fmt.Sprintf("links[%d].devices[%d].points[%d]", i, j, k)
				sp := s.Point(p.Point)
				if sp == nil {
					ps.Add(at+".point", "use the id of a point", "the site has no point %q", p.Point)
					continue
				}
				if sp.Interval < shortestInterval {
					ps.Add(at+".interval", fmt.Sprintf("use %v or longer", shortestInterval), "point %s is to be read every %v", p.Point, sp.Interval)
				}
				checkQuantity(&ps, at, p, sp, s)
			}
			if n := distinctIntervals(d, s); n > 64 {
				ps.Add(fmt.Sprintf("links[%d].devices[%d].points", i, j), "use fewer different intervals", "%d different intervals on one device", n)
			}
		}
	}
	if len(ps) == 0 {
		for i, load := range Loads(opts, s) {
			if !load.OK {
				ps.Add(fmt.Sprintf("links[%d]", i), load.Fix, "%s", load.What)
			}
		}
	}
	return ps
}

// shortestInterval is as often as a point may be read.
const shortestInterval = 100 * time.Millisecond

func checkQuantity(ps *site.Problems, at string, p PointMap, sp *site.Point, s *site.Site) {
	bit := p.Decode.Type == Bit || p.Decode.Type == BitOf
	if bit && sp.Quantity != site.ValveOpen {
		ps.Add(at+".type", "use a number's form", "a bit cannot be a %s", sp.Quantity)
	}
	if (p.Decode.Head != nil || p.Decode.Distance != nil) && sp.Quantity != site.Level {
		ps.Add(at, "remove it, or make the point a level", "a %s is not made of a head or a distance", sp.Quantity)
	}
	if h := p.Decode.Head; h != nil && h.Barometer != "" {
		if b := s.Point(h.Barometer); b == nil || b.Quantity != site.AirPressure {
			ps.Add(at+".barometer", "name a point of air pressure", "%q is not one", h.Barometer)
		}
	}
}

func distinctIntervals(d Device, s *site.Site) int {
	seen := map[time.Duration]bool{}
	for _, p := range d.Points {
		if sp := s.Point(p.Point); sp != nil {
			seen[sp.Interval] = true
		}
	}
	return len(seen)
}

// New returns a driver that has not yet opened anything. The error is a site.Problems when opts
// do not fit the site.
func New(opts Options, s *site.Site, clk clock.Clock, log *slog.Logger) (*Driver, error) {
	return newDriver(opts, s, clk, log, open)
}

func newDriver(opts Options, s *site.Site, clk clock.Clock, log *slog.Logger, open opener) (*Driver, error) {
	if err := Check(opts, s).Err(); err != nil {
		return nil, fmt.Errorf("modbus: %w", err)
	}
	return build(opts, s, clk, log, open), nil
}

// build makes a driver of options that were checked.
func build(opts Options, s *site.Site, clk clock.Clock, log *slog.Logger, open opener) *Driver {
	d := &Driver{clk: clk, log: log}
	barometers := map[string]*point{} // by point id; an absolute Head may have its own on another link
	for _, o := range opts.Links {
		d.links = append(d.links, newLink(d, o, s, open))
	}
	for _, l := range d.links {
		for _, dev := range l.devices {
			for _, p := range dev.points {
				if p.site.Quantity == site.AirPressure {
					barometers[p.site.ID] = p
				}
			}
		}
	}
	for _, l := range d.links {
		for _, dev := range l.devices {
			for _, p := range dev.points {
				if h := p.decode.Head; h != nil && h.Absolute {
					p.barometer = barometers[h.Barometer]
				}
			}
		}
	}
	return d
}

// Run reads until ctx ends and returns when every goroutine has finished. Each point's sample is
// handed to sink at each of its intervals, Bad with the reason when it cannot be read; the
// moments of a point are strictly increasing whole milliseconds, UTC. Run is called once.
func (d *Driver) Run(ctx context.Context, sink Sink) error {
	d.Start(ctx, sink)
	return d.Wait()
}

// Start begins what Run does and returns at once. On a Stepped clock the links are parties from
// the moment Start returns, so a caller that holds its own Work meanwhile loses no instant.
func (d *Driver) Start(ctx context.Context, sink Sink) {
	for _, l := range d.links {
		done := d.clk.Work()
		d.wg.Go(func() {
			defer done()
			l.run(ctx, sink)
		})
	}
}

// Wait returns when the links have finished, which they do when the ctx of Start ends. Nothing
// on the field is an error: it is told by samples, Stats and the log.
func (d *Driver) Wait() error {
	d.wg.Wait()
	return nil
}

// Stats returns the state of every link and every device, in the order of the Options. It may
// be called at any time from any goroutine.
func (d *Driver) Stats() ([]LinkStats, []DeviceStats) {
	var links []LinkStats
	var devices []DeviceStats
	for _, l := range d.links {
		l.mu.Lock()
		s := l.stats
		l.mu.Unlock()
		links = append(links, s)
		for _, dev := range l.devices {
			devices = append(devices, dev.tally.read())
		}
	}
	return links, devices
}

// point is one mapped point.
type point struct {
	site     site.Point
	decode   Decode
	span     span
	interval time.Duration
	lo, hi   float64
	last     time.Time // time of its last sample
	// barometer is the air pressure of an absolute Head, nil when no link reads it.
	barometer *point
	// airPa and airMS are the last good value of a barometer as float bits and its time. Another
	// link reads them: one belonging to the reading before does no harm.
	airPa atomic.Uint64
	airMS atomic.Int64
	// refusedUntil and refusal: the device has refused the point alone, and is asked again then.
	refusedUntil time.Time
	refusal      time.Duration
	// heard is what another master was told of the point since its last sample; guarded by the
	// link's mu.
	heard   site.Sample
	isHeard bool
}

func newPoint(m PointMap, index int, s site.Point) *point {
	p := &point{site: s, decode: m.Decode, interval: s.Interval, lo: s.Min, hi: s.Max,
		span: span{point: index, table: m.Table, start: m.Address, n: m.Decode.Type.Registers()}}
	info, _ := s.Quantity.Info()
	if math.IsNaN(p.lo) {
		p.lo = info.Min
	}
	if math.IsNaN(p.hi) {
		p.hi = info.Max
	}
	return p
}

// value decodes what a request for block b brought.
func (p *point) value(b *block, data []byte, now time.Time) (float64, site.Why) {
	at := p.span.start - b.start
	if p.decode.Type == Bit {
		if at/8 >= len(data) {
			return math.NaN(), site.WhyBadFrame
		}
		bit := [1]byte{data[at/8] >> (at % 8) & 1}
		return p.decode.Value(bit[:], math.NaN())
	}
	if 2*at > len(data) {
		return math.NaN(), site.WhyBadFrame
	}
	v, why := p.decode.Value(data[2*at:], p.air(now))
	if why != site.WhyNone {
		return v, why
	}
	if !(v >= p.lo && v <= p.hi) {
		return math.NaN(), site.WhyOutOfRange
	}
	if p.site.Quantity == site.AirPressure {
		p.airPa.Store(math.Float64bits(v))
		p.airMS.Store(now.UnixMilli())
	}
	return v, site.WhyNone
}

// air returns the air pressure for an absolute Head, NaN when it has none or an old one.
func (p *point) air(now time.Time) float64 {
	b := p.barometer
	if b == nil {
		return math.NaN()
	}
	ms := b.airMS.Load()
	if age := now.Sub(time.UnixMilli(ms)); ms == 0 || age > p.decode.Head.BarometerAge || age < -p.decode.Head.BarometerAge {
		return math.NaN()
	}
	return math.Float64frombits(b.airPa.Load())
}

// stamp returns the sample for this value, or for the reason there is none, dated now: UTC, whole milliseconds, later than the
// one before. Where the clock has gone back, later than the one before is no true time any more,
// and the sample says so.
func (p *point) stamp(now time.Time, v float64, why site.Why) site.Sample {
	q := site.Good
	if why != site.WhyNone {
		q = site.Bad
	}
	t := now.UTC().Truncate(time.Millisecond)
	if !t.After(p.last) {
		if q == site.Good && p.last.Sub(t) > time.Second {
			q, why = site.Uncertain, site.WhyClock
		}
		t = p.last.Add(time.Millisecond)
	}
	p.last = t
	return site.Sample{Point: p.site.ID, Time: t, Value: v, Quality: q, Why: why}
}

// device is one unit with its points and how it behaves.
type device struct {
	o      Device
	unit   *unit
	points []*point
	groups []*group
	tally  *tally
	plans  map[uint64][]*request
	// walls are addresses at which a request must not reach over from what lies before.
	walls map[Table][]int
	// notBefore is the real moment before which the unit is not asked: its turnaround pause, or
	// the time in which an answer it failed to give may still come.
	notBefore time.Time
	failures  int  // in a row
	silent    bool // given up; asked once at retryAt
	retryAt   time.Time
	pause     time.Duration
	why       site.Why // of the last failure, for the log's edges
}

// group is the points of a device that share an interval.
type group struct {
	interval time.Duration
	bit      uint64
	points   []int
	due      time.Time
	pending  int // requests queued and not yet done
}

// request is a prepared block of a device's plan.
type request struct {
	dev      *device
	block    block
	groups   []*group
	interval time.Duration // the shortest of its points
	due      time.Time
	retried  bool
	why      site.Why // why it is asked again
}

func newDevice(l LinkKind, o Device, s *site.Site, link string, transaction *uint16) *device {
	d := &device{o: o, plans: map[uint64][]*request{}, walls: map[Table][]int{}, tally: &tally{}}
	d.tally.s = DeviceStats{Link: link, Device: o.ID, Unit: o.Unit}
	d.unit = newUnit(l, byte(o.Unit), transaction)
	d.unit.any, d.unit.timeout = o.AnyUnit, o.Timeout
	byInterval := map[time.Duration]*group{}
	for i, m := range o.Points {
		p := newPoint(m, i, *s.Point(m.Point))
		d.points = append(d.points, p)
		g := byInterval[p.interval]
		if g == nil {
			g = &group{interval: p.interval}
			byInterval[p.interval] = g
			d.groups = append(d.groups, g)
		}
		g.points = append(g.points, i)
	}
	slices.SortFunc(d.groups, func(a, b *group) int { return int(a.interval - b.interval) })
	for i, g := range d.groups {
		g.bit = 1 << i
	}
	return d
}

// next is the first moment of the group after now: a whole multiple of its interval, counted
// from midnight of the first of January of year 1 UTC as time.Truncate does.
func (g *group) next(now time.Time) time.Time { return now.Truncate(g.interval).Add(g.interval) }

// wall reports whether one request may not hold both addresses.
func (d *device) wall(t Table, left, right int) bool {
	for _, w := range d.walls[t] {
		if left < w && w <= right {
			return true
		}
	}
	return false
}

// requests returns the prepared requests for the groups in set.
func (d *device) requests(set uint64) []*request {
	if r, ok := d.plans[set]; ok {
		return r
	}
	var spans []span
	for _, g := range d.groups {
		if set&g.bit != 0 {
			for _, i := range g.points {
				spans = append(spans, d.points[i].span)
			}
		}
	}
	r := d.prepare(spans)
	d.plans[set] = r
	return r
}

func (d *device) prepare(spans []span) []*request {
	var rs []*request
	for _, b := range plan(spans, limits{registers: d.o.MaxRegisters, bits: d.o.MaxBits, gap: d.o.MaxGap, wall: d.wall}) {
		r := &request{dev: d, block: b, interval: time.Duration(math.MaxInt64)}
		for _, g := range d.groups {
			if slices.ContainsFunc(b.points, func(i int) bool { return d.points[i].interval == g.interval }) {
				r.groups = append(r.groups, g)
				r.interval = min(r.interval, g.interval)
			}
		}
		rs = append(rs, r)
	}
	return rs
}

// split puts a wall into a request the device has refused, at the widest gap or else in the
// middle, and returns the requests that take its place; nil when all its points begin at one
// address.
func (d *device) split(r *request) []*request {
	points := slices.Clone(r.block.points)
	slices.SortFunc(points, func(a, b int) int { return d.points[a].span.start - d.points[b].span.start })
	cut, widest := 0, 0
	end := 0
	for k, i := range points {
		s := d.points[i].span
		if k > 0 && s.start > d.points[points[k-1]].span.start {
			// The wider the gap the better; between equal gaps the one nearest the middle.
			middle := len(points) - abs(2*k-len(points))
			if w := max(s.start-end, 0)*2*len(points) + middle; cut == 0 || w > widest {
				cut, widest = k, w
			}
		}
		end = max(end, s.end())
	}
	if cut == 0 {
		return nil
	}
	d.walls[r.block.table] = append(d.walls[r.block.table], d.points[points[cut]].span.start)
	clear(d.plans)
	var spans []span
	for _, i := range points {
		spans = append(spans, d.points[i].span)
	}
	return d.prepare(spans)
}

func abs(n int) int { return max(n, -n) }
