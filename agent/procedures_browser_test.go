package agent_test

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"bayledger/agent/access"
	"bayledger/agent/browsertest"
	"bayledger/agent/procedure"
	"bayledger/agent/words"
	"bayledger/drivers/virtual"
)

// The groundskeeper closes the season with a phone: logs in, begins, reads what to do, presses what
// is asked, and is held up where the tool does not see what was confirmed.
func TestBrowserWinterClose(t *testing.T) {
	users := filepath.Join(t.TempDir(), "users.json")
	st, err := access.Open(users, false, func() time.Time { return evening })
	require.NoError(t, err)
	require.NoError(t, st.Add("ann", access.Keeper, "stone clay water"))
	h := house(t, nil)
	h.stop()
	h.watch, h.users = time.Hour, users
	h.boot()
	h.wait(5 * time.Minute)

	b := browsertest.Open(t, h.a.URL())
	b.Do(chromedp.EmulateViewport(360, 780))
	b.Go("/procedures")
	require.Zero(t, browsertest.Evaluate[int](b, `document.querySelectorAll("main form").length`), "a stranger may read and change nothing")
	b.Go("/login?next=/procedures")
	press := func(js string) {
		t.Helper()
		browsertest.Evaluate[bool](b, `(document.body.dataset.left = "yes", `+js+`, true)`)
		b.Until(`document.readyState === "complete" && document.body.dataset.left !== "yes"`)
	}
	press(`document.getElementById("name").value = "ann", document.getElementById("password").value = "stone clay water", document.querySelector("form.plain button").click()`)
	press(`document.getElementById("start-winter-close").click()`)
	title := func() string {
		return browsertest.Evaluate[string](b, `document.querySelector("#runs h2")?.textContent ?? ""`)
	}
	require.Equal(t, "Who may do what", title())
	require.True(t, browsertest.Evaluate[bool](b, `document.querySelector("#runs").textContent.includes("licensed trades come first")`))

	far := h.clk.Now().Add(60 * 24 * time.Hour)
	everywhere := func(k virtual.ActKind, ids ...string) {
		for _, id := range ids {
			h.act(virtual.Act{Kind: k, Bay: id, At: h.clk.Now(), Until: far})
		}
	}
	held := false
	for end := h.clk.Now().Add(3 * time.Hour); ; {
		r := h.run(procedure.WinterClose)
		require.NotNil(t, r)
		if r.Now.Step == "verify" {
			break
		}
		require.True(t, h.clk.Now().Before(end), "stuck at %s: %s", r.Now.Step, r.Now.Verdict.Says)
		if r.Now.Answered || r.Now.Ask == nil {
			if r.Now.Step == "sensors" && !held {
				// The last sensor was forgotten: the page says which, whatever was pressed.
				h.wait(time.Minute)
				b.Go("/procedures")
				require.True(t, browsertest.Evaluate[bool](b, `document.querySelector("#runs").textContent.includes("Still in the water: B3")`))
				b.Fits("winter close, held up")
				b.Accessible("winter close, held up")
				b.Picture("winter-close-held-360")
				held = true
				everywhere(virtual.LiftSensor, "B3")
			}
			h.wait(30 * time.Second)
			continue
		}
		b.Go("/procedures")
		require.Equal(t, r.Now.Title, title())
		b.Fits(r.Now.Step)
		b.Picture("winter-close-" + r.Now.Step + "-360")
		// A thumb needs room: 44 CSS pixels at least.
		require.GreaterOrEqual(t, browsertest.Evaluate[float64](b, `Math.min(...[...document.querySelectorAll("#runs form button")].filter((x) => x.offsetParent).map((x) => x.getBoundingClientRect().height))`), 44.0)
		switch r.Now.Step {
		case "sensors":
			everywhere(virtual.LiftSensor, h.bays()[:5]...)
		case "drain":
			everywhere(virtual.OpenDrain, h.bays()...)
		case "upstream":
			h.act(virtual.Act{Kind: virtual.ShutSupply, At: h.clk.Now(), Until: far})
			h.openValve("A1", 3*time.Minute)
		case "how":
			b.Accessible("how the line was emptied")
		}
		switch r.Now.Ask.Kind {
		case procedure.AskConfirm:
			press(`document.querySelector("#runs form button").click()`)
		case procedure.AskChoice:
			press(`document.querySelector('#runs button[value="blown-out"]').click()`)
		default:
			kpa := map[string]int{"rating": 600, "air": 350}[r.Now.Step]
			press(fmt.Sprintf(`document.querySelector("#runs form input[name=text]").value = "%d", document.querySelector("#runs form button").click()`, kpa))
		}
		h.wait(20 * time.Second)
	}
	require.True(t, held)
	b.Go("/procedures")
	require.True(t, browsertest.Evaluate[bool](b, `document.querySelector("#records").textContent.includes("provisional; the tool goes on watching")`))
	b.Picture("winter-close-watched-360")
	b.Sound("winter close")
	for h.run(procedure.WinterClose) != nil {
		h.wait(10 * time.Minute)
	}
	b.Go("/procedures")
	press(`document.querySelector("#records a").click()`)
	text := browsertest.Evaluate[string](b, `document.body.innerText`)
	for _, want := range []string{"final, signed off", "by ann", "below the lowest rating", "Does it stay empty?"} {
		require.Contains(t, text, want)
	}
	b.Fits("the record")
	b.Picture("winter-close-record-360")
	b.Do(chromedp.EmulateViewport(1100, 780))
	b.Fits("the record on a desk")
	b.Picture("winter-close-record-1100")
	require.Contains(t, strings.ToLower(text), "signed:")
}

// Every other procedure is walked with its page open on a phone, in each language: each step fits, and its
// buttons have room for a thumb. The winter close has a test of its own.
func TestBrowserEveryProcedure(t *testing.T) {
	for _, language := range words.Languages {
		t.Run(string(language), func(t *testing.T) { everyProcedure(t, language) })
	}
}

func everyProcedure(t *testing.T, language words.Language) {
	users := filepath.Join(t.TempDir(), "users.json")
	st, err := access.Open(users, false, func() time.Time { return evening })
	require.NoError(t, err)
	require.NoError(t, st.Add("ann", access.Keeper, "stone clay water"))
	h := house(t, func(c *virtual.Config) {
		c.Courts[0].Bays[0].LevelM, c.Courts[0].Bays[1].LevelM = 0.030, 0.030
		master(c)
	})
	h.stop()
	h.users, h.language = users, language
	h.boot()
	h.wait(5 * time.Minute)
	b := browsertest.Open(t, h.a.URL())
	b.Do(chromedp.EmulateViewport(360, 780))
	b.Go("/login?next=/procedures")
	browsertest.Evaluate[bool](b, `(document.body.dataset.left = "yes", document.getElementById("name").value = "ann", document.getElementById("password").value = "stone clay water", document.querySelector("form.plain button").click(), true)`)
	b.Until(`document.readyState === "complete" && document.body.dataset.left !== "yes"`)

	var k procedure.Kind
	shown := map[string]bool{}
	look := func(r *procedure.Running) {
		// The first valve shows what all do.
		if id := r.Now.Step[strings.LastIndex(r.Now.Step, " ")+1:]; len(id) == 2 && id != "A1" {
			return
		}
		name := strings.ReplaceAll(fmt.Sprintf("%s-%s-%s-%s", language, k, r.Now.Step, r.Now.Verdict.Phase), " ", "-")
		if shown[name] {
			return
		}
		shown[name] = true
		b.Go("/procedures")
		require.False(t, browsertest.Evaluate[bool](b, `document.body.innerText.includes("isolation-proof/")`), "%s: people read words", name)
		b.Fits(name)
		require.GreaterOrEqual(t, browsertest.Evaluate[float64](b, `Math.min(...[...document.querySelectorAll("#runs form button")].filter((x) => x.offsetParent).map((x) => x.getBoundingClientRect().height), 1000)`), 44.0, name)
		b.Picture(name + "-360")
		if r.Index == 1 {
			b.Accessible(name)
			b.Do(chromedp.EmulateViewport(1100, 780))
			b.Fits(name + " on a desk")
			b.Picture(name + "-1100")
			b.Do(chromedp.EmulateViewport(360, 780))
		}
	}
	bucket := 0.0
	person := func(r *procedure.Running) {
		look(r)
		what, id, _ := strings.Cut(r.Now.Step, " ")
		switch what {
		case "fill":
			id = "A2"
		case "move":
			id = "A1"
		}
		truth, err := h.field.Truth("A1")
		require.NoError(t, err)
		switch {
		case k == procedure.IsolationProof:
			if what == "reopen" {
				h.field.OpenMaster(false)
			}
			h.openValve("A1", 10*time.Second)
			h.yes(r)
		case what == "upstream":
			h.act(virtual.Act{Kind: virtual.ShutSupply, At: h.clk.Now(), Until: h.clk.Now().Add(16 * time.Minute)})
			h.yes(r)
		case what == "valve" || what == "bay" || what == "start" || what == "fill" || what == "move":
			if h.openUntilTold(r, id); r.Now.Verdict.Phase == "tell" {
				h.type_(r, id)
			}
		case what == "dip":
			if r.Now.Verdict.Phase == "dip" {
				h.type_(r, mm(truth.ChamberM+0.009))
			}
		case what == "bucket":
			if bucket == 0 {
				bucket = truth.Filled
			}
			if truth.Filled-bucket < 0.4 {
				h.openValve("A1", 10*time.Second)
			} else if r.Now.Verdict.Phase == "tell" {
				h.type_(r, litresOf(truth.Filled-bucket))
			}
		case r.Now.Ask != nil && r.Now.Ask.Kind == procedure.AskDate:
			h.type_(r, "2026-03-20")
		case r.Now.Ask != nil && r.Now.Ask.Kind == procedure.AskChoice:
			h.type_(r, r.Now.Ask.Choices[0].Word)
		default:
			h.yes(r)
		}
	}
	for _, k = range []procedure.Kind{procedure.BeforeWater, procedure.PressureOn, procedure.IsolationProof, procedure.WiringProof, procedure.Flush, procedure.Calibrate, procedure.FirstFill, procedure.SpringOpening} {
		bay := map[procedure.Kind]string{procedure.Calibrate: "A1", procedure.FirstFill: "A2"}[k]
		h.start(k, bay)
		for h.run(k) != nil {
			r := h.work(k, 12*time.Hour, person)
			if r == nil {
				break
			}
			look(r)
			if r.Now.Alone && r.Now.Step != "hold" {
				h.say(procedure.Answer{Do: "stop", Run: r.ID, Why: "seen enough"})
			} else if r.Now.Verdict.State == procedure.Failed {
				h.say(procedure.Answer{Do: "skip", Run: r.ID, Step: r.Now.Step, Why: "goes on all the same"})
			}
			h.wait(time.Minute)
		}
		b.Go("/procedures/record?id=" + h.record(k).ID)
		b.Fits("record of " + string(k))
		require.NotEqual(t, "0px", browsertest.Evaluate[string](b, `getComputedStyle(document.body).paddingLeft`), "its style is allowed")
		b.Picture(fmt.Sprintf("%s-record-%s-360", language, k))
	}
	b.Go("/procedures")
	b.Fits("all on record")
	b.Picture(string(language) + "-records-360")
	b.Sound("procedures")
	require.Greater(t, len(shown), 30)
}
