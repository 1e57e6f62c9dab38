package agent

import (
	"sync"
	"time"

	"bayledger/agent/sitefile"
)

// pulse feeds the service manager's watchdog from the work itself: a beat is sent when every
// link's polling loop has handed something over and a commit of it has ended since the beat
// before. A link that gets no answers still hands over bad samples, so a dead sensor stops no
// beat; a loop that hangs does.
type pulse struct {
	beat func() // nil: nobody listens

	mu      sync.Mutex
	links   map[string]string // by point
	waiting map[string]bool   // links that have handed over nothing since the last beat
	polled  bool              // all have, and a commit that begins now covers it
}

func newPulse(cfg *sitefile.Config, beat func()) *pulse {
	p := &pulse{beat: beat, links: map[string]string{}, waiting: map[string]bool{}}
	for _, point := range cfg.Site.Points {
		if point.Link != "" {
			p.links[point.ID] = point.Link
		}
	}
	p.again()
	return p
}

func (p *pulse) again() {
	p.polled = false
	for _, link := range p.links {
		p.waiting[link] = true
	}
}

// handed notes that the link of this point has handed something over.
func (p *pulse) handed(point string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.waiting, p.links[point])
	p.polled = len(p.waiting) == 0
}

// committed notes that a commit with samples in it has ended.
func (p *pulse) committed() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.polled && p.beat != nil {
		p.beat()
		p.again()
	}
}

// watchdogLimit is how long the watchdog has to wait before it may call the daemon hung: three
// rounds of the link that is read least often and of the commit, and a minute at least.
func watchdogLimit(cfg *sitefile.Config, commit time.Duration) time.Duration {
	fastest := map[string]time.Duration{}
	for _, p := range cfg.Site.Points {
		if d, known := fastest[p.Link]; p.Link != "" && (!known || p.Interval < d) {
			fastest[p.Link] = p.Interval
		}
	}
	var slowest time.Duration
	for _, d := range fastest {
		slowest = max(slowest, d)
	}
	return max(time.Minute, 3*(slowest+commit))
}
