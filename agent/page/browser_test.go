package page

import (
	"context"
	"fmt"
	"math"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"bayledger/agent/alarm"
	"bayledger/agent/browsertest"
	"bayledger/agent/procedure"
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
		d.Able = func(*site.Site, string) []site.Ability {
			return []site.Ability{{Kind: site.Leak, Can: true, How: "by the account"}, {Kind: site.ValveWeeping, Needs: "a flow meter that turns from 0.1 L/min"}}
		}
	})
}

// TestBrowserPages opens the pages that show trouble at a phone's and a desk's width: nothing in
// the console, no request that leaves the server, nothing wider than the window, no violation of
// WCAG 2.2 AA that axe-core can see. The demo's pages are gone through in cmd/bayledger.
func TestBrowserPages(t *testing.T) {
	var view atomic.Pointer[View]
	view.Store(aBadView())
	c := nightClub(t, view.Load)
	b := browsertest.Open(t, served(t, c))
	for _, visit := range []struct {
		width int64
		view  *View
	}{{360, aBadView()}, {360, germanView()}, {1280, germanView()}} { // English at a desk is the demo's
		view.Store(visit.view)
		b.Do(chromedp.EmulateViewport(visit.width, 900))
		for _, path := range []string{"/", "/bays/B2", "/alarms", "/round", "/procedures", "/reports?span=day&day=2026-07-13"} {
			where := fmt.Sprintf("%s at %d px %s", path, visit.width, visit.view.Site.Language)
			b.Go(path)
			if strings.HasPrefix(path, "/bays") {
				b.Until(`document.getElementById("charts").dataset.drawn === "2"`)
			}
			b.Fits(where)
			b.Accessible(where)
			b.Picture(fmt.Sprintf("page%s%s-%d", visit.view.Site.Language, strings.NewReplacer("/", "-", "?", "-", "&", "-").Replace(path), visit.width))
			b.Sound(where)
		}
	}
	look(t, b)
}

// TestBrowserWork: on a phone a keeper puts work at a bay on record, and ends what is under way.
func TestBrowserWork(t *testing.T) {
	v := aBadView()
	v.Work = []alarm.Work{{Bay: "B2", Who: "kim", Until: aMorning.Add(4 * time.Hour), Text: "new diaphragm"}}
	c := nightClub(t, func() *View { return v })
	b := browsertest.Open(t, served(t, c))
	b.Do(chromedp.EmulateViewport(360, 900))
	b.Go("/login?next=/alarms")
	b.Do(chromedp.SendKeys(chromedp.CSS("#name"), "ann"), chromedp.SendKeys(chromedp.CSS("#password"), secret), chromedp.Click(chromedp.CSS(".plain button")))
	b.Until(`document.querySelector("#work")?.textContent.includes("Maintenance at bay B2 by kim until")`)
	browsertest.Evaluate[bool](b, `(document.querySelector("#work-new").open = true, document.querySelector("#work-bay").value = "A1", document.querySelector("#work-hours").value = "4", true)`)
	b.Fits("work to be put on record")
	b.Accessible("work to be put on record")
	b.Picture("work-360")
	b.Do(chromedp.Click(chromedp.CSS("#work-new button")))
	b.Until(`document.querySelector(".said")?.textContent.includes("The work is on record")`)
	require.Equal(t, site.RecMaintenance, c.last().Kind)
	require.Equal(t, "A1", c.last().Bay)
	require.Equal(t, aMorning.Add(4*time.Hour), c.last().Until)
	b.Do(chromedp.Click(chromedp.CSS("#work form button")))
	b.Until(`document.querySelector(".said")?.textContent.includes("The work is over")`)
	require.Equal(t, "B2", c.last().Bay)
	require.Equal(t, aMorning, c.last().Until)
	b.Sound("work")
}

// TestBrowserGermanKeeper: what is longer in German than in English fits a keeper's phone as well: no
// button breaks a word, and the clock stands beside the log-out.
func TestBrowserGermanKeeper(t *testing.T) {
	c := nightClub(t, germanView)
	b := browsertest.Open(t, served(t, c))
	b.Do(chromedp.EmulateViewport(360, 900))
	b.Go("/login?next=/round")
	b.Do(chromedp.SendKeys(chromedp.CSS("#name"), "ann"), chromedp.SendKeys(chromedp.CSS("#password"), secret), chromedp.Click(chromedp.CSS(".plain button")))
	b.Until(`location.pathname === "/round" && document.querySelectorAll(".round fieldset button").length > 0`)
	broken := browsertest.Evaluate[string](b, `[...document.querySelectorAll(".round fieldset button, .top button")].filter(e => {
		const r = document.createRange(); r.selectNodeContents(e); return e.offsetParent && r.getClientRects().length !== 1 }).map(e => e.textContent).join()`)
	require.Empty(t, broken)
	apart := browsertest.Evaluate[float64](b, `(() => { const y = e => { const r = document.querySelector(e).getBoundingClientRect(); return (r.top + r.bottom) / 2 }; return Math.abs(y(".who") - y(".now")) })()`)
	require.Less(t, apart, 10.0, "pixels between the heights of log-out and clock")
	b.Fits("round as a German keeper")
	b.Picture("round-keeper-de-360")
}

// look goes closer to a bay's curves and back, with a mouse and with two fingers; the crosshair reads
// the curves in the site's language.
func look(t *testing.T, b *browsertest.Browser) {
	t.Helper()
	b.Go("/bays/A3")
	b.Until(`document.getElementById("charts").dataset.drawn === "2"`)
	// The hours last asked for.
	const hours = `(() => { const q = new URL(performance.getEntriesByType("resource").map(e => e.name).filter(n => n.includes("/api/v1/points/")).at(-1)).searchParams;
		return (Date.parse(q.get("to")) - Date.parse(q.get("from"))) / 3600e3 })()`
	box := browsertest.Evaluate[[]float64](b, `(() => { const o = document.querySelector(".u-over"); o.scrollIntoView({block: "center"}); const r = o.getBoundingClientRect(); return [r.left, r.top, r.width, r.height] })()`)
	at := func(share float64) [2]float64 { return [2]float64{box[0] + share*box[2], box[1] + box[3]/2} }
	require.InDelta(t, 24, browsertest.Evaluate[float64](b, hours), 0.1)
	b.Mouse(browsertest.Hover, at(0.4), at(0.5))
	b.Until(`/[A-Z][a-z] 1[34]\.7\. \d\d:\d\d/.test(document.querySelector(".read time").textContent)`)
	require.Regexp(t, `Wasserstand \d+,\d mm`, browsertest.Evaluate[string](b, `document.querySelector(".read").textContent`))
	b.Mouse(browsertest.Drag, at(0.25), at(0.5), at(0.75))
	b.Until(`Math.abs(` + hours + ` - 12) < 0.5`)
	b.Until(`document.getElementById("charts").dataset.drawn === "2"`)
	b.Mouse(browsertest.Double, at(0.5))
	b.Until(`Math.abs(` + hours + ` - 24) < 0.1`)
	b.Pinch([2][2]float64{at(0.4), at(0.6)}, [2][2]float64{at(0.3), at(0.7)})
	b.Until(`Math.abs(` + hours + ` - 12) < 0.5`)
	b.Sound("a closer look")
}

// TestBrowserLive: an open page changes by itself when the view does, and the reader keeps the
// place they are at.
func TestBrowserLive(t *testing.T) {
	var view atomic.Pointer[View]
	view.Store(aQuietView())
	c := nightClub(t, view.Load)
	b := browsertest.Open(t, served(t, c))
	b.Do(chromedp.EmulateViewport(1280, 800))
	b.Go("/")
	require.True(t, browsertest.Evaluate[bool](b, `document.querySelector("h1").textContent.includes("as it was set")`))
	b.Picture("quiet-1280")
	browsertest.Evaluate[bool](b, `(document.getElementById("bay-A2").focus(), true)`)
	view.Store(aBadView())
	b.Until(`document.querySelector("h1").textContent.includes("A3 and B2")`)
	require.Equal(t, "bay-A2", browsertest.Evaluate[string](b, `document.activeElement.id`))
	require.True(t, browsertest.Evaluate[bool](b, `document.title.startsWith("(2)")`))
	b.Do(chromedp.EmulateViewport(360, 900))
	view.Store(aFrostyView())
	b.Until(`document.querySelector("h1").textContent.includes("Frost ahead, 3 in 10")`)
	for _, width := range []int64{360, 1280} {
		b.Do(chromedp.EmulateViewport(width, 900))
		view.Store(aFrostyView())
		for _, path := range []string{"/", "/round", "/alarms"} {
			b.Go(path)
			b.Fits(path + " before a night that may freeze")
			b.Accessible(path + " before a night that may freeze")
			b.Picture(fmt.Sprintf("frosty%s-%d", strings.ReplaceAll(path, "/", "-"), width))
		}
		v := aQuietView()
		v.Site.Isolation = &site.Isolation{Enabled: true, Device: "pump-io", MostPerDay: 2, Travel: 20 * time.Second}
		v.Procedures = procedure.New(v.Site, nil).Picture()
		v.Procedures.Main.Proved, v.Procedures.Main.Shut, v.Procedures.Main.Since = aMorning.AddDate(0, -3, 0), true, aMorning.Add(-time.Hour)
		v.Procedures.Main.Why, v.Procedures.Main.Trouble = "valve stuck open, bay A3", "the main meter still moves: the valve has not shut"
		view.Store(v)
		b.Go("/procedures")
		b.Fits("the main is shut")
		b.Accessible("the main is shut")
		b.Picture(fmt.Sprintf("main-shut-%d", width))
	}
	b.Sound("live")
}
