package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"bayledger/agent/clock"
	"bayledger/agent/servertest"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/historian/journal"
)

var kills = flag.Int("kills", 20, "how often TestCrash kills the daemon")

// crashCommit is the commit interval of the crash tests, crashPoll the interval of their fast
// points.
const (
	crashCommit = time.Second
	crashPoll   = 5 * time.Second
)

// pumphouse is the real daemon beside the virtual field and an InfluxDB, each a process of its
// own. What the field served and what the daemon acknowledged are witnesses outside the journal.
type pumphouse struct {
	t       *testing.T
	dir     string
	program string
	config  string
	log     *os.File
	influx  *servertest.InfluxServer
	field   *servertest.Process
	daemon  *exec.Cmd

	boot time.Time // when this machine was started, by its clock at the beginning of the test

	mu   sync.Mutex
	acks []ack
}

// ack is a number the daemon gave as durable, and when.
type ack struct {
	at  time.Time
	seq int64
}

func newPumphouse(t *testing.T, fault string) *pumphouse {
	h := &pumphouse{t: t, dir: t.TempDir()}
	l := clock.This().Look()
	h.boot = l.Wall.Add(-l.Boot)
	// The kernel ends the daemon with this thread, so that an aborted test leaves nothing behind.
	runtime.LockOSThread()
	t.Cleanup(runtime.UnlockOSThread)
	h.program = filepath.Join(h.dir, "bayledger")
	out, err := exec.CommandContext(t.Context(), "go", "build", "-tags", "clockfile", "-o", h.program, ".").CombinedOutput()
	require.NoError(t, err, "%s", out)
	h.clock("0s", true)
	t.Setenv("BAYLEDGER_CLOCK", filepath.Join(h.dir, "clock"))
	h.influx = servertest.Influx(t, servertest.InfluxOptions{})
	h.influx.CreateDatabase("pump")

	ports := servertest.FreePorts(t, 2)
	address, page := fmt.Sprintf("127.0.0.1:%d", ports[0]), fmt.Sprintf("127.0.0.1:%d", ports[1])
	args := []string{"field", "--listen", address, "--witness", filepath.Join(h.dir, "served")}
	if fault != "" {
		args = append(args, "--fault", fault)
	}
	var told bytes.Buffer
	show := exec.CommandContext(t.Context(), h.program, append(args, "--site-file")...)
	show.Stderr = &told
	text, err := show.Output()
	require.NoError(t, err, "%s", &told)
	h.config = filepath.Join(h.dir, "site.yaml")
	require.NoError(t, os.WriteFile(h.config, fmt.Appendf(text, `
journal: { dir: %s/journal, commit: %v }
influxdb:
  - { id: archive, url: %q, bucket: pump/raw }
page: { listen: %q }
`, h.dir, crashCommit, h.influx.URL, page), 0o644))
	h.field = servertest.Command(t, func(ctx context.Context) error {
		c, err := (&net.Dialer{}).DialContext(ctx, "tcp", address)
		if err == nil {
			c.Close()
		}
		return err
	}, nil, h.program, args...)

	pipe := filepath.Join(h.dir, "acks")
	require.NoError(t, unix.Mkfifo(pipe, 0o600))
	r, err := os.OpenFile(pipe, os.O_RDWR, 0) // also for writing, so that it has no end between two daemons
	require.NoError(t, err)
	var reader sync.WaitGroup
	reader.Go(func() { h.listen(r) })
	t.Cleanup(func() { r.Close(); reader.Wait() })
	h.log, err = os.Create(filepath.Join(h.dir, "log"))
	require.NoError(t, err)
	t.Cleanup(func() {
		h.kill()
		if t.Failed() {
			text, _ := os.ReadFile(h.log.Name())
			t.Logf("the daemon's log:\n%s", text)
		}
		h.log.Close()
	})
	return h
}

// stepped is by how much somebody has set this machine's own clock since the test began: the field
// dates its answers by that clock, the daemon by the time since the boot.
func (h *pumphouse) stepped() time.Duration {
	l := clock.This().Look()
	return l.Wall.Add(-l.Boot).Sub(h.boot).Abs()
}

// clock turns the daemon's clock.
func (h *pumphouse) clock(shift string, sync bool) {
	name := filepath.Join(h.dir, "clock")
	require.NoError(h.t, os.WriteFile(name+".new", fmt.Appendf(nil, `{"shift": %q, "sync": %v}`, shift, sync), 0o644))
	require.NoError(h.t, os.Rename(name+".new", name))
}

func (h *pumphouse) listen(r io.Reader) {
	lines := bufio.NewScanner(r)
	for lines.Scan() {
		seq, err := strconv.ParseInt(lines.Text(), 10, 64)
		if err != nil {
			continue // the second half of a line that a kill has cut
		}
		h.mu.Lock()
		h.acks = append(h.acks, ack{time.Now(), seq})
		h.mu.Unlock()
	}
}

func (h *pumphouse) acknowledged() []ack {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.acks)
}

// until waits for something real processes do; a loaded machine may take its time.
func (h *pumphouse) until(what string, f func() bool) {
	h.t.Helper()
	limit := time.After(3 * time.Minute)
	for !f() {
		select {
		case <-limit:
			h.t.Fatalf("it never came that %s", what)
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// start runs the daemon.
func (h *pumphouse) start() {
	h.t.Helper()
	h.daemon = exec.Command(h.program, "run", "--config", h.config, "--socket", "none", "--witness", filepath.Join(h.dir, "acks"))
	h.daemon.Stdout, h.daemon.Stderr = h.log, h.log
	h.daemon.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	require.NoError(h.t, h.daemon.Start())
}

// kill ends the daemon as nothing else does, and says when.
func (h *pumphouse) kill() time.Time {
	if h.daemon == nil {
		return time.Time{}
	}
	at := time.Now()
	require.NoError(h.t, h.daemon.Process.Kill(), "the daemon has ended by itself")
	err := h.daemon.Wait()
	require.ErrorContains(h.t, err, "signal: killed", "the daemon has ended by itself")
	h.daemon = nil
	return at
}

// terminate asks the daemon to end.
func (h *pumphouse) terminate() {
	h.t.Helper()
	require.NoError(h.t, h.daemon.Process.Signal(syscall.SIGTERM))
	require.NoError(h.t, h.daemon.Wait())
	h.daemon = nil
}

// journal opens the daemon's journal for reading.
func (h *pumphouse) journal() *journal.Journal {
	h.t.Helper()
	o := journal.DefaultOptions(filepath.Join(h.dir, "journal"))
	o.ReadOnly = true
	j, err := journal.Open(h.t.Context(), o)
	require.NoError(h.t, err)
	return j
}

// sound opens and self-checks the journal, and gives its events.
func (h *pumphouse) sound() []journal.StoredEvent {
	h.t.Helper()
	j := h.journal()
	defer j.Close()
	for err := range j.Check(h.t.Context()) {
		h.t.Errorf("self-check after a kill: %v", err)
	}
	events, err := j.Events(h.t.Context(), journal.EventQuery{})
	require.NoError(h.t, err)
	return events
}

// served is what the field gave of each fast point: its own time of each answer. Slower points
// stand between them in the registers and are read over, so that not every answer is a sample.
func (h *pumphouse) served() map[string][]time.Time {
	h.t.Helper()
	f, err := os.Open(filepath.Join(h.dir, "served"))
	require.NoError(h.t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(h.t, err)
	cfg, err := sitefile.LoadFile(h.config)
	require.NoError(h.t, err)
	all := map[string][]time.Time{}
	for _, row := range rows {
		if p := cfg.Site.Point(row[1]); p == nil || p.Interval != crashPoll {
			continue
		}
		at, err := time.Parse(time.RFC3339Nano, row[0])
		require.NoError(h.t, err)
		all[row[1]] = append(all[row[1]], at)
		require.Equal(h.t, strconv.Itoa(len(all[row[1]])), row[2], "the witness counts what it served")
	}
	return all
}

// stored is what InfluxDB has of each point.
func (h *pumphouse) stored() map[string][]site.Sample {
	h.t.Helper()
	all := map[string][]site.Sample{}
	for _, s := range h.influx.Query("pump", `SELECT value, quality FROM /.*/ GROUP BY point`) {
		point := s.Tags["point"]
		for _, row := range s.Values {
			ms, err := row[0].(json.Number).Int64()
			require.NoError(h.t, err)
			one := site.Sample{Point: point, Time: time.UnixMilli(ms).UTC(), Value: site.Unknown()}
			if v, ok := row[1].(json.Number); ok {
				one.Value, err = v.Float64()
				require.NoError(h.t, err)
			}
			if q, ok := row[2].(json.Number); ok {
				n, err := q.Int64()
				require.NoError(h.t, err)
				one.Quality = site.Quality(n)
			}
			all[point] = append(all[point], one)
		}
	}
	return all
}

// caughtUp waits until InfluxDB has everything the journal held at the call.
func (h *pumphouse) caughtUp() {
	h.t.Helper()
	var last time.Time
	j := h.journal()
	upto := j.Last()
	for n, err := range j.Samples(h.t.Context(), time.Time{}, time.Time{}) {
		require.NoError(h.t, err)
		last = n.Sample.Time
	}
	require.NoError(h.t, j.Close())
	h.until("InfluxDB has caught up", func() bool {
		newer, err := h.influx.TryQuery("pump", fmt.Sprintf("SELECT count(value) FROM /.*/ WHERE time > %dms", last.UnixMilli()))
		return err == nil && len(newer) > 0 && h.count() >= upto
	})
}

// count is how many samples InfluxDB has.
func (h *pumphouse) count() (n int64) {
	for _, s := range h.stored() {
		n += int64(len(s))
	}
	return n
}

// sameAsJournal checks that InfluxDB has exactly the journal's samples that are taken over, and
// returns the number of the last of them.
func (h *pumphouse) sameAsJournal() (upto int64) {
	h.t.Helper()
	o := journal.DefaultOptions(filepath.Join(h.dir, "journal"))
	j, err := journal.Open(h.t.Context(), o)
	require.NoError(h.t, err)
	defer j.Close()
	require.Empty(h.t, j.Incidents())
	q, err := j.Queue(h.t.Context(), "archive", true)
	require.NoError(h.t, err)
	pending := q.Pending()
	upto = pending[0].After
	got := h.stored()
	for point, samples := range got {
		for i := range samples[1:] {
			require.True(h.t, samples[i+1].Time.After(samples[i].Time), "%s: %v and then %v", point, samples[i].Time, samples[i+1].Time)
		}
	}
	at := map[string]int{}
	for n, err := range j.Samples(h.t.Context(), time.Time{}, time.Time{}) {
		require.NoError(h.t, err)
		if n.Seq > upto {
			continue // sent or not, it was not acknowledged by the server before the end
		}
		p := n.Sample.Point
		require.Greater(h.t, len(got[p]), at[p], "%s: number %d is not in InfluxDB", p, n.Seq)
		is := got[p][at[p]]
		require.Equal(h.t, n.Sample.Time, is.Time, "%s: number %d", p, n.Seq)
		require.Equal(h.t, n.Sample.Quality, is.Quality, "%s: number %d", p, n.Seq)
		if n.Sample.Quality != site.Bad {
			require.Equal(h.t, n.Sample.Value, is.Value, "%s: number %d", p, n.Seq)
		}
		at[p]++
	}
	return upto
}

// TestCrash kills the daemon at random moments, also while it starts, and InfluxDB now and then.
// A unit that never answers has an alarm that must neither be told twice nor resolved.
func TestCrash(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	h := newPumphouse(t, "unit-silent:11")
	// A life is from start to kill; heard is its first sample.
	type life struct{ from, to, heard time.Time }
	var lives []life
	influxUp := true
	raised := -1 // the kill after which the alarm was first seen
	for n := 0; n < *kills || raised < 0 || n-raised < 4; n++ {
		require.Less(t, n, *kills+200, "the alarm of the silent unit never came")
		if toggle := rng.IntN(5) == 0; toggle && influxUp {
			h.influx.Kill()
			influxUp = false
		} else if !influxUp {
			h.influx.Start()
			influxUp = true
		}
		began := time.Now()
		h.start()
		// A third dies while it starts or shortly after, the others within some polls.
		wait := time.Duration(rng.Int64N(int64(500 * time.Millisecond)))
		if rng.IntN(3) > 0 {
			wait = 500*time.Millisecond + time.Duration(rng.Int64N(int64(9*time.Second)))
		}
		<-time.After(wait)
		if influxUp && rng.IntN(6) == 0 {
			h.influx.Kill()
			influxUp = false
		}
		lives = append(lives, life{from: began, to: h.kill()})
		if len(h.acknowledged()) == 0 {
			continue // it has not come as far as a journal
		}
		if events := h.sound(); raised < 0 && len(events) > 0 {
			raised = n
		}
	}
	if !influxUp {
		h.influx.Start()
	}
	acks := h.acknowledged()
	// A last life without a kill: all of it must be there, up to what was still on its way.
	lives = append(lives, life{from: time.Now()})
	last := &lives[len(lives)-1]
	h.start()
	<-time.After(2 * crashPoll)
	last.to = time.Now()
	h.caughtUp()
	h.terminate()
	upto := h.sameAsJournal()
	require.GreaterOrEqual(t, upto, acks[len(acks)-1].seq, "everything acknowledged before the last kill has arrived")

	// Events: told once each, and nothing resolved that was not mended.
	told := map[string]int{}
	for _, e := range h.sound() {
		require.NotEqual(t, site.Cleared, e.Event.State, "%s", e.Event.ID)
		if e.Event.State == site.Raised {
			told[string(e.Event.Kind)+e.Event.Subject+e.Event.Bay]++
		}
	}
	require.NotEmpty(t, told)
	for id, n := range told {
		require.Equal(t, 1, n, "%s was raised %d times", id, n)
	}

	stored := h.stored()
	h.spoilt()

	// The field's own word: what it served is there, but for what it served too late for the
	// last commit of a life. A commit holds at least what had come when the one before it was
	// acknowledged.
	served := h.served()
	behind, unsure := fieldBehind(served, stored), 20*time.Millisecond+h.stepped()
	total, late, lost, dead := 0, 0, 0, 0
	for i := range lives {
		lives[i].heard = lives[i].to
	}
	for _, samples := range stored {
		for _, s := range samples {
			if k, _ := slices.BinarySearchFunc(lives, s.Time, func(l life, t time.Time) int { return l.from.Compare(t) }); k > 0 && s.Time.Before(lives[k-1].heard) {
				lives[k-1].heard = s.Time
			}
		}
	}
	var oldest []time.Duration
	worst := make([]time.Duration, len(lives))
	for point, times := range served {
		// Two answers can be close together, one at the start and one at the next whole interval. So
		// each sample, the last one first, takes the last answer that may be its own and that no later
		// sample took.
		const reach = 2 * time.Second
		took, excused := make([]bool, len(times)), make([]bool, len(times))
		next := len(times)
		for _, s := range slices.Backward(stored[point]) {
			i, _ := slices.BinarySearchFunc(times, s.Time.Add(unsure-behind), func(w, t time.Time) int { return w.Compare(t) })
			require.Positive(t, i, "%s at %v was never served", point, s.Time)
			if s.Quality == site.Bad {
				excused[i-1] = true
				continue
			}
			next = min(next, i) - 1
			require.True(t, next >= 0 && s.Time.Sub(times[next]) < behind+reach, "%s at %v: its answer is there twice", point, s.Time)
			took[next] = true
		}
		for i := range times {
			total++
			if took[i] {
				continue
			}
			if excused[i] {
				late++ // the answer came after the daemon's patience, and it says so
				continue
			}
			at := times[i].Add(behind)
			k, _ := slices.BinarySearchFunc(lives, at, func(l life, t time.Time) int { return l.from.Compare(t) })
			if k == 0 || at.Before(lives[k-1].heard) || at.After(lives[k-1].to) {
				dead++ // an answer to one that was no more, from a field that was slow to give it
				continue
			}
			k--
			lost++
			worst[k] = max(worst[k], lives[k].to.Sub(at))
			holds := lives[k].heard
			if n := acknowledgedIn(acks, lives[k].from, lives[k].to); len(n) > 1 {
				holds = n[len(n)-2].at
			} else if k == len(lives)-1 {
				holds = lives[k].to
			}
			require.True(t, at.After(holds.Add(-2*crashCommit)), "%s: the answer of %v is lost, but a commit of %v was acknowledged; killed %v", point, at, holds, lives[k].to)
		}
	}
	for _, w := range worst {
		if w > 0 {
			oldest = append(oldest, w)
		}
	}
	slices.Sort(oldest)
	median := time.Duration(0)
	if len(oldest) > 0 {
		median = oldest[len(oldest)/2]
	}
	t.Logf("%d kills, %d commits acknowledged, %d samples in InfluxDB; the field served %d values, %d of them too late for the daemon's patience, %d to one already dead, and %d were lost to kills; oldest lost before a kill: median %v",
		len(lives)-1, len(acks), upto, total, late, dead, lost, median.Round(time.Millisecond))
	// On a machine that has time for it, commits follow each other at the interval asked for.
	shortest := time.Hour
	for _, l := range lives {
		in := acknowledgedIn(acks, l.from, l.to)
		for i := range in[min(1, len(in)):] {
			shortest = min(shortest, in[i+1].at.Sub(in[i].at))
		}
	}
	require.Less(t, shortest, 2*crashCommit, "commits are further apart than the site file asks for")
}

// spoilt overwrites the file of samples and checks that the daemon starts, says so by an alarm,
// and goes on.
func (h *pumphouse) spoilt() {
	h.t.Helper()
	require.NoError(h.t, os.WriteFile(filepath.Join(h.dir, "journal", "samples.db"), bytes.Repeat([]byte("rubbish "), 1000), 0o644))
	acks := len(h.acknowledged())
	h.start()
	h.until("the daemon journals again", func() bool { return len(h.acknowledged()) > acks })
	h.until("somebody is told of the damaged file", func() bool {
		return slices.ContainsFunc(h.sound(), func(e journal.StoredEvent) bool {
			return e.Event.Kind == site.JournalFault && strings.Contains(e.Event.Because, "damaged-1-samples.db")
		})
	})
	h.terminate()
}

func acknowledgedIn(acks []ack, from, to time.Time) []ack {
	return slices.DeleteFunc(slices.Clone(acks), func(a ack) bool { return a.at.Before(from) || a.at.After(to) })
}

// fieldBehind is how far the field's clock is behind the daemon's: the shortest time from an
// answer's stamp to that of the sample made of it.
func fieldBehind(served map[string][]time.Time, stored map[string][]site.Sample) time.Duration {
	behind := crashPoll
	for point, samples := range stored {
		for _, s := range samples {
			if i, _ := slices.BinarySearchFunc(served[point], s.Time, func(w, t time.Time) int { return w.Compare(t) }); i > 0 && s.Quality != site.Bad {
				behind = min(behind, s.Time.Sub(served[point][i-1]))
			}
		}
	}
	return behind
}

// TestCrashClock runs the real daemon on a machine that boots two years in the past: what it
// reads is dated when the clock is put right, also over a kill meanwhile, and only then sent.
func TestCrashClock(t *testing.T) {
	h := newPumphouse(t, "")
	h.clock("-17520h", false)
	journaled := func(n int64) {
		t.Helper()
		h.until("the daemon journals", func() bool {
			acks := h.acknowledged()
			return len(acks) > 0 && acks[len(acks)-1].seq >= n
		})
	}
	h.start()
	journaled(100)
	h.kill()
	first := h.acknowledged()
	h.start()
	journaled(first[len(first)-1].seq + 100)
	require.Zero(t, h.count(), "nothing leaves without a date")
	undated := h.acknowledged()
	h.clock("0s", true)
	h.until("everything is sent once the clock is put right", func() bool { return h.count() > undated[len(undated)-1].seq+50 })
	h.terminate()
	upto := h.sameAsJournal()
	require.Greater(t, upto, undated[len(undated)-1].seq)

	served, stored := h.served(), h.stored()
	behind, unsure := fieldBehind(served, stored), 50*time.Millisecond+h.stepped()
	require.Less(t, behind, crashPoll)
	for point := range served {
		for _, s := range stored[point] {
			require.Equal(t, site.Good, s.Quality)
			i, _ := slices.BinarySearchFunc(served[point], s.Time.Add(unsure-behind), func(w, t time.Time) int { return w.Compare(t) })
			require.Positive(t, i)
			require.Less(t, s.Time.Sub(served[point][i-1]), behind+2*time.Second, "%s: %v is not the time of an answer", point, s.Time)
		}
	}
	j := h.journal()
	records, err := j.Records(t.Context(), 0, 0, site.RecClock)
	require.NoError(t, err)
	require.Len(t, records, 1)
	require.True(t, strings.HasPrefix(records[0].Text, "readings of this boot were dated"))
	require.NoError(t, j.Close())
	h.ahead(upto)
}

// ahead has a time server say that it is ten years later, and then the truth. Somebody is told what
// ends that, does it, and no reading has a wrong time any more, in the journal or in InfluxDB.
func (h *pumphouse) ahead(upto int64) {
	h.t.Helper()
	const future = 87600 * time.Hour
	h.start()
	beyond := func(t time.Time) func() bool {
		return func() bool {
			rows, err := h.influx.TryQuery("pump", fmt.Sprintf("SELECT count(value) FROM /.*/ WHERE time > %dms", t.UnixMilli()))
			return err == nil && len(rows) > 0
		}
	}
	h.until("the daemon sends again", beyond(time.Now()))
	h.clock(future.String(), true)
	h.until("readings of ten years later are sent", beyond(time.Now().Add(future/2)))
	h.clock("0s", true)
	h.until("it stands on record what to do", func() bool {
		j := h.journal()
		defer j.Close()
		records, err := j.Records(h.t.Context(), 0, 0, site.RecCondition)
		require.NoError(h.t, err)
		return slices.ContainsFunc(records, func(r site.Record) bool { return strings.Contains(r.Text, "bayledger journal redate") })
	})
	redate := func(more ...string) (string, error) {
		out, err := exec.CommandContext(h.t.Context(), h.program, append([]string{"journal", "redate", "--config", h.config}, more...)...).CombinedOutput()
		return string(out), err
	}
	said, err := redate("--yes")
	require.Error(h.t, err)
	require.Contains(h.t, said, "stop it first")
	h.terminate()
	said, err = redate()
	require.NoError(h.t, err, said)
	require.Contains(h.t, said, "seen to step")
	require.Contains(h.t, said, "nothing is done yet")
	said, err = redate("--yes")
	require.NoError(h.t, err, said)
	h.t.Log(said)
	_, statement, _ := strings.Cut(said, "DELETE ")
	h.influx.Query("pump", "DELETE "+strings.TrimSpace(statement))
	require.False(h.t, beyond(time.Now().Add(future/2))())
	began := time.Now()
	h.start()
	h.until("the daemon goes on in true time", beyond(began))
	h.terminate()
	require.Greater(h.t, h.sameAsJournal(), upto)
	for point, samples := range h.stored() {
		for _, s := range samples {
			require.True(h.t, s.Time.Before(time.Now()), "%s at %v", point, s.Time)
		}
	}
	said, err = redate()
	require.NoError(h.t, err)
	require.Contains(h.t, said, "nothing to put right")
}
