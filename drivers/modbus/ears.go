package modbus

import (
	"math"
	"sync"
	"time"

	"bayledger/agent/site"
)

// ears is the time in which a line is only listened to: before the first request, after a sign
// of another master, and for good where the site file says so. Where another master is heard, the
// time lasts until it has been silent for long.
type ears struct {
	wg      sync.WaitGroup
	mu      sync.Mutex
	end     bool  // the time is over: the line is nobody else's
	err     error // the line broke
	told    bool  // the log knows of the other master
	silence time.Duration
	l       *link
}

// How long another master must have been silent before the line is used again. A controller that
// polls seldom is heard again after that, and each time the silence asked for doubles; the count
// begins anew when the line was ours for long.
const (
	firstSilence   = time.Minute
	lastSilence    = time.Hour
	silenceForgets = 24 * time.Hour
)

// listen starts listening. late is true when requests of ours may still be answered: for so long
// answers mean nothing.
func (l *link) listen(r *rtuLine, now time.Time, late bool) {
	e := &ears{l: l, silence: max(l.o.Listen, firstSilence)}
	if !l.resumed.IsZero() && now.Sub(l.resumed) < silenceForgets {
		e.silence = min(2*l.silence, max(l.o.Listen, lastSilence))
	}
	l.ears, l.heardAt = e, now
	l.heard.begin(!late)
	l.mu.Lock()
	l.stats.Listening = !l.o.ListenOnly
	if l.o.ListenOnly && !l.stats.Up {
		l.stats.Last, l.stats.Err = nothingHeard, nil
	}
	l.mu.Unlock()
	done := func() {}
	if !l.o.ListenOnly {
		done = l.d.clk.Work() // a stepped clock stands while somebody may still be heard
	}
	e.wg.Go(func() {
		defer done()
		err := error(nil)
		if late {
			err = r.listen(time.Now().Add(l.o.Late + l.longest()))
			l.heard.quieten()
		}
		until := time.Now().Add(l.o.Listen)
		for err == nil {
			now := time.Now()
			if spoke, foreign := l.heard.spoken(); foreign {
				done() // for long, so no clock waits for it
				until = spoke.Add(e.silence)
			}
			switch {
			case l.o.ListenOnly:
				until = now.Add(time.Second)
			case !now.Before(until):
				e.set(true, nil)
				return
			}
			err = r.listen(earlier(until, now.Add(time.Second)))
		}
		e.set(false, err)
	})
}

// longest is the longest a device of the link may take to answer.
func (l *link) longest() time.Duration {
	d := time.Duration(0)
	for _, dev := range l.devices {
		d = max(d, dev.o.Timeout)
	}
	return d
}

func (e *ears) set(end bool, err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.end, e.err = end, err
}

func (e *ears) why() site.Why {
	if e.l.o.ListenOnly || e.l.heard.foreign() {
		return site.WhyOtherMaster
	}
	return site.WhyListening
}

// hear looks what listening has brought and reports whether the line may be used now.
func (l *link) hear(now time.Time) bool {
	e := l.ears
	e.mu.Lock()
	end, err := e.end, e.err
	e.mu.Unlock()
	if evidence := l.heard.evidence(); evidence != "" && !l.o.ListenOnly && !e.told {
		e.told = true
		l.mu.Lock()
		l.stats.OtherMaster, l.stats.Last = evidence, ErrOtherMaster.Error()
		l.mu.Unlock()
		l.d.log.Error("another master speaks on this line, so nothing is sent; give the devices a line of their own, "+
			"put a gateway between, or read the controller as a TCP device; the line is used again when nobody else has spoken for a while",
			"link", l.o.ID, "heard", evidence, "silence_s", e.silence.Seconds())
	}
	switch {
	case err != nil:
		l.deafen()
		l.down(now, err)
		return false
	case end:
		if e.told {
			l.silence, l.resumed = e.silence, now
			l.mu.Lock()
			l.stats.OtherMaster, l.stats.Last = "", ""
			l.mu.Unlock()
			l.d.log.Info("the other master has been silent; the line is used again", "link", l.o.ID, "silence_s", e.silence.Seconds())
		}
		l.deafen()
		l.cleared = true
		l.heard.begin(false)
		return true
	}
	return false
}

// deafen ends listening. The line must be closed, or the time over, or it waits for that.
func (l *link) deafen() {
	if l.ears == nil {
		return
	}
	l.ears.mu.Lock()
	over := l.ears.end
	l.ears.mu.Unlock()
	if !over {
		l.hangUp()
	}
	l.ears.wg.Wait()
	l.ears = nil
	l.mu.Lock()
	l.stats.Listening = false
	l.mu.Unlock()
}

// yield is what happens when another master is heard between our requests: not a frame more is
// sent until the line has been listened to again.
func (l *link) yield(now time.Time) {
	l.d.log.Warn("something on the line that is not ours; listening", "link", l.o.ID, "heard", l.heard.evidence())
	l.cleared = false
	r, ok := l.line.(*rtuLine)
	if !ok {
		return
	}
	l.listen(r, now, true)
}

// overheard takes what another master was told of our points. It is called by whoever reads the
// line, so it shares nothing with the loop but what mu guards.
func (l *link) overheard(unit, fc byte, address, n int, data []byte) {
	table := [...]Table{fcCoils: Coils, fcDiscrete: Discrete, fcHolding: Holding, fcInput: Input}[fc]
	now := l.d.clk.Now()
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, dev := range l.devices {
		if byte(dev.o.Unit) != unit {
			continue
		}
		for _, p := range dev.points {
			if p.span.table != table || p.span.start < address || p.span.end() > address+n {
				continue
			}
			b := block{table: table, start: address, n: n}
			v, why := p.value(&b, data, now)
			p.heard = site.Sample{Time: now, Value: v, Why: why}
			p.isHeard = true
		}
	}
}

// nothingHeard is what is wrong with a line that is only listened to when nobody asks for our
// points, and heardFor for how long that may be so.
const (
	nothingHeard = "it is only listened to, and nobody asks there for what is to be read"
	heardFor     = time.Minute
)

// pass hands on, for the points of a request that is not sent, what was overheard of them since
// their last sample, and for the others why there is nothing.
func (l *link) pass(r *request, now time.Time, why site.Why) {
	b := l.batch()
	heard := false
	l.mu.Lock()
	for _, i := range r.block.points {
		p := r.dev.points[i]
		s := site.Sample{Time: now, Value: math.NaN(), Why: why}
		if p.isHeard {
			s, p.isHeard, heard = p.heard, false, true
		}
		b.samples = append(b.samples, p.stamp(s.Time, s.Value, s.Why))
	}
	l.mu.Unlock()
	switch {
	case !l.o.ListenOnly:
	case heard:
		l.heardAt = now
		l.up(now)
	case now.Sub(l.heardAt) > max(heardFor, 3*r.interval):
		l.lost(now, nothingHeard, nil)
	}
	r.dev.tally.change(func(s *DeviceStats) { s.Samples += int64(len(b.samples)) })
	l.hand(b)
}
