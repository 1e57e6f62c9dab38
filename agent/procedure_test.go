package agent_test

import (
	"context"
	"log/slog"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent"
	"bayledger/agent/clock"
	"bayledger/agent/procedure"
	"bayledger/agent/sitefile"
	"bayledger/agent/words"
	"bayledger/drivers/virtual"
)

// pumpHouse is a virtual pump house behind real Modbus TCP with a running agent, in which a person
// works. Its clock moves only while the test lets it.
type pumpHouse struct {
	t     *testing.T
	c     virtual.Config
	field *virtual.Field
	clk   *clock.Stepped
	addr  string
	dir   string
	a     *agent.Agent
	idle  func()
	// watch is how long a closed system is watched; 0 is the site file's.
	watch time.Duration
	// every is how often points are read; 0 is the site file's. Days go by sooner with few readings.
	every time.Duration
	// language is that of the site's people; empty is English.
	language words.Language
	// users is the file with those who may log in to the page; empty for nobody.
	users string
}

// house makes a pump house; change may alter it before it is built. Every valve is held shut by
// hand: its controller is in manual.
func house(t *testing.T, change func(c *virtual.Config)) *pumpHouse {
	t.Helper()
	c := virtual.Default()
	c.Start = evening
	if change != nil {
		change(&c)
	}
	f, err := virtual.New(c)
	require.NoError(t, err)
	h := &pumpHouse{t: t, c: c, field: f, clk: clock.NewStepped(evening, nil), dir: t.TempDir()}
	h.addr = serveField(t, f, h.clk, nil)
	for _, id := range h.bays() {
		h.act(virtual.Act{Kind: virtual.ManualShut, Bay: id, At: evening, Until: evening.Add(90 * 24 * time.Hour)})
	}
	h.boot()
	t.Cleanup(h.stop)
	return h
}

func (h *pumpHouse) bays() []string {
	var ids []string
	for _, k := range h.c.Courts {
		for _, b := range k.Bays {
			ids = append(ids, b.ID)
		}
	}
	return ids
}

// boot starts the daemon on what its journal holds.
func (h *pumpHouse) boot() {
	h.t.Helper()
	h.idle = h.clk.Work()
	cfg := siteOf(h.t, h.c, h.addr)
	if h.watch > 0 {
		cfg.Site.Commission.WinterWatch = h.watch
	}
	commit := 10 * time.Second
	if h.every > 0 {
		commit = h.every
		for i := range cfg.Site.Points {
			cfg.Site.Points[i].Interval = h.every
		}
	}
	cfg.Page.UsersFile = h.users
	cfg.Site.Language = string(h.language)
	a, err := agent.New(h.t.Context(), agent.Options{Config: cfg, Dir: h.dir, Clock: h.clk, Log: slog.New(slog.DiscardHandler), CommitEvery: commit})
	require.NoError(h.t, err)
	require.NoError(h.t, a.Start())
	h.a = a
}

func (h *pumpHouse) stop() {
	if h.a == nil {
		return
	}
	require.NoError(h.t, h.a.Stop())
	h.a = nil
	h.idle()
}

// pace stops the daemon in the middle of whatever goes on, and starts one that reads every so often.
func (h *pumpHouse) pace(every time.Duration) {
	h.t.Helper()
	h.stop()
	h.every = every
	h.boot()
}

func (h *pumpHouse) act(a virtual.Act) {
	h.t.Helper()
	require.NoError(h.t, h.field.Do(a))
}

// wait lets the site live on.
func (h *pumpHouse) wait(d time.Duration) {
	h.t.Helper()
	require.NoError(h.t, h.clk.Wait(h.t.Context(), h.clk.Now().Add(d)))
}

func (h *pumpHouse) picture() procedure.Picture { return h.a.View().Procedures }

// run is the procedure of that kind under way, nil when it is over.
func (h *pumpHouse) run(k procedure.Kind) *procedure.Running {
	p := h.picture()
	for i := range p.Runs {
		if p.Runs[i].Kind == k {
			return &p.Runs[i]
		}
	}
	return nil
}

// say gives an answer as the page and the command line do.
func (h *pumpHouse) say(a procedure.Answer) {
	h.t.Helper()
	a.Who = "Ada"
	rec, err := a.Record(h.picture(), h.clk.Now())
	require.NoError(h.t, err)
	_, err = h.a.Record(context.Background(), rec)
	require.NoError(h.t, err)
}

func (h *pumpHouse) start(k procedure.Kind, bay string) {
	h.t.Helper()
	h.say(procedure.Answer{Do: "start", Kind: k, Bay: bay})
}

func (h *pumpHouse) answer(k procedure.Kind, text string) {
	h.t.Helper()
	r := h.run(k)
	require.NotNil(h.t, r)
	h.say(procedure.Answer{Do: "answer", Run: r.ID, Step: r.Now.Step, Text: text})
}

// until lets time pass until the run is so, for at most d of the site's time.
func (h *pumpHouse) until(k procedure.Kind, d time.Duration, what string, so func(r *procedure.Running) bool) *procedure.Running {
	h.t.Helper()
	end := h.clk.Now().Add(d)
	for {
		r := h.run(k)
		if so(r) {
			return r
		}
		if !h.clk.Now().Before(end) {
			if r != nil {
				h.t.Fatalf("%s: not %s within %s; step %q says %q %v", k, what, d, r.Now.Step, r.Now.Verdict.Says, r.Now.Verdict.Lines)
			}
			h.t.Fatalf("%s: not %s within %s; it is over", k, what, d)
		}
		h.wait(max(10*time.Second, h.every))
	}
}

// record is the newest record of that kind.
func (h *pumpHouse) record(k procedure.Kind) procedure.Record {
	h.t.Helper()
	all := h.picture().Records
	i := slices.IndexFunc(all, func(r procedure.Record) bool { return r.Kind == k })
	require.GreaterOrEqual(h.t, i, 0, "no record of %s", k)
	for j := i; j < len(all); j++ {
		if all[j].Kind == k {
			i = j
		}
	}
	return all[i]
}

func (h *pumpHouse) openValve(id string, d time.Duration) {
	h.act(virtual.Act{Kind: virtual.ManualOpen, Bay: id, At: h.clk.Now(), Until: h.clk.Now().Add(d)})
}

// prove walks through the wiring proof: opens each valve at the controller, looks where the water
// goes, shuts the valve when told.
func (h *pumpHouse) prove() procedure.Record {
	h.t.Helper()
	h.start(procedure.WiringProof, "")
	h.answer(procedure.WiringProof, "yes")
	return h.passes(h.bays())
}

// passes walks through the passes of those bays' valves, and to what the proof makes of them.
func (h *pumpHouse) passes(ids []string) procedure.Record {
	h.t.Helper()
	for _, id := range ids {
		step := "valve " + id
		h.until(procedure.WiringProof, 30*time.Minute, "at "+step, func(r *procedure.Running) bool { return r != nil && r.Now.Step == step })
		before := h.filled()
		// The valve stays open until the tool says so: an act's end is set when it is known.
		h.openValve(id, 10*time.Second)
		h.until(procedure.WiringProof, time.Hour, "told to shut "+id, func(r *procedure.Running) bool {
			require.Equal(h.t, step, r.Now.Step)
			if r.Now.Verdict.Phase == "shut" || r.Now.Verdict.State == procedure.Failed {
				return true
			}
			h.openValve(id, 10*time.Second)
			return false
		})
		h.answer(procedure.WiringProof, h.wet(before))
	}
	h.until(procedure.WiringProof, 30*time.Minute, "judged", func(r *procedure.Running) bool {
		return r == nil || r.Now.Step == "wiring" && r.Now.Verdict.State == procedure.Failed
	})
	if r := h.run(procedure.WiringProof); r != nil {
		return procedure.Record{Results: append(r.Results, procedure.Result{Step: r.Now.Step, Notes: r.Now.Verdict.Notes, Says: r.Now.Verdict.Says, Fix: r.Now.Verdict.Fix})}
	}
	return h.record(procedure.WiringProof)
}

func (h *pumpHouse) filled() map[string]float64 {
	out := map[string]float64{}
	for _, id := range h.bays() {
		a, err := h.field.Truth(id)
		require.NoError(h.t, err)
		out[id] = a.Filled
	}
	return out
}

// wet is the bay that took water since.
func (h *pumpHouse) wet(before map[string]float64) string {
	wet, most := "none", 1e-3
	for id, v := range h.filled() {
		if v-before[id] > most {
			wet, most = id, v-before[id]
		}
	}
	return wet
}

// swaps make a permutation of one kind by exchanging pairs, in order.
func swaps(k virtual.FaultKind, pairs ...string) []virtual.Fault {
	var out []virtual.Fault
	for _, p := range pairs {
		a, b, _ := strings.Cut(p, "+")
		out = append(out, virtual.Fault{Kind: k, Bay: a, Other: b, From: evening})
	}
	return out
}

// applied is the place each terminal ends up at after the swaps: terminal -> whose instrument.
func applied(ids []string, faults []virtual.Fault, k virtual.FaultKind) map[string]string {
	of := map[string]string{}
	for _, id := range ids {
		of[id] = id
	}
	for _, f := range faults {
		if f.Kind == k {
			of[f.Bay], of[f.Other] = of[f.Other], of[f.Bay]
		}
	}
	return of
}

// belongs is what the wiring proof must find: which terminal each bay's valve, meter and sensor is on.
func belongs(ids []string, faults []virtual.Fault) map[string]string {
	want := map[string]string{}
	for bay, terminal := range applied(ids, faults, virtual.SwapValves) {
		want["valve of "+bay] = terminal
	}
	for terminal, bay := range applied(ids, faults, virtual.SwapMeters) {
		want["meter of "+bay] = terminal
	}
	for terminal, bay := range applied(ids, faults, virtual.SwapLevels) {
		want["level of "+bay] = terminal
	}
	return want
}

// One pass of the wiring proof over real Modbus names every swap: each of the fifteen pairs of six
// bays once as meters, once as sensors and once as valves (three at a time), and the wilder ones.
func TestEndToEndWiringProof(t *testing.T) {
	type row struct {
		name   string
		faults []virtual.Fault
	}
	ids := []string{"A1", "A2", "A3", "B1", "B2", "B3"}
	var pairs []string
	for i, a := range ids {
		for _, b := range ids[i+1:] {
			pairs = append(pairs, a+"+"+b)
		}
	}
	rows := []row{
		{"all right", nil},
		{"rings of three", slices.Concat(swaps(virtual.SwapMeters, "A1+A2", "A2+A3"), swaps(virtual.SwapLevels, "B1+B2", "B2+B3"), swaps(virtual.SwapValves, "A3+B1", "B1+A1"))},
		{"meter and sensor together", slices.Concat(swaps(virtual.SwapMeters, "A1+B3"), swaps(virtual.SwapLevels, "A1+B3"))},
		{"all three of a pair, and a ring of six", slices.Concat(swaps(virtual.SwapMeters, "A1+A2"), swaps(virtual.SwapLevels, "A1+A2"), swaps(virtual.SwapValves, "A1+A2", "A2+A3", "A3+B1", "B1+B2", "B2+B3"))},
	}
	for i, p := range pairs {
		l, v := pairs[(i+4)%len(pairs)], pairs[(i+9)%len(pairs)]
		rows = append(rows, row{"meters " + p + ", sensors " + l + ", valves " + v,
			slices.Concat(swaps(virtual.SwapMeters, p), swaps(virtual.SwapLevels, l), swaps(virtual.SwapValves, v))})
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			h := house(t, func(c *virtual.Config) { c.Faults = row.faults })
			h.wait(2 * time.Minute)
			rec := h.prove()
			last := rec.Results[len(rec.Results)-1]
			require.Equal(t, belongs(ids, row.faults), last.Notes, last.Says)
			if row.faults == nil {
				require.True(t, rec.SignedOff)
				require.Empty(t, rec.Fix)
				return
			}
			require.Contains(t, last.Says, "Mixed up")
			if len(row.faults) > 0 && row.faults[0].Kind == virtual.SwapMeters && row.faults[0].Bay == "A1" && row.faults[0].Other == "B3" {
				// The register of B3's total, as the site file of the pump house has it.
				require.Contains(t, last.Fix, "bay A1: points: meter: { "+h.register("B3-meter")+" }")
			}
		})
	}
}

// A sensor that stands on one number while its bay takes water is named by the proof; the others are
// proved.
func TestEndToEndWiringProofWithAFrozenSensor(t *testing.T) {
	h := house(t, func(c *virtual.Config) {
		c.Faults = []virtual.Fault{{Kind: virtual.SensorFrozen, Bay: "A2", From: evening.Add(time.Minute)}}
	})
	h.wait(2 * time.Minute)
	rec := h.prove()
	last := rec.Results[len(rec.Results)-1]
	require.Contains(t, last.Says, "bay A2: no chamber rose; its sensor is frozen")
	require.NotContains(t, last.Says, "Mixed up")
	require.NotContains(t, last.Notes, "level of A2")
	require.Equal(t, "A2", last.Notes["meter of A2"])
	require.Equal(t, "A3", last.Notes["level of A3"])
}

// pasted is the site file with the lines of a proof in place of what stood there.
func (h *pumpHouse) pasted(fix []string) *sitefile.Config {
	h.t.Helper()
	text, err := virtual.SiteYAML(h.c, virtual.TCPLine(h.addr))
	require.NoError(h.t, err)
	line := regexp.MustCompile(`^bay (\w+): points: (\w+): (\{ .* \})$`)
	for _, f := range fix {
		m := line.FindStringSubmatch(f)
		require.NotNil(h.t, m, f)
		head, bay, ok := strings.Cut(text, "- id: "+m[1]+"\n")
		require.True(h.t, ok, f)
		before, point, ok := strings.Cut(bay, "\n          "+m[2]+": ")
		require.True(h.t, ok, f)
		_, after, _ := strings.Cut(point, "\n")
		text = head + "- id: " + m[1] + "\n" + before + "\n          " + m[2] + ": " + m[3] + "\n" + after
	}
	cfg, problems := sitefile.Load([]byte(text), "site.yaml")
	require.Empty(h.t, problems)
	cfg.Page.Listen = "127.0.0.1:0"
	return cfg
}

// The proof has failed, its lines are pasted into the site file and the file is read again while the
// proof stands: it goes on from the first valve concerned and ends signed off, and each bay's points
// show that bay's water.
func TestEndToEndWiringProofGoesOnAfterAReload(t *testing.T) {
	h := house(t, func(c *virtual.Config) {
		c.Faults = slices.Concat(swaps(virtual.SwapMeters, "A2+B1"), swaps(virtual.SwapLevels, "A3+B2"))
	})
	h.wait(2 * time.Minute)
	rec := h.prove()
	last := rec.Results[len(rec.Results)-1]
	require.Contains(t, last.Says, "valve A2 moves meter B1")
	require.Contains(t, last.Says, "valve A3 raises level B2")
	require.Len(t, last.Fix, 6, "meter and flow of two bays, level of two")
	id := h.run(procedure.WiringProof).ID

	require.NoError(t, h.a.Reload(t.Context(), h.pasted(last.Fix)))
	h.wait(2 * time.Minute)
	r := h.run(procedure.WiringProof)
	require.NotNil(t, r, "the proof stands over the reload")
	require.Equal(t, id, r.ID)
	require.Equal(t, "wiring", r.Now.Step)
	h.say(procedure.Answer{Do: "again", Run: r.ID, Step: r.Now.Step})
	require.Equal(t, "valve A2", h.run(procedure.WiringProof).Now.Step, "A1 was right, and is not proved again")
	rec = h.passes(h.bays()[1:])
	require.True(t, rec.SignedOff, rec.Results)
	require.Equal(t, id, rec.ID)
	require.Equal(t, belongs(h.bays(), nil), rec.Results[len(rec.Results)-1].Notes)
	require.Empty(t, rec.Fix)
	require.Nil(t, h.run(procedure.WiringProof))
}

// register is what the site file says of a point's place, read from its text.
func (h *pumpHouse) register(point string) string {
	for _, p := range siteOf(h.t, h.c, h.addr).Site.Points {
		if p.ID == point {
			return p.Register
		}
	}
	return ""
}
