package influx

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"bayledger/agent/site"
)

// Queue is the destination's place in the journal.
type Queue interface {
	// Changed has a value when samples were appended since the last receive.
	Changed() <-chan struct{}
	// Last is the sequence number of the newest sample.
	Last() int64
	// Pending returns what is not taken over: disjoint ranges, ascending, the last one open.
	Pending() []site.SeqRange
	// Backlog is how many samples that are.
	Backlog() int64
	// Read returns up to limit samples of (after, upto] in order, and where the next Read
	// begins; next equal to after means that there is nothing yet.
	Read(ctx context.Context, after, upto int64, limit int) (samples []site.Numbered, next int64, err error)
	// Done takes (after, upto] over.
	Done(ctx context.Context, after, upto int64) error
	// SetAside keeps a line the server refuses, with its words. kept is false when so many are
	// kept already that no more are taken.
	SetAside(ctx context.Context, seq int64, t time.Time, line, said string) (kept bool, err error)
	// Again returns lines that a person wants sent once more, Settle ends that: with the words
	// of a second refusal, or with none when the line was stored.
	Again(ctx context.Context, limit int) (map[int64]string, error)
	Settle(ctx context.Context, id int64, said string) error
}

// State of a destination.
type State int

// The states: what sink-unreachable and the page tell apart.
const (
	Starting State = iota
	Working
	Unreachable // the network or the server; it comes back by itself
	Refusing    // a person must put something right: token, bucket, certificate
)

func (s State) String() string {
	return [...]string{"starting", "working", "unreachable", "refusing"}[s]
}

// Status is a picture of a destination.
type Status struct {
	Name, URL string
	State     State
	// Since is when the state began.
	Since time.Time
	// Trouble is what is wrong, for people; empty while Working.
	Trouble string
	// Behind is how many samples the server does not have yet.
	Behind int64
	// Stored, SetAside and Expired count samples since the start: taken by the server, refused
	// one by one, and older than what the server keeps.
	Stored, SetAside, Expired int64
	// Requests and Failures count attempts to write.
	Requests, Failures int64
}

// aheadLimit is how many samples may wait at the live edge before what is older is left to
// catching up.
const aheadLimit = 2000

// againEvery is how often lines that a person wants sent once more are looked for.
const againEvery = time.Minute

// refusedInARow is how many lines in a row, with none stored between, the server may refuse
// before the fault is looked for elsewhere than in the lines.
const refusedInARow = 200

// Forwarder sends one destination what it does not have.
type Forwarder struct {
	opts   Options
	q      Queue
	enc    *Encoder
	log    *slog.Logger
	client *client

	// What follows belongs to the goroutine of Run.
	edge      int64 // everything after it is for the live edge
	limit     int   // samples in one request at the moment
	backoff   time.Duration
	rejected  int // in a row
	nextAgain time.Time
	buf       []byte

	mu     sync.Mutex
	status Status
}

// New returns a forwarder. places is what each point is; it may be asked again later for points
// that were not known. Nothing is sent before Run.
func New(opts Options, siteID string, places func() site.Places, q Queue, log *slog.Logger) (*Forwarder, error) {
	if err := opts.Validate().Err(); err != nil {
		return nil, fmt.Errorf("influx %s: %w", opts.Name, err)
	}
	c, err := newClient(opts)
	if err != nil {
		return nil, fmt.Errorf("influx %s: %w", opts.Name, err)
	}
	return &Forwarder{
		opts: opts, q: q, enc: NewEncoder(siteID, places), log: log.With("destination", opts.Name), client: c, limit: opts.BatchSize,
		status: Status{Name: opts.Name, URL: opts.URL, Since: time.Now().UTC()},
	}, nil
}

// Status returns a picture of the destination. Any goroutine may call it.
func (f *Forwarder) Status() Status {
	f.mu.Lock()
	s := f.status
	f.mu.Unlock()
	s.Behind = f.q.Backlog()
	return s
}

// Run sends until ctx ends. A batch in flight at that moment is given up and sent again by the
// next Run. It returns an error only when the journal cannot be read or written.
func (f *Forwarder) Run(ctx context.Context) error {
	defer f.client.close()
	pending := f.q.Pending()
	f.edge = pending[len(pending)-1].After
	f.stepAhead()
	for ctx.Err() == nil {
		sent, err := f.round(ctx)
		if err != nil && ctx.Err() == nil {
			return fmt.Errorf("influx %s: %w", f.opts.Name, err)
		}
		if sent {
			continue
		}
		if !f.wait(ctx, againEvery, f.q.Changed()) {
			return nil
		}
	}
	return nil
}

// wait returns false when ctx has ended. It returns early when changed has a value.
func (f *Forwarder) wait(ctx context.Context, d time.Duration, changed <-chan struct{}) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
	case <-changed:
	}
	return true
}

// stepAhead moves the live edge to the newest samples when too many wait there.
func (f *Forwarder) stepAhead() {
	if last := f.q.Last(); last-f.edge > aheadLimit {
		f.edge = last
	}
}

// round sends what is new and then one batch of what is missing. It reports whether there was
// anything to do.
func (f *Forwarder) round(ctx context.Context) (busy bool, err error) {
	f.stepAhead()
	live, ok, err := f.forward(ctx, f.edge, 0, func(upto int64) { f.edge = upto })
	if err != nil || !ok {
		return live, err
	}
	missing := f.q.Pending()[0]
	if missing.After < f.edge {
		if missing.Upto == 0 || missing.Upto > f.edge {
			missing.Upto = f.edge
		}
		past, ok, err := f.forward(ctx, missing.After, missing.Upto, func(int64) {})
		live = live || past
		if err != nil || !ok {
			return live, err
		}
	}
	if now := time.Now(); now.After(f.nextAgain) {
		f.nextAgain = now.Add(againEvery)
		return live, f.sendAgain(ctx)
	}
	return live, nil
}

// forward sends one batch of (after, upto]. moved is told how far the samples are taken over,
// as soon as they are. busy is false when there was nothing, ok when the server did not take
// all of it, which is waited for here.
func (f *Forwarder) forward(ctx context.Context, after, upto int64, moved func(int64)) (busy, ok bool, err error) {
	samples, next, err := f.q.Read(ctx, after, upto, f.limit)
	if err != nil || next == after {
		return false, true, err
	}
	take := func(to int64) error {
		if err := f.q.Done(ctx, after, to); err != nil {
			return err
		}
		moved(to)
		after = to
		return nil
	}
	batch, err := f.encode(ctx, samples)
	if err == nil {
		var v verdict
		var said error
		v, said, err = f.deliver(ctx, batch, take)
		if err == nil && v != stored {
			f.failed(ctx, v, said)
			return true, false, nil
		}
	}
	if errors.Is(err, errCrowded) {
		f.failed(ctx, person, err)
		return true, false, nil
	}
	if err != nil {
		return true, false, err
	}
	return true, true, take(next)
}

// errCrowded is what stops a destination that has refused too much.
var errCrowded = errors.New("so many lines are set aside that the fault is not in the lines; list them with: bayledger journal refused")

// line is one sample of a batch and where its line stands in the buffer.
type line struct {
	seq      int64
	t        time.Time
	from, to int
}

// encode writes the samples' lines. A sample that makes no line is set aside.
func (f *Forwarder) encode(ctx context.Context, samples []site.Numbered) ([]line, error) {
	f.buf = f.buf[:0]
	batch := make([]line, 0, len(samples))
	for _, s := range samples {
		from := len(f.buf)
		var err error
		if f.buf, err = f.enc.Append(f.buf, s.Sample); err != nil {
			if err := f.setAside(ctx, s.Seq, s.Sample.Time, fmt.Sprintf("# %s %v", s.Sample.Point, s.Sample.Value), err.Error()); err != nil {
				return nil, err
			}
			continue
		}
		batch = append(batch, line{s.Seq, s.Sample.Time, from, len(f.buf)})
	}
	return batch, nil
}

// deliver brings a batch to the server, in halves where it must be. take is called when all
// samples up to a sequence number are settled. The verdict is stored when the whole batch is
// settled, and otherwise what stopped it, with the words; err is the journal's.
func (f *Forwarder) deliver(ctx context.Context, batch []line, take func(int64) error) (v verdict, said, err error) {
	if len(batch) == 0 {
		return stored, nil, nil
	}
	began := time.Now()
	v, said = f.client.send(ctx, f.buf[batch[0].from:batch[len(batch)-1].to])
	f.count(v, len(batch), time.Since(began))
	last := batch[len(batch)-1].seq
	switch v {
	case stored:
		f.rejected = 0
		f.works()
		return stored, nil, take(last)
	case refused:
		if allDropped(said, len(batch)) && strings.Contains(said.Error(), "retention policy") {
			// Older than what the server keeps: nothing is wrong with the lines, and nobody
			// will want them sent again.
			f.expired(len(batch), batch[len(batch)-1].t, said)
			return stored, nil, take(last)
		}
		if len(batch) > 1 && !allDropped(said, len(batch)) {
			break
		}
		for _, l := range batch {
			if f.rejected++; f.rejected > refusedInARow {
				return person, fmt.Errorf("it has refused %d lines in a row, so the fault is not in the lines: %w", refusedInARow, said), nil
			}
			text := strings.TrimSuffix(string(f.buf[l.from:l.to]), "\n")
			if err := f.setAside(ctx, l.seq, l.t, text, said.Error()); err != nil {
				return stored, nil, err
			}
			if err := take(l.seq); err != nil {
				return stored, nil, err
			}
		}
		return stored, nil, nil
	case tooLarge:
		if len(batch) == 1 {
			return person, fmt.Errorf("not even a single line is small enough: %w", said), nil
		}
		f.limit = max(1, min(f.limit, len(batch))/2)
	default:
		return v, said, nil
	}
	half := len(batch) / 2
	for _, part := range [][]line{batch[:half], batch[half:]} {
		if v, said, err := f.deliver(ctx, part, take); v != stored || err != nil {
			return v, said, err
		}
	}
	return stored, nil, nil
}

// sendAgain gives lines that were set aside another chance, one by one, because they are known
// to be the bad ones of their batches.
func (f *Forwarder) sendAgain(ctx context.Context) error {
	lines, err := f.q.Again(ctx, 1000)
	if err != nil {
		return err
	}
	for _, id := range slices.Sorted(maps.Keys(lines)) {
		text := lines[id]
		if strings.HasPrefix(text, "#") {
			if err := f.q.Settle(ctx, id, "it never made a line"); err != nil {
				return err
			}
			continue
		}
		began := time.Now()
		v, said := f.client.send(ctx, []byte(text))
		f.count(v, 1, time.Since(began))
		words := ""
		switch v {
		case stored:
			f.works()
		case refused:
			words = said.Error()
		default:
			f.failed(ctx, v, said)
			return nil
		}
		if err := f.q.Settle(ctx, id, words); err != nil {
			return err
		}
	}
	return nil
}

func (f *Forwarder) setAside(ctx context.Context, seq int64, t time.Time, text, said string) error {
	kept, err := f.q.SetAside(ctx, seq, t, text, said)
	if err != nil {
		return err
	}
	if !kept {
		return fmt.Errorf("%w; the last because %s", errCrowded, said)
	}
	f.mu.Lock()
	f.status.SetAside++
	first := f.status.SetAside == 1
	f.mu.Unlock()
	if first {
		f.log.Warn("the server refuses a line, it is set aside; later ones are only counted", "seq", seq, "line", text, "said", said)
	}
	return nil
}

func (f *Forwarder) expired(n int, newest time.Time, said error) {
	f.mu.Lock()
	first := f.status.Expired == 0
	f.status.Expired += int64(n)
	f.mu.Unlock()
	if first {
		f.log.Warn("samples are older than what the server keeps and are passed over", "count", n, "newest", newest, "said", said)
	}
}

// shortBatch and longBatch bound how long a request should take: so much the live edge may wait
// for one batch of the past.
const (
	shortBatch = 500 * time.Millisecond
	longBatch  = 2 * time.Second
	leastBatch = 100
)

// count keeps the figures and fits the size of a batch to the line: a request that takes long
// keeps new samples waiting, and one that times out may never succeed at its size.
func (f *Forwarder) count(v verdict, n int, took time.Duration) {
	switch {
	case took > longBatch && n > leastBatch:
		f.limit = max(leastBatch, min(f.limit, n)/2)
	case v == stored && took < shortBatch && n >= f.limit:
		f.limit = min(f.opts.BatchSize, f.limit+f.limit/4+1)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.status.Requests++
	if v == stored {
		f.status.Stored += int64(n)
	} else {
		f.status.Failures++
	}
}

// works notes a success.
func (f *Forwarder) works() {
	f.backoff = 0
	f.mu.Lock()
	was, since := f.status.State, f.status.Since
	if was != Working {
		f.status.State, f.status.Since, f.status.Trouble = Working, time.Now().UTC(), ""
	}
	f.mu.Unlock()
	switch was {
	case Starting:
		f.log.Info("destination takes samples", "url", f.opts.URL, "behind", f.q.Backlog())
	case Unreachable, Refusing:
		f.log.Info("destination takes samples again", "after_s", time.Since(since).Round(time.Second).Seconds(), "behind", f.q.Backlog())
	}
}

// longestWait bounds what a server may ask for by Retry-After.
const longestWait = time.Hour

// failed notes trouble and waits as long as its kind asks for.
func (f *Forwarder) failed(ctx context.Context, v verdict, said error) {
	if v == ended {
		return
	}
	state, wait := Unreachable, time.Duration(0)
	if v == person {
		state, wait = Refusing, jitter(f.opts.RetryConfig)
		f.backoff = 0
	} else {
		f.backoff = min(f.opts.RetryMax, max(f.opts.RetryMin, 2*f.backoff))
		wait = jitter(f.backoff)
	}
	if a, ok := errors.AsType[*answer](said); ok {
		wait = max(wait, min(longestWait, a.retryAfter(time.Now())))
	}
	f.mu.Lock()
	trouble := cause(said)
	news := f.status.State != state || f.status.Trouble != trouble
	if f.status.State != state {
		f.status.State, f.status.Since = state, time.Now().UTC()
	}
	f.status.Trouble = trouble
	f.mu.Unlock()
	if news {
		level := slog.LevelWarn
		if state == Refusing {
			level = slog.LevelError // someone must act
		}
		f.log.Log(ctx, level, "destination takes no samples, they wait in the journal", "state", state.String(), "url", f.opts.URL, "cause", trouble, "retry_s", wait.Round(time.Second).Seconds())
	}
	f.wait(ctx, wait, nil)
}

// cause is what an error says without what differs from try to try, such as the client's port.
func cause(err error) string {
	if a, ok := errors.AsType[*answer](err); ok {
		return a.Error()
	}
	text := err.Error()
	if i := strings.Index(text, "->"); i >= 0 { // "read tcp 10.0.0.2:41234->10.0.0.9:8086: ..."
		if k := strings.LastIndex(text[:i], " "); k >= 0 {
			text = text[:k+1] + text[i+2:]
		}
	}
	return text
}

// jitter spreads waits by a tenth either way, so that many sites do not come back in the same second.
func jitter(d time.Duration) time.Duration {
	return time.Duration(float64(d) * (0.9 + 0.2*rand.Float64()))
}
