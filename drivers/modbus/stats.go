package modbus

import (
	"slices"
	"sync"
	"time"

	"bayledger/agent/site"
)

// DeviceStats is how one device has answered since the driver was made, and over its last
// thousand requests.
type DeviceStats struct {
	Link, Device string
	Unit         int
	// Up is false while the device is left alone because it did not answer; Since is when that
	// last changed, Last what was wrong last (empty when nothing ever was).
	Up    bool
	Since time.Time
	Last  string
	// Requests were sent; of them Timeouts got no answer, BadFrames a damaged, wrong or broken-off
	// one, and Exceptions a refusal. Retries are requests sent a second time at once. Samples were handed
	// on, good or bad.
	Requests, Timeouts, BadFrames, Exceptions, Retries, Samples int64
	// Missed counts moments that were let go because the one before was not done, Late those
	// started over half an interval late, the missed ones included.
	Missed, Late int64
	// Splits is how many joined requests had to be divided because the device refused them.
	Splits int64
	// TimeoutsPer1000 and ErrorsPer1000 (time-outs, bad frames and refusals) are rates over the
	// last 1,000 requests.
	TimeoutsPer1000, ErrorsPer1000 float64
	// Percentiles over those of them that were answered: time from request to answer.
	ReplyP50, ReplyP90, ReplyP99 time.Duration
	// How long after its due moment a request was started, over the last 1,000.
	JitterP50, JitterP99 time.Duration
}

// LinkStats is the state of one link.
type LinkStats struct {
	Link string
	Kind LinkKind
	// Up is true while the link can be used. Since is when that last changed, Last what was wrong
	// last, Err the error that said so, if one did.
	Up    bool
	Since time.Time
	Last  string
	Err   error
	// Listening is true before the first request on a line; OtherMaster says what showed that
	// somebody else is master of it, and is empty otherwise.
	Listening   bool
	OtherMaster string
	// Echo is true when the adapter was seen to hand back what it sends.
	Echo bool
	// Connects counts connections made.
	Connects int64
}

// outcome of one request.
type outcome struct {
	reply, jitter time.Duration
	why           site.Why
}

// window is how many requests rates and percentiles look back.
const window = 1000

// tally counts for one device. Its lock is held for a few instructions at a time, so that a
// reader never holds up the line.
type tally struct {
	mu    sync.Mutex
	s     DeviceStats
	ring  []outcome // of the last window requests, next is where the coming one goes
	next  int
	count int
}

func (t *tally) add(o outcome) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.s.Requests++
	switch o.why {
	case site.WhyTimeout:
		t.s.Timeouts++
	case site.WhyException:
		t.s.Exceptions++
	case site.WhyNone:
	default:
		t.s.BadFrames++
	}
	if t.ring == nil {
		t.ring = make([]outcome, window)
	}
	t.ring[t.next] = o
	t.next = (t.next + 1) % window
	t.count = min(t.count+1, window)
}

func (t *tally) change(f func(s *DeviceStats)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	f(&t.s)
}

// read returns the figures as they are now.
func (t *tally) read() DeviceStats {
	t.mu.Lock()
	s := t.s
	recent := slices.Clone(t.ring[:t.count])
	t.mu.Unlock()
	if len(recent) == 0 {
		return s
	}
	var replies, jitters []time.Duration
	for _, o := range recent {
		jitters = append(jitters, o.jitter)
		switch o.why {
		case site.WhyNone, site.WhyException:
			replies = append(replies, o.reply)
		}
		if o.why == site.WhyTimeout {
			s.TimeoutsPer1000++
		}
		if o.why != site.WhyNone {
			s.ErrorsPer1000++
		}
	}
	s.TimeoutsPer1000 *= 1000 / float64(len(recent))
	s.ErrorsPer1000 *= 1000 / float64(len(recent))
	s.ReplyP50, s.ReplyP90, s.ReplyP99 = percentile(replies, 0.5), percentile(replies, 0.9), percentile(replies, 0.99)
	s.JitterP50, s.JitterP99 = percentile(jitters, 0.5), percentile(jitters, 0.99)
	return s
}

// percentile by the nearest rank: the smallest value that at least the share p does not exceed.
// It sorts d; 0 for an empty one.
func percentile(d []time.Duration, p float64) time.Duration {
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	rank := int(float64(len(d))*p + 0.999999999)
	return d[min(max(rank, 1), len(d))-1]
}
