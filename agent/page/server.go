package page

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"mime"
	"net/http"
	"path"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"bayledger/agent/access"
	"bayledger/agent/site"
	"bayledger/agent/words"
)

//go:embed assets templates
var files embed.FS

// Deps is what the page needs of the rest of the program. View and Now must be set; what else
// is nil is not offered.
type Deps struct {
	// View returns the newest picture, nil before the first.
	View func() *View
	// Now is the watch's clock; ages on the page are taken from it.
	Now func() time.Time
	// Metrics answers /metrics.
	Metrics http.Handler
	// History answers what the journal holds.
	History History
	// Access says who may change something; without it the page can only be read.
	Access *access.Store
	// Record journals an operator record and feeds it to the core, and returns it as stored.
	// One of kind calibration is also made the point's calibration.
	Record func(context.Context, site.Record) (site.Record, error)
	// Calibration returns the calibration that holds for a point now; ok is false for none. Without
	// it an offset is told, to be written into the site file, and not taken here.
	Calibration func(point string) (k site.Calibration, ok bool)
	// Able lists what the watch can and cannot find at a bay.
	Able func(s *site.Site, bay string) []site.Ability
	Log  *slog.Logger
}

// History is what the page asks of the journal.
type History interface {
	// Events returns the events of a span in order of time, the newest limit of them.
	Events(ctx context.Context, from, to time.Time, bay string, limit int) ([]site.Event, error)
	// Records returns the operator records of a span of those kinds, in order of time.
	Records(ctx context.Context, from, to time.Time, kinds ...site.RecordKind) ([]site.Record, error)
	// Series returns a point's calibrated readings from from (in) to to (out) in order of time.
	// It gives one dot for each step, a whole number of minutes; a step without a good reading has
	// NaN, or no dot.
	Series(ctx context.Context, point string, from, to time.Time, step time.Duration) ([]Dot, error)
}

// Dot is what a step of readings came to: mean, least and greatest of those that were not bad, in
// SI; NaN when there was none.
type Dot struct {
	Time            time.Time
	Value, Min, Max float64
}

// Server answers the page's requests. It is safe for concurrent use.
type Server struct {
	opts  Options
	deps  Deps
	pages map[pageIn]*template.Template
	// assets holds every static file with its content hash, made once at New.
	assets map[string]asset

	streams atomic.Int64
	closed  chan struct{}
	closing sync.Once
}

type asset struct {
	body []byte
	kind string
	etag string
}

// New checks the options, reads the embedded templates and returns a Server that has started
// nothing yet.
func New(opts Options, deps Deps) (*Server, error) {
	if err := opts.Validate().Err(); err != nil {
		return nil, err
	}
	if deps.View == nil || deps.Now == nil {
		return nil, errors.New("page: View and Now must be given")
	}
	if deps.Log == nil {
		deps.Log = slog.New(slog.DiscardHandler)
	}
	s := &Server{opts: opts, deps: deps, assets: map[string]asset{}, pages: map[pageIn]*template.Template{}, closed: make(chan struct{})}
	if err := s.loadAssets(); err != nil {
		return nil, err
	}
	if err := s.loadPages(); err != nil {
		return nil, err
	}
	return s, nil
}

// Close ends the streams. It may be called more than once; register it with
// http.Server.RegisterOnShutdown.
func (s *Server) Close() { s.closing.Do(func() { close(s.closed) }) }

// ServerTimeouts sets the limits of an http.Server that serves the handler. The write limit
// bounds a slow reader of a page; streams extend theirs as they go.
func ServerTimeouts(h *http.Server) {
	h.ReadHeaderTimeout = 5 * time.Second
	h.ReadTimeout = 15 * time.Second
	h.WriteTimeout = 30 * time.Second
	h.IdleTimeout = 2 * time.Minute
	h.MaxHeaderBytes = 16 << 10
}

// maxBody bounds what anybody may send; the longest form has a few hundred bytes.
const maxBody = 16 << 10

// policy lets the page load what this server serves and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// Handler returns the whole page. It is safe to call more than once.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.overview)
	mux.HandleFunc("GET /bays/{bay}", s.bay)
	mux.HandleFunc("GET /alarms", s.alarms)
	mux.HandleFunc("GET /assets/{file...}", s.asset)
	mux.HandleFunc("GET /healthz", s.healthz)
	mux.HandleFunc("GET /round", s.round)
	mux.HandleFunc("GET /procedures", s.procedures)
	mux.HandleFunc("GET /procedures/record", s.procedureRecord)
	mux.HandleFunc("GET /reports", s.reports)
	mux.HandleFunc("GET /reports.csv", s.reportCSV)
	s.routesAPI(mux)
	s.routesAccess(mux)
	s.routesAct(mux)
	if s.deps.Metrics != nil {
		mux.Handle("GET /metrics", s.deps.Metrics)
	}
	mux.HandleFunc("/", s.notFound)

	origin := http.NewCrossOriginProtection()
	origin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, refuse(http.StatusForbidden, "This request came from another site, so it was not carried out."))
	}))
	return s.guard(origin.Handler(s.admit(mux)))
}

// guard sets what every answer carries, and keeps one bad request from taking others down.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if s.opts.TLS() {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		h.Set("Cache-Control", "no-store")
		if r.Method != http.MethodGet && r.Method != http.MethodHead && r.Method != http.MethodPost {
			s.fail(w, r, refuse(http.StatusMethodNotAllowed, "Only GET, HEAD and POST are answered here."))
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		next.ServeHTTP(w, r)
	})
}

// answer is an error that has a status and a sentence for people: a phrase of the catalogue, and
// what fills it in.
type answer struct {
	status int
	phrase string
	args   []any
}

// Error is the sentence in English, as programs are answered.
func (a *answer) Error() string { return english.Say(a.phrase, a.args...) }

func refuse(status int, phrase string, args ...any) *answer { return &answer{status, phrase, args} }

func bad(phrase string, args ...any) *answer { return refuse(http.StatusBadRequest, phrase, args...) }

func noBay(id string) *answer { return refuse(http.StatusNotFound, "There is no bay %q.", id) }

// apiError is an answer that only programs see: English, and not in the catalogue.
func apiError(status int, format string, args ...any) *answer { return &answer{status, format, args} }

var nothingYet = refuse(http.StatusServiceUnavailable, "The watch has not read anything yet.")

// fail is the one place where an error becomes a status and a sentence. What is not an answer
// is logged and told in general words only.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	a, ok := errors.AsType[*answer](err)
	switch {
	case ok:
	case errors.Is(err, context.Canceled) && r.Context().Err() != nil:
		return // the reader has gone
	default:
		s.deps.Log.Error("request failed", "path", r.URL.Path, "error", err)
		a = refuse(http.StatusInternalServerError, "This could not be answered; the log of the watch says why.")
	}
	if strings.HasPrefix(r.URL.Path, "/api/") {
		writeJSON(w, a.status, map[string]string{"error": a.Error()})
		return
	}
	sh := s.shell(r, statusText(a.status), "")
	s.render(w, r, a.status, "error", struct {
		shell
		Status int
		Says   string
	}{sh, a.status, sh.Say(a.phrase, a.args...)})
}

// statusText is a status as a heading.
func statusText(status int) string {
	switch status {
	case http.StatusNotFound:
		return words.Key("Not found")
	case http.StatusUnauthorized, http.StatusForbidden:
		return words.Key("Not allowed")
	case http.StatusServiceUnavailable:
		return words.Key("Not yet")
	case http.StatusInternalServerError:
		return words.Key("Something went wrong")
	}
	return words.Key("That did not work")
}

func (s *Server) notFound(w http.ResponseWriter, r *http.Request) {
	s.fail(w, r, refuse(http.StatusNotFound, "There is nothing at this address."))
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	body, err := json.Marshal(v)
	if err != nil { // only a NaN that slipped through can do this, and a test looks for it
		status, body = http.StatusInternalServerError, []byte(`{"error":"this answer holds a number that cannot be written"}`)
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.WriteHeader(status)
	w.Write(append(body, '\n'))
}

func (s *Server) loadAssets() error {
	mime.AddExtensionType(".woff2", "font/woff2")
	return fs.WalkDir(files, "assets", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body, err := files.ReadFile(name)
		if err != nil {
			return fmt.Errorf("page: read %s: %w", name, err)
		}
		kind := mime.TypeByExtension(path.Ext(name))
		if kind == "" {
			kind = "text/plain; charset=utf-8"
		}
		s.assets[strings.TrimPrefix(name, "assets/")] = asset{body, kind, hash(body)}
		return nil
	})
}

func hash(b []byte) string {
	sum := sha256.Sum256(b)
	return base64.RawURLEncoding.EncodeToString(sum[:9])
}

// asset serves an embedded file. The pages name it with its hash, so it may be kept for ever.
func (s *Server) asset(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("file")
	a, ok := s.assets[name]
	if name == "plan.css" {
		if v := s.deps.View(); v != nil && v.Site != nil {
			css := []byte(planCSS(v.Site))
			a, ok = asset{css, "text/css; charset=utf-8", hash(css)}, true
		}
	}
	if !ok {
		s.notFound(w, r)
		return
	}
	w.Header().Set("Content-Type", a.kind)
	w.Header().Set("ETag", `"`+a.etag+`"`)
	if r.URL.Query().Get("v") == a.etag || strings.HasPrefix(name, "font/") { // the style sheet names the fonts without a hash; they do not change
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	} else {
		w.Header().Set("Cache-Control", "no-cache")
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(a.body))
}
