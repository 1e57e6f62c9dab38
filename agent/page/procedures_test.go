package page

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/procedure"
	"bayledger/agent/site"
)

// Beginning a procedure and answering it: for keepers, from this page, to the step that stands.
func TestProcedures(t *testing.T) {
	v := aQuietView()
	v.Site.Isolation = &site.Isolation{Enabled: true, Device: "pump-io", MostPerDay: 2, Travel: 20 * time.Second}
	book := procedure.New(v.Site, nil)
	v.Procedures = book.Picture()
	c := aClub(t, v)
	ann := c.as(t, "ann")
	begin := url.Values{"do": {"start"}, "kind": {"before-water"}, "back": {"/procedures"}}
	require.Equal(t, http.StatusUnauthorized, c.post(t, "/procedures", begin).Code)
	require.Equal(t, http.StatusForbidden, c.post(t, "/procedures", begin, c.as(t, "rob")).Code)
	require.Equal(t, http.StatusForbidden, c.post(t, "/procedures", begin, ann, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }).Code)
	require.Equal(t, site.Record{}, c.last(), "nothing is on record")
	require.NotContains(t, get(t, c.Server, "/procedures").Body.String(), "<form method=\"post\" action=\"/procedures\"")

	w := c.post(t, "/procedures", begin, ann)
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	rec := c.last()
	require.Equal(t, site.RecProcedure, rec.Kind)
	require.Equal(t, "ann", rec.Who)
	require.Contains(t, get(t, c.Server, w.Header().Get("Location"), ann).Body.String(), `class="said" role="status"`)
	book.Record(rec)
	v.Procedures = book.Picture()
	run := v.Procedures.Runs[0]

	answer := func(step, do, why string) url.Values {
		return url.Values{"do": {do}, "run": {run.ID}, "step": {step}, "text": {"yes"}, "why": {why}}
	}
	w = c.post(t, "/procedures", answer("links", "answer", ""), ann)
	require.Equal(t, http.StatusBadRequest, w.Code)
	require.Contains(t, w.Body.String(), "That step is over")
	w = c.post(t, "/procedures", answer(run.Now.Step, "skip", " "), ann)
	require.Equal(t, http.StatusBadRequest, w.Code)
	require.Contains(t, w.Body.String(), "Say why")
	w = c.post(t, "/procedures", answer(run.Now.Step, "stop", "thunder"), ann)
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	book.Record(c.last())
	v.Procedures = book.Picture()

	path := "/procedures/record?id=" + url.QueryEscape(run.ID)
	require.Contains(t, get(t, c.Server, path).Body.String(), "stopped: thunder")
	require.Contains(t, get(t, c.Server, path+"&form=text").Body.String(), "STOPPED: THUNDER")
	var back procedure.Record
	require.NoError(t, json.Unmarshal(get(t, c.Server, path+"&form=json").Body.Bytes(), &back))
	require.Equal(t, run.ID, back.ID)
	require.Equal(t, http.StatusNotFound, get(t, c.Server, "/procedures/record?id=none").Code)
}

// What is under way is not offered a second time.
func TestProceduresUnderWayAreNotOffered(t *testing.T) {
	v := aQuietView()
	v.Procedures = procedure.New(v.Site, nil).Picture()
	c := aClub(t, v)
	ann := c.as(t, "ann")
	shown := func() string { return get(t, c.Server, "/procedures", ann).Body.String() }
	bay := v.Procedures.Bays[0]
	ofBay := `<button name="bay" value="` + bay + `">`
	require.Contains(t, shown(), `id="start-winter-close"`)
	before := strings.Count(shown(), ofBay)
	for i := range v.Procedures.Offers {
		switch o := &v.Procedures.Offers[i]; o.Kind {
		case procedure.WinterClose:
			o.UnderWay = true
		case procedure.Calibrate:
			o.Bays = o.Bays[1:]
		}
	}
	require.NotContains(t, shown(), `id="start-winter-close"`)
	require.Contains(t, shown(), "Under way, above.")
	require.Equal(t, before-1, strings.Count(shown(), ofBay))
}

// The main valve: a person's word with a reason, or nothing.
func TestMainValve(t *testing.T) {
	v := aQuietView()
	v.Site.Isolation = &site.Isolation{Enabled: true, Device: "pump-io", MostPerDay: 2, Travel: 20 * time.Second}
	v.Procedures = procedure.New(v.Site, nil).Picture()
	c := aClub(t, v)
	ann := c.as(t, "ann")
	require.Contains(t, get(t, c.Server, "/procedures", ann).Body.String(), "Nobody has proved the valve yet")
	w := c.post(t, "/procedures", url.Values{"do": {"main-shut"}}, ann)
	require.Equal(t, http.StatusBadRequest, w.Code)
	require.Contains(t, w.Body.String(), "Say why")
	w = c.post(t, "/procedures", url.Values{"do": {"main-hold"}, "text": {"8h"}, "why": {"the plumber is here"}}, ann)
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	rec := c.last()
	require.Equal(t, site.RecIsolation, rec.Kind)
	require.Equal(t, procedure.MainHeld, rec.Text)
	require.Equal(t, "the plumber is here", rec.Subject)
	require.Equal(t, aMorning.Add(8*time.Hour), rec.Until)
}

// The morning round reminds of a procedure that waits for somebody.
func TestRoundRemindsOfALook(t *testing.T) {
	v := aQuietView()
	v.Procedures.Runs = []procedure.Running{{ID: "1", Kind: procedure.FirstFill, Title: "First fill of a bay", Bay: "A2", Now: procedure.Now{Step: "look 3", Title: "Look 3 of the first week", Alone: true, Can: []string{"answer", "skip", "stop"}}}}
	const reminder = "First fill of a bay, bay A2, waits for you: Look 3 of the first week."
	require.Contains(t, get(t, aClub(t, v).Server, "/round").Body.String(), reminder)
	v.Procedures.Runs[0].Now.Can = []string{"skip", "stop"}
	require.NotContains(t, get(t, aClub(t, v).Server, "/round").Body.String(), reminder)
}
