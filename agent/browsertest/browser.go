// Package browsertest drives a real Chromium at the page, for tests: what a person would do, what
// a phone would show, and axe-core's judgement of what people with poor sight or no mouse meet.
package browsertest

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
)

// Browser is one Chromium with one tab, driven at a server's pages. It watches for what must not
// be: a message in the console, and a request that leaves the server.
type Browser struct {
	// Base is the server's address, such as http://127.0.0.1:8420.
	Base string

	t     testing.TB
	ctx   context.Context
	amiss chan string
	axe   string
}

// Open starts Chromium for a test; BAYLEDGER_AXE names axe-core's script.
func Open(t testing.TB, base string) *Browser {
	t.Helper()
	path := os.Getenv("BAYLEDGER_AXE")
	axe, err := os.ReadFile(path)
	if path == "" || err != nil {
		t.Fatalf("the accessibility rules are not here (BAYLEDGER_AXE=%q): run sh deploy/test.sh, which fetches them", path)
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(servertest.Program(t, "chromium")), chromedp.NoSandbox, chromedp.UserDataDir(t.TempDir()))
	alloc, end := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(end)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	b := &Browser{t: t, ctx: ctx, Base: base, axe: string(axe), amiss: make(chan string, 100)}
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

// Do carries out steps within half a minute.
func (b *Browser) Do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	require.NoError(b.t, chromedp.Do(ctx, steps...))
}

// Evaluate runs a script in the page and returns what it comes to.
func Evaluate[T any](b *Browser, js string) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	require.NoError(b.t, err, js)
	return v
}

// Until waits for a condition of the page. A form leads to another page, and a question put to the
// one that is just leaving is put again.
func (b *Browser) Until(js string) {
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

// Go goes to a path of the server.
func (b *Browser) Go(path string) {
	b.t.Helper()
	b.Do(chromedp.Navigate(b.Base + path))
}

// Scripts switches JavaScript on or off for the pages opened after it.
func (b *Browser) Scripts(on bool) {
	b.t.Helper()
	b.Do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !on})
		return err
	}))
}

// Slow makes the browser's processor so many times slower; 1 is its own speed.
func (b *Browser) Slow(times float64) {
	b.t.Helper()
	b.Do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: times})
		return err
	}))
}

// Mouse is what a mouse does at each place in turn: it moves there, or drags from the first to the
// last with the button down, or clicks twice.
type Mouse string

// What a mouse can do.
const (
	Hover  Mouse = "hover"
	Drag   Mouse = "drag"
	Double Mouse = "double"
)

// Mouse moves, drags or clicks the mouse at places of the window.
func (b *Browser) Mouse(what Mouse, places ...[2]float64) {
	b.t.Helper()
	send := func(kind input.DispatchMouseEventType, at [2]float64, clicks int64) {
		p := input.DispatchMouseEventParams{Type: kind, X: at[0], Y: at[1], ClickCount: clicks}
		if clicks > 0 {
			p.Button, p.Buttons = input.MouseButtonLeft, 1
		}
		b.Do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
			_, err := cdp.Call(ctx, target, input.DispatchMouseEvent, p)
			return err
		}))
	}
	const pressed, moved, released = input.DispatchMouseEventTypeMousePressed, input.DispatchMouseEventTypeMouseMoved, input.DispatchMouseEventTypeMouseReleased
	first, last := places[0], places[len(places)-1]
	send(moved, first, 0)
	switch what {
	case Drag:
		send(pressed, first, 1)
		for _, at := range places {
			send(moved, at, 1)
		}
		send(released, last, 1)
	case Double:
		for n := range int64(2) {
			send(pressed, first, n+1)
			send(released, first, n+1)
		}
	default:
		send(moved, last, 0)
	}
}

// Pinch puts two fingers down at the first pair of places and moves them to the second.
func (b *Browser) Pinch(from, to [2][2]float64) {
	b.t.Helper()
	send := func(kind input.DispatchTouchEventType, at ...[2]float64) {
		points := []*input.TouchPoint{}
		for i, p := range at {
			points = append(points, &input.TouchPoint{X: p[0], Y: p[1], ID: new(float64(i))})
		}
		b.Do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
			_, err := cdp.Call(ctx, target, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
			return err
		}))
	}
	send(input.DispatchTouchEventTypeTouchStart, from[:]...)
	send(input.DispatchTouchEventTypeTouchMove, to[:]...)
	send(input.DispatchTouchEventTypeTouchEnd)
}

// Forget empties the browser's cache, so that the next page is a first visit.
func (b *Browser) Forget() {
	b.t.Helper()
	b.Do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, network.ClearBrowserCache, cdp.Empty{})
		return err
	}))
}

// Sound fails the test for what the tab saw amiss so far.
func (b *Browser) Sound(where string) {
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

// Picture keeps what the page looks like, and fails when nothing was drawn.
func (b *Browser) Picture(name string) {
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

// Accessible runs axe-core with the rules of WCAG 2.2 A and AA; nothing serious may be found.
func (b *Browser) Accessible(where string) {
	b.t.Helper()
	Evaluate[bool](b, "(() => {"+b.axe+"\n})(); typeof axe === 'object'")
	text := Evaluate[string](b, `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}).then(r => JSON.stringify(
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

// Fits fails when the page is wider than the window: nobody scrolls sideways on a phone.
func (b *Browser) Fits(where string) {
	b.t.Helper()
	over := Evaluate[string](b, `(() => { const w = document.documentElement.clientWidth;
		if (document.documentElement.scrollWidth <= w) return "";
		return [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > w + 1).slice(-3).map(e => e.outerHTML.slice(0, 120)).join(" | ") || "wide"; })()`)
	require.Empty(b.t, over, where)
}
