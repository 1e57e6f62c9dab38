package page

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// defaults are the site file's: this machine only, and everybody on it may read.
func defaults() Options {
	return Options{Listen: "127.0.0.1:8420", OpenReading: true, Fresh: 2 * time.Minute, MaxStreams: 100}
}

// serve returns a server that shows v at aMorning.
func serve(t *testing.T, v *View, change ...func(*Options, *Deps)) *Server {
	t.Helper()
	o := defaults()
	d := Deps{View: func() *View { return v }, Now: func() time.Time { return aMorning }, History: &aHistory{}, Metrics: promhttp.HandlerFor(prometheus.NewRegistry(), promhttp.HandlerOpts{})}
	for _, c := range change {
		c(&o, &d)
	}
	s, err := New(o, d)
	require.NoError(t, err)
	return s
}

func get(t *testing.T, s *Server, path string, change ...func(*http.Request)) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	for _, c := range change {
		c(r)
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

// aHistory answers from what a test puts into it, and remembers what it was asked.
type aHistory struct {
	events  []site.Event
	records []site.Record
	dots    []Dot
	err     error
	step    time.Duration
	bay     string
}

func (h *aHistory) Events(_ context.Context, _, _ time.Time, bay string, _ int) ([]site.Event, error) {
	h.bay = bay
	return h.events, h.err
}

func (h *aHistory) Records(_ context.Context, from, to time.Time, kinds ...site.RecordKind) ([]site.Record, error) {
	var out []site.Record
	for _, r := range h.records {
		if !r.Time.Before(from) && r.Time.Before(to) && slices.Contains(kinds, r.Kind) {
			out = append(out, r)
		}
	}
	return out, h.err
}

func (h *aHistory) Series(_ context.Context, _ string, _, _ time.Time, step time.Duration) ([]Dot, error) {
	h.step = step
	return h.dots, h.err
}

// TestEveryAnswer goes through the addresses of the page with what must and must not be there.
func TestEveryAnswer(t *testing.T) {
	rows := []struct {
		name, path string
		view       *View
		status     int
		has        []string
		lacks      []string
	}{
		{"quiet overview", "/", aQuietView(), 200, []string{"Every bay is as it was set.", "62 mm", "at set point", "3 mm under", "at set point", "kept by the time server", "06:41"}, []string{"Urgent", "call "}},
		{"overview with trouble", "/", aBadView(), 200, []string{"A3 and B2 want you.", "Valve stuck open", "the meter still turns", "red wheel in the pump house", "19 mm over", "unit unit-5 silent", "1240 readings wait", "310 ± 15 L", "Every other bay is as it was set."}, []string{"Every bay", "Overfilled"}},
		{"overview before the first reading", "/", nil, 200, []string{"has not read anything yet"}, nil},
		{"overview when nothing was ever read", "/", aDeafView(), 200, []string{"The watch sees nothing.", "Nothing has been read since its start at 04:41.", "no reading yet"}, []string{"within a minute", "since never"}},
		{"alarms with what a dead line explains", "/alarms", aDeafView(), 200, []string{"Explains: court-a: no reading, court-b: no reading and Bay B2: no reading."}, nil},
		{"overview before a night that may freeze", "/", aFrostyView(), 200, []string{"Frost ahead, 3 in 10.", "Tonight may freeze", "Every bay is as it was set."}, []string{"call "}},
		{"round before a night that may freeze", "/round", aFrostyView(), 200, []string{"Tonight may freeze, 3 in 10"}, nil},
		{"alarms before a night that may freeze", "/alarms", aFrostyView(), 200, []string{"No alarm is open.", "Tonight may freeze, 3 in 10", "Drain the supply line"}, nil},
		{"bay", "/bays/A2", aQuietView(), 200, []string{"Bay A2", "60 mm", "Court A", "Account by day", "yesterday", "± 40 L", "2 mm under its set point of 62 mm.",
			"Filled against expected, span by span", `class="p-unsure"`, "Mon 18:41 to 00:41", "150 ± 12 L", "156 ± 38 L", "−6.0 ± 15 L"}, nil},
		{"bay with trouble", "/bays/A3", aBadView(), 200, []string{"Valve stuck open", "First:"}, nil},
		{"bay that is not there", "/bays/Z9", aQuietView(), 404, []string{"There is no bay &#34;Z9&#34;"}, nil},
		{"bay with markup for a name", "/bays/%3Cscript%3E", aQuietView(), 404, []string{"&lt;script&gt;"}, []string{"<script>\""}},
		{"alarms", "/alarms", aBadView(), 200, []string{"2 alarms are open", "4210 ± 84 L", "14 L/min", "97 %", "38 min", "Do not open the cabinet", "It may also be", "flow meter fault", "Bay A3: overfilled", "Kept quiet", "new strainer ordered"}, nil},
		{"no alarms", "/alarms", aQuietView(), 200, []string{"No alarm is open.", "Nothing was raised."}, nil},
		{"report of the week", "/reports", aQuietView(), 200, []string{"Report of 13 July to 19 July 2026", "Each bay", "as CSV", "734 L"}, []string{"NaN"}},
		{"report of a day", "/reports?span=day&day=2026-07-12", aQuietView(), 200, []string{"Report of Sunday 12 July 2026", "day=2026-07-11", "day=2026-07-13"}, []string{"NaN"}},
		{"report of the season", "/reports?span=season&day=2026-07-12", aQuietView(), 200, []string{"Report of 1 January to 31 December 2026", "span=day&amp;day=2026-07-12"}, []string{"NaN"}},
		{"report of a day that is not over", "/reports?span=day&day=2026-07-14", aQuietView(), 200, []string{"not over", "06:41", "84 L", "94 L"}, []string{"NaN"}},
		{"CSV has closed days only", "/reports.csv?span=day&day=2026-07-14", aQuietView(), 200, []string{"date,bay"}, []string{"2026-07-14"}},
		{"report of no span", "/reports?span=month", aQuietView(), 400, []string{"a day, a week or a season"}, nil},
		{"report of no day", "/reports?day=yesterday", aQuietView(), 400, []string{"is not a day"}, nil},
		{"report before the first reading", "/reports", nil, 503, []string{"nothing to report"}, nil},
		{"report as CSV", "/reports.csv?span=day&day=2026-07-13", aQuietView(), 200, []string{"date,bay,metered_l", "2026-07-13,A1,650,"}, nil},
		{"style", "/assets/style.css", aQuietView(), 200, []string{"--paper"}, nil},
		{"plan", "/assets/plan.css", aQuietView(), 200, []string{".bay-A3{grid-area:3/1/4/2}", ".court-B"}, nil},
		{"asset that is not there", "/assets/../server.go", aQuietView(), 404, nil, []string{"package page"}},
		{"folder of assets", "/assets/font", aQuietView(), 404, nil, nil},
		{"nothing there", "/nothing", aQuietView(), 404, []string{"nothing at this address"}, nil},
		{"metrics", "/metrics", aQuietView(), 200, nil, nil},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			w := get(t, serve(t, row.view), row.path)
			for w.Code == http.StatusMovedPermanently || w.Code == http.StatusTemporaryRedirect { // the mux cleans a path first
				w = get(t, serve(t, row.view), w.Header().Get("Location"))
			}
			require.Equal(t, row.status, w.Code, w.Body.String())
			for _, text := range row.has {
				require.Contains(t, strings.ReplaceAll(w.Body.String(), "\u00a0", " "), text)
			}
			for _, text := range row.lacks {
				require.NotContains(t, w.Body.String(), text)
			}
		})
	}
}

// TestReportOfWhatStands: an alarm that was told at its raise has lost more since, and the report
// has that from the alarm itself.
func TestReportOfWhatStands(t *testing.T) {
	v := aBadView()
	told := v.Alarms[0].Event
	told.State, told.Time, told.Litres = site.Raised, told.Since, new(12.0)
	s := serve(t, v, func(_ *Options, d *Deps) { d.History = &aHistory{events: []site.Event{told}} })
	body := strings.ReplaceAll(get(t, s, "/reports?span=day&day=2026-07-14").Body.String(), "\u00a0", " ")
	require.Contains(t, body, "4210 L")
	require.NotContains(t, body, "<td>12 L</td>")
}

// TestPolicy looks for what the policy would have to forbid: script or style in a page, another
// host, a page without the headers.
func TestPolicy(t *testing.T) {
	inline := regexp.MustCompile(`(?i)<style|\sstyle=|<script(?:>|\s+[^s])|\son[a-z]+=|javascript:|https?://`)
	for _, path := range []string{"/", "/bays/A3", "/alarms", "/reports", "/nothing"} {
		w := get(t, serve(t, aBadView()), path)
		require.Empty(t, inline.FindString(w.Body.String()), path)
		h := w.Header()
		require.Contains(t, h.Get("Content-Security-Policy"), "default-src 'none'")
		require.NotContains(t, h.Get("Content-Security-Policy"), "unsafe")
		require.Equal(t, "nosniff", h.Get("X-Content-Type-Options"))
		require.Equal(t, "no-store", h.Get("Cache-Control"))
		require.Equal(t, "no-referrer", h.Get("Referrer-Policy"))
	}
}

// TestSmallEnough adds up what a first visit to the bay page loads.
func TestSmallEnough(t *testing.T) {
	s := serve(t, aBadView())
	src := regexp.MustCompile(`(?:src|href)="(/assets/[^"]+)"`)
	for _, path := range []string{"/", "/bays/A3", "/alarms", "/reports"} {
		w := get(t, s, path)
		total, seen := w.Body.Len(), map[string]bool{}
		for _, m := range src.FindAllStringSubmatch(w.Body.String(), -1) {
			if !seen[m[1]] {
				seen[m[1]] = true
				a := get(t, s, m[1])
				require.Equal(t, 200, a.Code, m[1])
				total += a.Body.Len()
			}
		}
		total += get(t, s, "/assets/font/hyperlegible-latin-ext.woff2").Body.Len()
		require.Less(t, total, 300_000, path)
		t.Logf("%s: %d bytes", path, total)
	}
}

func TestAssetsAreKept(t *testing.T) {
	s := serve(t, aQuietView())
	w := get(t, s, "/assets/live.js")
	require.Equal(t, "no-cache", w.Header().Get("Cache-Control"))
	tag := w.Header().Get("ETag")
	again := get(t, s, "/assets/live.js", func(r *http.Request) { r.Header.Set("If-None-Match", tag) })
	require.Equal(t, http.StatusNotModified, again.Code)
	named := get(t, s, "/assets/live.js?v="+strings.Trim(tag, `"`))
	require.Contains(t, named.Header().Get("Cache-Control"), "immutable")
}

// TestHealth: healthy only if readings are fresh and reach the account; what else is amiss is
// told.
func TestHealth(t *testing.T) {
	old := aQuietView()
	old.Watch.LastReading = aMorning.Add(-defaults().Fresh - time.Second)
	edge := aQuietView()
	edge.Watch.LastReading = aMorning.Add(-defaults().Fresh)
	stuck := aQuietView()
	stuck.Time = aMorning.Add(-time.Hour)
	down := aQuietView()
	down.Watch.Links[0].Up = false
	down.Watch.Journal.OK = false
	rows := []struct {
		name   string
		view   *View
		status int
		says   string
		why    string
	}{
		{"fresh", aQuietView(), 200, "ok", ""},
		{"as old as it may be", edge, 200, "ok", ""},
		{"a second older", old, 503, "blind", "the newest reading is 2 min old"},
		{"nothing yet", nil, 503, "blind", "nothing has been read yet"},
		{"account stands still", stuck, 503, "blind", "the account has stood still for 60 min"},
		{"link and journal away", down, 200, "impaired", "link pump-house does not answer"},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			w := get(t, serve(t, row.view), "/healthz")
			require.Equal(t, row.status, w.Code)
			var h apiHealth
			require.NoError(t, json.Unmarshal(w.Body.Bytes(), &h))
			require.Equal(t, row.says, h.Status)
			require.Contains(t, strings.Join(h.Why, "; "), row.why)
		})
	}
}

// TestOnlyReading: until somebody can log in, no method but GET and HEAD does anything.
func TestOnlyReading(t *testing.T) {
	s := serve(t, aQuietView())
	for _, method := range []string{"POST", "PUT", "DELETE", "PATCH", "OPTIONS", "CONNECT"} {
		for _, path := range []string{"/", "/bays/A1", "/alarms", "/api/v1/bays", "/metrics"} {
			r := httptest.NewRequest(method, "/", nil)
			r.URL.Path = path
			w := httptest.NewRecorder()
			s.Handler().ServeHTTP(w, r)
			require.Equal(t, http.StatusMethodNotAllowed, w.Code, "%s %s", method, path)
		}
	}
}

// TestBrokenHistory: an error of the journal becomes a status and a sentence, and its text stays
// in the log.
func TestBrokenHistory(t *testing.T) {
	var logged strings.Builder
	s := serve(t, aQuietView(), func(_ *Options, d *Deps) {
		d.History = &aHistory{err: errors.New("disk on fire")}
		d.Log = slog.New(slog.NewTextHandler(&logged, nil))
	})
	for _, path := range []string{"/api/v1/events", "/api/v1/points/A1-level", "/alarms"} {
		w := get(t, s, path)
		require.Equal(t, 500, w.Code, path)
		require.NotContains(t, w.Body.String(), "fire")
		require.Contains(t, logged.String(), "disk on fire")
	}
}

func TestOptions(t *testing.T) {
	with := func(f func(*Options)) Options { o := defaults(); f(&o); return o }
	rows := []struct {
		name string
		o    Options
		path string // of the only problem, "" for none
	}{
		{"defaults", defaults(), ""},
		{"no port", with(func(o *Options) { o.Listen = "127.0.0.1" }), "page.listen"},
		{"loopback with users", with(func(o *Options) { o.UsersFile = "u" }), ""},
		{"IPv6 loopback with users", with(func(o *Options) { o.UsersFile, o.Listen = "u", "[::1]:8420" }), ""},
		{"everybody's address with users", with(func(o *Options) { o.UsersFile, o.Listen = "u", ":8420" }), "page.listen"},
		{"the same, accepted", with(func(o *Options) { o.UsersFile, o.Listen, o.Insecure = "u", ":8420", true }), ""},
		{"the same with TLS", with(func(o *Options) { o.UsersFile, o.Listen, o.CertFile, o.KeyFile = "u", ":8420", "c", "k" }), ""},
		{"everybody's address without users", with(func(o *Options) { o.Listen = ":8420" }), ""},
		{"certificate without key", with(func(o *Options) { o.CertFile = "c" }), "page.key_file"},
		{"key without certificate", with(func(o *Options) { o.KeyFile = "k" }), "page.cert_file"},
		{"nobody can read", with(func(o *Options) { o.OpenReading = false }), "page.users_file"},
		{"address with a path", with(func(o *Options) { o.URL = "https://courts.example.net/x" }), "page.url"},
		{"address without a scheme", with(func(o *Options) { o.URL = "courts.example.net" }), "page.url"},
		{"address that is right", with(func(o *Options) { o.URL = "https://courts.example.net" }), ""},
		{"fresh too short", with(func(o *Options) { o.Fresh = time.Second }), "page.fresh"},
		{"no viewers", with(func(o *Options) { o.MaxStreams = 0 }), "page.max_streams"},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			p := row.o.Validate()
			if row.path == "" {
				require.Empty(t, p)
				return
			}
			require.Len(t, p, 1)
			require.Equal(t, row.path, p[0].Path)
			require.NotEmpty(t, p[0].Fix)
			_, err := New(row.o, Deps{View: func() *View { return nil }, Now: time.Now})
			require.Error(t, err)
		})
	}
}

func TestGuardKeepsBodiesSmall(t *testing.T) {
	s := serve(t, aQuietView())
	var read error
	h := s.guard(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { _, read = io.Copy(io.Discard, r.Body) }))
	r := httptest.NewRequest(http.MethodGet, "/", strings.NewReader(strings.Repeat("x", maxBody+1)))
	h.ServeHTTP(httptest.NewRecorder(), r)
	require.Error(t, read)
}

func TestServerTimeouts(t *testing.T) {
	var h http.Server
	ServerTimeouts(&h)
	require.Positive(t, h.ReadHeaderTimeout)
	require.Positive(t, h.ReadTimeout)
	require.Positive(t, h.WriteTimeout)
	require.Positive(t, h.IdleTimeout)
	require.Positive(t, h.MaxHeaderBytes)
}
