package access

import (
	"net/netip"
	"time"
)

// pace says how wrong tries are slowed: free tries first, then a wait that doubles from one
// second to most.
type pace struct {
	free int
	most time.Duration
}

// A name is slowed less than an address: otherwise a stranger could lock a keeper out.
var (
	byPerson  = pace{free: 5, most: time.Minute}
	byAddress = pace{free: 10, most: 15 * time.Minute}
)

const (
	// forget is how long after the last wrong try a key starts afresh.
	forget = 24 * time.Hour
	// mostKeys bounds what a stranger can make us remember.
	mostKeys = 10000
)

type try struct {
	wrong int
	last  time.Time
	until time.Time
}

// longestName is more than any name can have: what a stranger types is not kept at any length.
const longestName = 64

func nameKey(name string) string { return "name " + name[:min(len(name), longestName)] }

// addressKey counts all of an IPv6 network of 64 bits as one: whoever has one address of it has
// them all, and would have as many free tries.
func addressKey(address string) string {
	if a, err := netip.ParseAddr(address); err == nil && a.Is6() && !a.Is4In6() {
		if p, err := a.WithZone("").Prefix(64); err == nil {
			return "address " + p.String()
		}
	}
	return "address " + address
}

// limiter counts wrong tries by key. Its owner guards it.
type limiter struct{ keys map[string]*try }

func (l *limiter) init() { l.keys = map[string]*try{} }

// wait returns how long the key must still wait, 0 when it may try.
func (l *limiter) wait(key string, now time.Time) time.Duration {
	if t := l.keys[key]; t != nil {
		return max(0, t.until.Sub(now))
	}
	return 0
}

func (l *limiter) failed(key string, now time.Time, p pace) {
	t := l.keys[key]
	if t == nil || now.Sub(t.last) >= forget {
		l.makeRoom(now)
		t = &try{}
		l.keys[key] = t
	}
	t.wrong++
	t.last = now
	if over := t.wrong - p.free; over >= 0 {
		wait := p.most
		if over < 20 {
			wait = min(p.most, time.Second<<over)
		}
		t.until = now.Add(wait)
	}
}

func (l *limiter) passed(key string) { delete(l.keys, key) }

// makeRoom keeps the map bounded: what is forgotten goes first, then what has waited longest.
func (l *limiter) makeRoom(now time.Time) {
	if len(l.keys) < mostKeys {
		return
	}
	oldest := ""
	for k, t := range l.keys {
		if now.Sub(t.last) >= forget {
			delete(l.keys, k)
		} else if oldest == "" || t.last.Before(l.keys[oldest].last) {
			oldest = k
		}
	}
	if len(l.keys) >= mostKeys {
		delete(l.keys, oldest)
	}
}
