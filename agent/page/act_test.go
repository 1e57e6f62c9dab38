package page

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/access"
	"bayledger/agent/alarm"
	"bayledger/agent/site"
)

const secret = "stone clay water"

// club is a server with people and a book of records.
type club struct {
	*Server
	store *access.Store
	mu    sync.Mutex
	book  []site.Record
	err   error
	now   time.Time
}

func (c *club) record(_ context.Context, r site.Record) (site.Record, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.err != nil {
		return r, c.err
	}
	r.ID = int64(len(c.book) + 1)
	c.book = append(c.book, r)
	return r, nil
}

// last is the newest record that is not of the audit.
func (c *club) last() site.Record {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i := len(c.book) - 1; i >= 0; i-- {
		if c.book[i].Kind != site.RecAccess {
			return c.book[i]
		}
	}
	return site.Record{}
}

// people is a users file with a keeper and a reader, made once: a hash is meant to be slow.
var people = sync.OnceValue(func() []byte {
	dir, err := os.MkdirTemp("", "people")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "users.json")
	st, err := access.Open(path, false, func() time.Time { return aMorning })
	text := []byte(nil)
	if err = errors.Join(err, st.Add("ann", access.Keeper, secret), st.Add("rob", access.Reader, secret)); err == nil {
		text, err = os.ReadFile(path)
	}
	if err != nil {
		panic(err)
	}
	return text
})

func aClub(t *testing.T, v *View, change ...func(*Options, *Deps)) *club {
	t.Helper()
	c := &club{now: aMorning}
	var err error
	path := filepath.Join(t.TempDir(), "users.json")
	require.NoError(t, os.WriteFile(path, people(), 0o600))
	c.store, err = access.Open(path, false, func() time.Time { return c.now })
	require.NoError(t, err)
	c.Server = serve(t, v, append([]func(*Options, *Deps){func(o *Options, d *Deps) {
		o.UsersFile = "users.json"
		d.Access, d.Record = c.store, c.record
		d.Calibration = func(string) (site.Calibration, bool) { return site.Calibration{}, false }
		d.Now = func() time.Time { return c.now }
	}}, change...)...)
	return c
}

func (c *club) post(t *testing.T, path string, form url.Values, change ...func(*http.Request)) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for _, f := range change {
		f(r)
	}
	w := httptest.NewRecorder()
	c.Handler().ServeHTTP(w, r)
	return w
}

// as logs somebody in and returns what makes a request theirs.
func (c *club) as(t *testing.T, name string) func(*http.Request) {
	t.Helper()
	cookie, err := c.store.LogIn(name, secret, "192.0.2.9")
	require.NoError(t, err)
	return func(r *http.Request) { r.AddCookie(cookie) }
}

func TestEveryChange(t *testing.T) {
	v := aBadView()
	stuck := v.Alarms[0].Event.ID
	rows := []struct {
		name, path string
		form       url.Values
		want       site.Record
		value      float64
		value2     float64
	}{
		{"take on", "/alarms/ack", url.Values{"id": {stuck}}, site.Record{Kind: site.RecAck, Subject: stuck, Bay: "A3"}, nan, nan},
		{"take on by number", "/alarms/ack", url.Values{"id": {stuck}, "useful": {"yes"}}, site.Record{Kind: site.RecAck, Subject: stuck, Bay: "A3"}, 1, nan},
		{"not useful", "/alarms/ack", url.Values{"id": {stuck}, "useful": {"no"}}, site.Record{Kind: site.RecAck, Subject: stuck, Bay: "A3"}, 0, nan},
		{"shelve", "/alarms/shelve", url.Values{"id": {stuck}, "hours": {"12"}, "why": {" plumber at ten "}}, site.Record{Kind: site.RecShelve, Subject: stuck, Bay: "A3", Text: "plumber at ten", Until: aMorning.Add(12 * time.Hour)}, nan, nan},
		{"put back", "/alarms/unshelve", url.Values{"id": {v.Alarms[3].Event.ID}}, site.Record{Kind: site.RecUnshelve, Subject: v.Alarms[3].Event.ID, Bay: "B1"}, nan, nan},
		{"work at a bay", "/work", url.Values{"bay": {"A3"}, "hours": {"4"}, "why": {"new diaphragm"}}, site.Record{Kind: site.RecMaintenance, Bay: "A3", Text: "new diaphragm", Until: aMorning.Add(4 * time.Hour)}, nan, nan},
		{"work everywhere is over", "/work", url.Values{"bay": {""}, "hours": {"0"}}, site.Record{Kind: site.RecMaintenance, Until: aMorning}, nan, nan},
		{"dip", "/bays/A1/dip", url.Values{"level": {"63,5"}}, site.Record{Kind: site.RecDip, Bay: "A1"}, 0.0635, 0.062},
		{"dip with its unit", "/bays/A1/dip", url.Values{"level": {"2.5 in"}}, site.Record{Kind: site.RecDip, Bay: "A1"}, 0.0635, 0.062},
		{"dip while it fills", "/bays/A3/dip", url.Values{"level": {"80"}}, site.Record{Kind: site.RecDip, Bay: "A3", Text: "not at rest"}, 0.08, 0.081},
		{"dip without a sensor", "/bays/B2/dip", url.Values{"level": {"60"}}, site.Record{Kind: site.RecDip, Bay: "B2"}, 0.06, nan},
		{"surface", "/bays/A1/surface", url.Values{"plays": {"soft"}}, site.Record{Kind: site.RecSurface, Bay: "A1", Text: "soft"}, nan, nan},
		{"utility's meter", "/utility", url.Values{"reading": {"1842,6"}}, site.Record{Kind: site.RecUtility}, 1842.6, 14.2},
		{"utility's meter in its unit", "/utility", url.Values{"reading": {"1000 gal"}}, site.Record{Kind: site.RecUtility}, 3.785411784, 14.2},
		{"by hand", "/bays/A1/water", url.Values{"amount": {"200"}}, site.Record{Kind: site.RecHandWatering, Bay: "A1"}, 0.2, nan},
	}
	c := aClub(t, v)
	ann := c.as(t, "ann")
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			row.form.Set("back", "/round")
			w := c.post(t, row.path, row.form, ann)
			require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
			require.True(t, strings.HasPrefix(w.Header().Get("Location"), "/round?said="), w.Header().Get("Location"))
			got := c.last()
			require.True(t, same(row.value, got.Value), "%v", got.Value)
			require.True(t, same(row.value2, got.Value2), "%v", got.Value2)
			row.want.Who, row.want.Time, row.want.ID = "ann", aMorning, got.ID
			got.Value, got.Value2 = 0, 0
			require.Equal(t, row.want, got)
			// The page it leads back to says what was done.
			require.Contains(t, get(t, c.Server, w.Header().Get("Location"), ann).Body.String(), `class="said" role="status"`)
		})
	}
}

func same(a, b float64) bool { return (a != a && b != b) || (a-b < 1e-9 && b-a < 1e-9) }

func TestSetPointMovedByHand(t *testing.T) {
	v := aQuietView()
	c := aClub(t, v)
	w := c.post(t, "/bays/A1/setpoint", url.Values{"level": {"64.5"}}, c.as(t, "ann"))
	require.Equal(t, http.StatusSeeOther, w.Code)
	require.InDelta(t, 0.0645, c.last().Value, 1e-12)
	require.Equal(t, site.RecSetPoint, c.last().Kind)

	v.Site.Points = append(v.Site.Points, site.Point{ID: "zz", Bay: "A1", Quantity: site.SetPoint})
	w = c.post(t, "/bays/A1/setpoint", url.Values{"level": {"64.5"}}, c.as(t, "ann"))
	require.Equal(t, http.StatusBadRequest, w.Code)
	require.Contains(t, w.Body.String(), "read from its controller")
}

// TestChangesRefused: what is wrong is said, and nothing is put on record.
func TestChangesRefused(t *testing.T) {
	v := aBadView()
	stuck := v.Alarms[0].Event.ID
	rows := []struct {
		name, path string
		form       url.Values
		status     int
		says       string
	}{
		{"no such alarm", "/alarms/ack", url.Values{"id": {"x"}}, 404, "not open any more"},
		{"shelved for ever", "/alarms/shelve", url.Values{"id": {stuck}, "hours": {"169"}, "why": {"x"}}, 400, "168 hours"},
		{"shelved for no time", "/alarms/shelve", url.Values{"id": {stuck}, "hours": {"0"}, "why": {"x"}}, 400, "168 hours"},
		{"shelved for NaN", "/alarms/shelve", url.Values{"id": {stuck}, "hours": {"NaN"}, "why": {"x"}}, 400, "168 hours"},
		{"shelved without a reason", "/alarms/shelve", url.Values{"id": {stuck}, "hours": {"2"}, "why": {"  "}}, 400, "Say why"},
		{"a reason of many lines", "/alarms/shelve", url.Values{"id": {stuck}, "hours": {"2"}, "why": {"a\nb"}}, 400, "one line"},
		{"a reason without end", "/alarms/shelve", url.Values{"id": {stuck}, "hours": {"2"}, "why": {strings.Repeat("a", 201)}}, 400, "200 characters"},
		{"work for ever", "/work", url.Values{"bay": {"A1"}, "hours": {"169"}}, 400, "168 hours"},
		{"work at no bay", "/work", url.Values{"bay": {"Z"}, "hours": {"2"}}, 404, "no bay"},
		{"no such bay", "/bays/Z/dip", url.Values{"level": {"60"}}, 404, "no bay"},
		{"dip of words", "/bays/A1/dip", url.Values{"level": {"deep"}}, 400, "63 mm"},
		{"dip of nothing", "/bays/A1/dip", url.Values{}, 400, "63 mm"},
		{"dip over the fence", "/bays/A1/dip", url.Values{"level": {"600"}}, 400, "130 mm deep"},
		{"dip below the liner", "/bays/A1/dip", url.Values{"level": {"-1"}}, 400, "above the liner"},
		{"dip of infinity", "/bays/A1/dip", url.Values{"level": {"Inf"}}, 400, "not a depth"},
		{"surface of another word", "/bays/A1/surface", url.Values{"plays": {"muddy"}}, 400, "dry, right or soft"},
		{"no water", "/bays/A1/water", url.Values{"amount": {"0"}}, 400, "200 L"},
		{"a lake", "/bays/A1/water", url.Values{"amount": {"20001"}}, 400, "200 L"},
		{"an offset nothing shows", "/bays/A1/offset", url.Values{}, 400, "do not show"},
	}
	c := aClub(t, v)
	ann := c.as(t, "ann")
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			w := c.post(t, row.path, row.form, ann)
			require.Equal(t, row.status, w.Code)
			require.Contains(t, w.Body.String(), row.says)
			require.Empty(t, c.last())
		})
	}
}

// TestWhoMayChange: a stranger, a reader, somebody from another site, and with everything right.
func TestWhoMayChange(t *testing.T) {
	c := aClub(t, aQuietView())
	dip := url.Values{"level": {"62"}}
	require.Equal(t, http.StatusUnauthorized, c.post(t, "/bays/A1/dip", dip).Code)
	require.Equal(t, http.StatusForbidden, c.post(t, "/bays/A1/dip", dip, c.as(t, "rob")).Code)
	foreign := func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }
	origin := func(r *http.Request) { r.Header.Set("Origin", "https://elsewhere.example") }
	require.Equal(t, http.StatusForbidden, c.post(t, "/bays/A1/dip", dip, c.as(t, "ann"), foreign).Code)
	require.Equal(t, http.StatusForbidden, c.post(t, "/bays/A1/dip", dip, c.as(t, "ann"), origin).Code)
	require.Empty(t, c.last())
	// A link from elsewhere with GET changes nothing either: there is no such address.
	for _, path := range []string{"/bays/A1/dip", "/alarms/ack", "/logout"} {
		require.Equal(t, http.StatusNotFound, get(t, c.Server, path, c.as(t, "ann")).Code, path)
	}
	require.Equal(t, http.StatusSeeOther, c.post(t, "/bays/A1/dip", dip, c.as(t, "ann")).Code)
	require.Equal(t, "ann", c.last().Who)
	token, err := c.store.AddToken("prometheus")
	require.NoError(t, err)
	bearer := func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+token) }
	require.Equal(t, http.StatusForbidden, c.post(t, "/bays/A1/dip", dip, bearer).Code, "a program that reads changes nothing")
}

func TestRecordThatFails(t *testing.T) {
	c := aClub(t, aQuietView())
	ann := c.as(t, "ann")
	c.err = errors.New("no room")
	w := c.post(t, "/bays/A1/dip", url.Values{"level": {"62"}}, ann)
	require.Equal(t, http.StatusInternalServerError, w.Code)
	require.NotContains(t, w.Body.String(), "no room")
}

func TestLoginPage(t *testing.T) {
	c := aClub(t, aQuietView())
	form := func(name, password, next string) url.Values {
		return url.Values{"name": {name}, "password": {password}, "next": {next}}
	}
	w := c.post(t, "/login", form("ann", secret, "/round?x=1"))
	require.Equal(t, http.StatusSeeOther, w.Code)
	require.Equal(t, "/round?x=1", w.Header().Get("Location"))
	cookie := w.Result().Cookies()[0]
	require.True(t, cookie.HttpOnly)
	require.Equal(t, http.SameSiteStrictMode, cookie.SameSite)
	as := func(r *http.Request) { r.AddCookie(cookie) }
	require.Contains(t, get(t, c.Server, "/", as).Body.String(), "Log out")
	require.Contains(t, get(t, c.Server, "/alarms", as).Body.String(), "ann")

	w = c.post(t, "/login", form("ann", "wrong words", "/"))
	require.Equal(t, http.StatusUnauthorized, w.Code)
	require.Contains(t, w.Body.String(), "do not belong together")
	require.NotContains(t, w.Body.String(), "wrong words")
	require.Empty(t, w.Result().Cookies())
	for range 4 {
		c.post(t, "/login", form("ann", "wrong words", "/"))
	}
	w = c.post(t, "/login", form("ann", secret, "/"))
	require.Equal(t, http.StatusTooManyRequests, w.Code)
	require.Contains(t, w.Body.String(), "wait 1 s")

	require.Equal(t, http.StatusSeeOther, c.post(t, "/logout", nil, as).Code)
	require.NotContains(t, get(t, c.Server, "/", as).Body.String(), "Log out")
	var said []string
	for _, r := range c.book {
		require.Equal(t, site.RecAccess, r.Kind)
		require.NotContains(t, r.Text, "words")
		said = append(said, r.Text)
	}
	require.Equal(t, "logged in from 192.0.2.1", said[0])
	require.Equal(t, "log-in refused from 192.0.2.1", said[1])
	require.Equal(t, "logged out from 192.0.2.1", said[len(said)-1])
}

func TestLocalPath(t *testing.T) {
	for next, want := range map[string]string{"": "/", "/round": "/round", "/bays/A1?span=day": "/bays/A1?span=day", "//elsewhere.example": "/", "https://elsewhere.example/": "/",
		"/\\elsewhere.example": "/", "javascript:alert(1)": "/", "round": "/", "/%2F/elsewhere": "/", "/x\r\nSet-Cookie: a": "/"} {
		require.Equal(t, want, localPath(next), next)
	}
}

func TestJoinPage(t *testing.T) {
	c := aClub(t, aQuietView())
	token, err := c.store.Invite(access.Keeper)
	require.NoError(t, err)
	form := url.Values{"token": {token}, "name": {"eve"}, "password": {"short"}}
	w := c.post(t, "/join", form)
	require.Equal(t, http.StatusBadRequest, w.Code)
	require.Contains(t, w.Body.String(), "at least 8")
	form.Set("password", secret)
	w = c.post(t, "/join", form)
	require.Equal(t, http.StatusSeeOther, w.Code)
	require.Len(t, w.Result().Cookies(), 1)
	w = c.post(t, "/join", form)
	require.Equal(t, http.StatusBadRequest, w.Code)
	require.Contains(t, w.Body.String(), "invitation is not valid")
}

// TestReadingNeedsALogIn where the site file says so, the API and /metrics alike.
func TestReadingNeedsALogIn(t *testing.T) {
	c := aClub(t, aQuietView(), func(o *Options, _ *Deps) { o.OpenReading = false })
	html := func(r *http.Request) { r.Header.Set("Accept", "text/html") }
	for _, path := range []string{"/", "/bays/A1", "/alarms", "/round", "/api/v1/bays", "/api/v1/stream", "/metrics", "/assets/plan.css", "/nothing"} {
		require.Equal(t, http.StatusUnauthorized, get(t, c.Server, path).Code, path)
		require.NotContains(t, get(t, c.Server, path).Body.String(), "A1", path)
	}
	w := get(t, c.Server, "/bays/A1?span=week", html)
	require.Equal(t, http.StatusSeeOther, w.Code)
	require.Equal(t, "/login?next=%2Fbays%2FA1%3Fspan%3Dweek", w.Header().Get("Location"))
	for _, path := range []string{"/login", "/join", "/healthz", "/assets/style.css"} {
		require.Equal(t, http.StatusOK, get(t, c.Server, path).Code, path)
	}
	require.Equal(t, http.StatusOK, get(t, c.Server, "/", c.as(t, "rob")).Code)
	token, err := c.store.AddToken("prometheus")
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, get(t, c.Server, "/metrics", func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+token) }).Code)
}

// TestLinkOfOneAnswer: GET changes nothing; POST answers in the name of the person it was sent to,
// and may say whether it was worth being told.
func TestLinkOfOneAnswer(t *testing.T) {
	v := aBadView()
	c := aClub(t, v, func(o *Options, _ *Deps) { o.OpenReading = false })
	address, err := AckLink(c.store, "https://courts.example/", v.Alarms[0].Event.ID, "ann", c.now.Add(12*time.Hour))
	require.NoError(t, err)
	path, ok := strings.CutPrefix(address, "https://courts.example")
	require.True(t, ok)
	for range 2 {
		w := get(t, c.Server, path)
		require.Equal(t, http.StatusOK, w.Code)
		require.Contains(t, w.Body.String(), "Valve stuck open")
	}
	require.Empty(t, c.last())
	w := c.post(t, path, nil)
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, w.Body.String(), "Was it worth being told?")
	require.False(t, site.Known(c.last().Value))
	require.Equal(t, "ann", c.last().Who)
	require.Equal(t, site.RecAck, c.last().Kind)
	require.Equal(t, v.Alarms[0].Event.ID, c.last().Subject)
	require.Contains(t, c.post(t, path, url.Values{"useful": {"no"}}).Body.String(), "That is noted.")
	require.Zero(t, c.last().Value)

	require.Equal(t, http.StatusGone, get(t, c.Server, path[:len(path)-1]).Code)
	c.now = c.now.Add(12 * time.Hour)
	require.Equal(t, http.StatusGone, get(t, c.Server, path).Code)
	require.Equal(t, http.StatusGone, c.post(t, path, nil).Code)

	over, err := c.store.Sign(access.Link{Alarm: "gone", Who: "ann", Until: c.now.Add(time.Hour)})
	require.NoError(t, err)
	require.Contains(t, get(t, c.Server, "/a/"+over).Body.String(), "alarm is over")
	require.Equal(t, http.StatusNotFound, c.post(t, "/a/"+over, nil).Code)
}

// TestOffsetIsWorkedOutHere: the offset adds to the calibration that holds, and what a form says
// of it counts for nothing.
func TestOffsetIsWorkedOutHere(t *testing.T) {
	h := &aHistory{}
	for i := range 6 {
		h.records = append(h.records, site.Record{Kind: site.RecDip, Bay: "A1", Time: aMorning.AddDate(0, 0, 3*i-20), Value: 0.068, Value2: 0.062})
	}
	c := aClub(t, aQuietView(), func(_ *Options, d *Deps) {
		d.History = h
		d.Calibration = func(point string) (site.Calibration, bool) {
			return site.Calibration{Gain: 1.02, Offset: -0.001}, point == "A1-level"
		}
	})
	ann := c.as(t, "ann")
	require.Contains(t, get(t, c.Server, "/round", ann).Body.String(), "Correct the sensor by 6.0 mm")
	w := c.post(t, "/bays/A1/offset", url.Values{"offset": {"99"}}, ann)
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	require.Equal(t, site.RecCalibration, c.last().Kind)
	require.Equal(t, "A1-level", c.last().Subject)
	require.InDelta(t, 1.02, c.last().Value, 1e-12)
	require.InDelta(t, 0.005, c.last().Value2, 1e-12)
}

// TestRoundPage: what it shows to a keeper and to somebody who may only read.
func TestRoundPage(t *testing.T) {
	h := &aHistory{records: []site.Record{
		{Kind: site.RecDip, Bay: "A1", Time: aMorning.Add(-time.Minute), Value: 0.063, Value2: 0.062, Who: "ann"},
		{Kind: site.RecSurface, Bay: "A1", Time: aMorning.Add(-time.Minute), Text: "dry", Who: "ann"},
		{Kind: site.RecSurface, Bay: "A3", Time: aMorning.Add(-time.Minute), Text: "soft", Who: "ann"},
		{Kind: site.RecSeason, Text: "open", Time: aMorning.Add(-48 * time.Hour)},
	}}
	c := aClub(t, aBadView(), func(_ *Options, d *Deps) { d.History = h })
	body := strings.ReplaceAll(get(t, c.Server, "/round", c.as(t, "ann")).Body.String(), "\u00a0", " ")
	for _, text := range []string{"Dip, sensor and set point agree.", "<b>Raise the set point by 2.5 mm, to 64.5 mm.</b>", "Not while this is open: valve stuck open and overfilled.",
		"look every hour", "took 4210 L", "beyond its uncertainty", `action="/bays/A1/dip"`} {
		require.Contains(t, body, text)
	}
	body = get(t, c.Server, "/round").Body.String()
	require.NotContains(t, body, `method="post" action="/bays`)
	require.Contains(t, body, "Log in")
	require.NotContains(t, get(t, c.Server, "/alarms").Body.String(), `action="/alarms/`, "a stranger sees no form on the alarms")
}

func TestAckedAlarmSaysWho(t *testing.T) {
	v := aBadView()
	v.Alarms[0].Phase, v.Alarms[0].AckBy, v.Alarms[0].AckAt = alarm.Acknowledged, "ann", aMorning.Add(-time.Hour)
	c := aClub(t, v)
	body := get(t, c.Server, "/alarms", c.as(t, "ann")).Body.String()
	require.Contains(t, body, "Taken on by ann at 05:41")
	require.Contains(t, body, "Was this alarm useful?")
}

// TestRatesBesideTheAims: the alarms page holds what was told against what is aimed at (EEMUA 191:
// about one alarm in ten minutes, 144 a day; ANSI/ISA-18.2-2016 16.4: more than ten in ten minutes
// begin a flood).
func TestRatesBesideTheAims(t *testing.T) {
	v := aBadView()
	v.Rates = alarm.Rates{Raised: 6, Urgent: 2, PerDay: 0.2, Peak: 3, Useful: 4, Useless: 1, Standing: 1}
	c := aClub(t, v, func(_ *Options, d *Deps) { d.History = &aHistory{} })
	body := get(t, c.Server, "/alarms").Body.String()
	for _, text := range []string{"6 were told, 2 of them urgent; the aim is at most one a month", "4 of the 5 that somebody judged were useful; the aim is four of five",
		"0.2 a day, at most 3 in ten minutes; people can handle about 144 a day", "Standing for over a day: 1"} {
		require.Contains(t, body, text)
	}
	require.NotContains(t, body, "A flood is under way")
}

// TestWorkIsShown: who reads the alarms sees what keeps them quiet and until when, and who may act
// can end it or begin another.
func TestWorkIsShown(t *testing.T) {
	v := aBadView()
	v.Work = []alarm.Work{{Bay: "A1", Who: "kim", Until: aMorning.Add(4 * time.Hour), Text: "new diaphragm"}}
	c := aClub(t, v)
	body := get(t, c.Server, "/alarms").Body.String()
	require.Regexp(t, `Maintenance at bay A1 by kim until [A-Z][a-z]{2} \d\d:\d\d: nothing is told of it\. \(new diaphragm\)`, body)
	require.NotContains(t, body, `action="/work"`)
	body = get(t, c.Server, "/alarms", c.as(t, "ann")).Body.String()
	require.Equal(t, 2, strings.Count(body, `action="/work"`), "end this one, begin another")
	require.Contains(t, body, `<option value="">The whole site</option>`)
}
