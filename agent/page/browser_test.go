package page

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image/png"
	"math"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// aNightHistory is a night in which A3's valve sticks open at 01:40 and every other bay saws
// between its band and its set point.
type aNightHistory struct{ aHistory }

func (h *aNightHistory) Series(_ context.Context, point string, from, to time.Time, step time.Duration) ([]Dot, error) {
	bay, kind, _ := strings.Cut(point, "-")
	stuck := aMorning.Add(-5 * time.Hour)
	var out []Dot
	for t := from; t.Before(to); t = t.Add(step) {
		phase := math.Mod(float64(t.Unix()), 5*3600) / (5 * 3600)
		level, flow := 0.062-0.004*phase, 0.0
		if phase < 0.04 {
			level, flow = 0.058+0.1*phase, 14.0/60000
		}
		if bay == "A3" && t.After(stuck) {
			level, flow = 0.062+0.019*t.Sub(stuck).Hours()/5, 14.0/60000
		}
		v := map[string]float64{"level": level, "flow": flow, "rain": 1.2}[kind]
		d := Dot{Time: t, Value: v, Min: v - 0.0004, Max: v + 0.0004}
		if kind != "level" {
			d.Min, d.Max = v, v
		}
		if bay == "B2" && t.After(aMorning.Add(-42*time.Minute)) {
			d.Value, d.Min, d.Max = nan, nan, nan
		}
		out = append(out, d)
	}
	return out, nil
}

// browser opens one Chromium for a test. Every tab watches for what must not be: a message in the
// console, and a request that leaves the server.
type browser struct {
	t     *testing.T
	ctx   context.Context
	base  string
	amiss chan string
	axe   string
}

func openBrowser(t *testing.T, base string) *browser {
	t.Helper()
	path := os.Getenv("BAYLEDGER_AXE")
	axe, err := os.ReadFile(path)
	if path == "" || err != nil {
		t.Fatalf("the accessibility rules are not here (BAYLEDGER_AXE=%q): run sh deploy/test.sh, which fetches them", path)
	}
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("chromium is not installed: run sh deploy/test.sh, which installs it")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.UserDataDir(t.TempDir()))
	alloc, end := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(end)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	b := &browser{t: t, ctx: ctx, base: base, axe: string(axe), amiss: make(chan string, 100)}
	require.NoError(t, chromedp.Do(ctx)) // the first call opens the browser; a deadline on it would end it
	say := func(format string, args ...any) {
		select {
		case b.amiss <- fmt.Sprintf(format, args...):
		default:
		}
	}
	require.NoError(t, chromedp.Listen(ctx, func(ev any) {
		switch e := ev.(type) {
		case *runtime.EventConsoleAPICalled:
			if e.Type == "error" || e.Type == "warning" {
				say("console: %v", e.Args)
			}
		case *runtime.EventExceptionThrown:
			say("exception: %v", e.ExceptionDetails.Text)
		case *network.EventRequestWillBeSent:
			if !strings.HasPrefix(e.Request.URL, base+"/") && !strings.HasPrefix(e.Request.URL, "data:") {
				say("request leaves the server: %s", e.Request.URL)
			}
		}
	}))
	return b
}

// do carries out steps within half a minute.
func (b *browser) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	require.NoError(b.t, chromedp.Do(ctx, steps...))
}

func evaluate[T any](b *browser, js string) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	require.NoError(b.t, err, js)
	return v
}

// until waits for a condition of the page. A form leads to another page, and a question put to the
// one that is just leaving is put again.
func (b *browser) until(js string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	for {
		_, err := chromedp.Run(ctx, chromedp.Poll[bool](js))
		if err == nil {
			return
		}
		require.NoError(b.t, ctx.Err(), "%s: %v", js, err)
	}
}

func (b *browser) open(path string) { b.t.Helper(); b.do(chromedp.Navigate(b.base + path)) }

// sound fails the test for what the tab saw amiss so far.
func (b *browser) sound(where string) {
	b.t.Helper()
	for {
		select {
		case what := <-b.amiss:
			b.t.Errorf("%s: %s", where, what)
		default:
			return
		}
	}
}

// picture keeps what the page looks like, and fails when nothing was drawn.
func (b *browser) picture(name string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	shot, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	require.NoError(b.t, err)
	img, err := png.Decode(bytes.NewReader(shot))
	require.NoError(b.t, err)
	require.Greater(b.t, img.Bounds().Dy(), 300)
	require.NoError(b.t, os.WriteFile(filepath.Join(b.t.ArtifactDir(), name+".png"), shot, 0o644))
}

// accessible runs axe-core with the rules of WCAG 2.2 A and AA; nothing serious may be found.
func (b *browser) accessible(where string) {
	b.t.Helper()
	evaluate[bool](b, "(() => {"+b.axe+"\n})(); typeof axe === 'object'")
	text := evaluate[string](b, `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}).then(r => JSON.stringify(
		{passes: r.passes.length, violations: r.violations.map(v => ({id: v.id, impact: v.impact, nodes: v.nodes.map(n => n.html.slice(0, 160) + " " + n.failureSummary)}))}))`)
	var found struct {
		Passes     int
		Violations []struct {
			ID, Impact string
			Nodes      []string
		}
	}
	require.NoError(b.t, json.Unmarshal([]byte(text), &found))
	require.Greater(b.t, found.Passes, 5, "the rules did run")
	for _, v := range found.Violations {
		b.t.Errorf("%s: %s (%s): %s", where, v.ID, v.Impact, strings.Join(v.Nodes, "\n  "))
	}
}

// fits fails when the page is wider than the window: nobody scrolls sideways on a phone.
func (b *browser) fits(where string) {
	b.t.Helper()
	over := evaluate[string](b, `(() => { const w = document.documentElement.clientWidth;
		if (document.documentElement.scrollWidth <= w) return "";
		return [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > w + 1).slice(-3).map(e => e.outerHTML.slice(0, 120)).join(" | ") || "wide"; })()`)
	require.Empty(b.t, over, where)
}

func served(t *testing.T, c *club) string {
	t.Helper()
	srv := httptest.NewUnstartedServer(c.Handler())
	ServerTimeouts(srv.Config)
	srv.Start()
	t.Cleanup(srv.Close)
	t.Cleanup(c.Close)
	return srv.URL
}

func nightClub(t *testing.T, v func() *View) *club {
	t.Helper()
	h := &aNightHistory{}
	bad := aBadView()
	for _, a := range bad.Alarms[:2] {
		e := a.Now
		e.State = site.Raised
		h.events = append(h.events, e)
	}
	h.records = []site.Record{
		{Kind: site.RecDip, Bay: "A1", Time: aMorning.Add(-time.Minute), Value: 0.063, Value2: 0.062, Who: "ann"},
		{Kind: site.RecSurface, Bay: "A1", Time: aMorning.Add(-time.Minute), Text: "dry", Who: "ann"},
	}
	return aClub(t, nil, func(_ *Options, d *Deps) {
		d.View, d.History = v, h
		d.Able = func(*site.Site, string) []Ability {
			return []Ability{{site.Leak, true, "by the account", ""}, {site.ValveWeeping, false, "", "a flow meter that turns from 0.1 L/min"}}
		}
	})
}

// TestBrowserPages opens every page at a phone's and a desk's width: nothing in
// the console, no request that leaves the server, nothing wider than the window, no violation of
// WCAG 2.2 AA that axe-core can see.
func TestBrowserPages(t *testing.T) {
	c := nightClub(t, aBadView)
	b := openBrowser(t, served(t, c))
	for _, width := range []int64{360, 1280} {
		b.do(chromedp.EmulateViewport(width, 900))
		for _, path := range []string{"/", "/bays/A3", "/alarms", "/round", "/login", "/nothing"} {
			where := fmt.Sprintf("%s at %d px", path, width)
			b.open(path)
			if strings.HasPrefix(path, "/bays") {
				b.until(`document.getElementById("charts").dataset.drawn === "2"`)
			}
			b.fits(where)
			b.accessible(where)
			b.picture(fmt.Sprintf("%s-%d", strings.Trim(strings.ReplaceAll(path, "/", "-"), "-")+"page", width))
			if path != "/nothing" { // Chromium itself notes a 404 in the console
				b.sound(where)
			}
		}
	}
}

// TestBrowserWork does a keeper's morning: a wrong password, a right one, takes the stuck valve
// on, shelves the other, notes a dip.
func TestBrowserWork(t *testing.T) {
	c := nightClub(t, aBadView)
	b := openBrowser(t, served(t, c))
	b.do(chromedp.EmulateViewport(360, 800))
	b.open("/login?next=/alarms")
	enter := func(password string) {
		b.do(chromedp.SendKeys(chromedp.CSS("#name"), "ann"), chromedp.SendKeys(chromedp.CSS("#password"), password), chromedp.Click(chromedp.CSS(".plain button")))
	}
	enter("wrong words")
	b.until(`document.querySelector(".said.bad")?.textContent.includes("do not belong together")`)
	evaluate[bool](b, `(document.getElementById("name").value = "", true)`)
	enter(secret)
	b.until(`location.pathname === "/alarms" && document.querySelector(".who")?.textContent.includes("ann")`)
	require.True(t, evaluate[bool](b, `document.querySelector(".call.urgent h2").textContent.includes("valve stuck open")`))
	b.accessible("alarms as a keeper")
	b.picture("alarms-keeper-360")

	b.do(chromedp.Click(chromedp.CSS(".call.urgent button.main")))
	b.until(`document.querySelector(".said")?.textContent.includes("taken this alarm on")`)
	require.Equal(t, site.RecAck, c.last().Kind)

	b.do(chromedp.Click(chromedp.CSS(".call.warning summary")), chromedp.SendKeys(chromedp.CSS(".call.warning input[name=why]"), "cable ordered"),
		chromedp.Click(chromedp.CSS(".call.warning details button")))
	b.until(`document.querySelector(".said")?.textContent.includes("shelved")`)
	require.Equal(t, site.RecShelve, c.last().Kind)
	require.Equal(t, "cable ordered", c.last().Text)

	b.open("/round")
	b.fits("round as a keeper")
	b.accessible("round as a keeper")
	b.picture("round-keeper-360")
	b.do(chromedp.SendKeys(chromedp.CSS("#dip-A1"), "63"), chromedp.Click(chromedp.CSS("#round-A1 form button")))
	b.until(`document.querySelector(".said")?.textContent.includes("dip is on record")`)
	require.InDelta(t, 0.063, c.last().Value, 1e-12)
	require.Equal(t, "ann", c.last().Who)
	// Buttons are made for a thumb (WCAG 2.2, 2.5.8 asks for 24 px, the round for 44).
	require.GreaterOrEqual(t, evaluate[float64](b, `Math.min(...[...document.querySelectorAll(".round button, .round input:not([type=hidden])")].filter(e => e.offsetParent).map(e => e.getBoundingClientRect().height))`), 44.0)
}

// TestBrowserLive: an open page changes by itself when the view does, and the reader keeps the
// place they are at.
func TestBrowserLive(t *testing.T) {
	var view atomic.Pointer[View]
	view.Store(aQuietView())
	c := nightClub(t, view.Load)
	b := openBrowser(t, served(t, c))
	b.do(chromedp.EmulateViewport(1280, 800))
	b.open("/")
	require.True(t, evaluate[bool](b, `document.querySelector("h1").textContent.includes("as it was set")`))
	b.picture("quiet-1280")
	evaluate[bool](b, `(document.getElementById("bay-A2").focus(), true)`)
	view.Store(aBadView())
	b.until(`document.querySelector("h1").textContent.includes("A3 and B2")`)
	require.Equal(t, "bay-A2", evaluate[string](b, `document.activeElement.id`))
	require.True(t, evaluate[bool](b, `document.title.startsWith("(2)")`))
	b.sound("live")
}

// TestBrowserLoad: what a first visit loads, as the browser counts it; the time of its first paint
// is printed.
func TestBrowserLoad(t *testing.T) {
	c := nightClub(t, aBadView)
	b := openBrowser(t, served(t, c))
	b.do(chromedp.EmulateViewport(360, 800))
	b.open("/")
	b.until(`performance.getEntriesByName("first-contentful-paint").length === 1`)
	t.Logf("first paint after %.0f ms", evaluate[float64](b, `performance.getEntriesByName("first-contentful-paint")[0].startTime`))
	total := evaluate[float64](b, `performance.getEntriesByType("resource").reduce((n, e) => n + e.transferSize, performance.getEntriesByType("navigation")[0].transferSize)`)
	require.Less(t, total, 300_000.0)
	require.Greater(t, total, 10_000.0)
}
