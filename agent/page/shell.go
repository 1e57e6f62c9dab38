package page

import (
	"bytes"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"bayledger/agent/access"
	"bayledger/agent/site"
	"bayledger/agent/words"
)

// shell is what every page carries around its content.
type shell struct {
	voice
	Title    string
	SiteName string
	Here     string // the part of the page that is open, for the navigation
	Now      time.Time
	Count    int // alarms that want somebody
	Insecure bool
	// Number of the view the page was made from; the script compares it.
	Number uint64
	// User is who is logged in, empty for a stranger; CanLogIn says whether anybody could be.
	User     string
	CanLogIn bool
}

// shell fills the frame of a page. It works before the first view, too.
func (s *Server) shell(r *http.Request, title, here string) shell {
	now := s.deps.Now()
	sh := shell{voice: voice{words.Of(nil), now}, Title: title, Here: here, Now: now, SiteName: "bayledger",
		Insecure: s.opts.Insecure && !s.opts.TLS()}
	if v := viewOf(r, s); v != nil {
		sh.Number = v.Number
		sh.Count = len(wanting(v.Alarms))
		if v.Site != nil {
			sh.Voice = words.Of(v.Site)
			sh.SiteName = nameOr(v.Site.Name, v.Site.ID)
		}
	}
	sh.User, sh.CanLogIn = userOf(r).Name, s.deps.Access != nil
	sh.Title = sh.Say(sh.Title)
	return sh
}

// ZoneName is the site's zone for the charts' script.
func (s shell) ZoneName() string { return s.Zone.String() }

// LocalDate and LocalNow are the day and the time of day at the site, Stamp a moment as an element, ISO one for machines.
func (s shell) LocalDate() string      { return s.Voice.Time(s.now, "Mon 2 Jan") }
func (s shell) LocalNow() string       { return s.Voice.Time(s.now, "15:04") }
func (s shell) LocalZone() string      { return s.Voice.Time(s.now, "MST") }
func (s shell) ISO(t time.Time) string { return t.UTC().Format(time.RFC3339) }
func (s shell) Stamp(t time.Time) template.HTML {
	return template.HTML(fmt.Sprintf(`<time datetime="%s">%s</time>`, s.ISO(t), template.HTMLEscapeString(s.clock(t))))
}

// mayAct reports whether the reader may change something.
func (s *Server) mayAct(r *http.Request) bool {
	return s.deps.Record != nil && userOf(r).Role == access.Keeper
}

type viewKey struct{}

// viewOf returns the one view a request is answered from.
func viewOf(r *http.Request, s *Server) *View {
	if v, ok := r.Context().Value(viewKey{}).(*View); ok {
		return v
	}
	return s.deps.View()
}

// pageIn names a page in a language.
type pageIn struct {
	language words.Language
	name     string
}

// loadPages parses each page together with the frame, in every language.
func (s *Server) loadPages() error {
	names, err := fs.Glob(files, "templates/*.html")
	if err != nil {
		return err
	}
	for _, language := range words.Languages {
		w := words.Voice{Language: language}
		funcs := template.FuncMap{"asset": s.assetURL, "mark": mark, "lower": w.Lower, "join": w.List, "t": w.Say, "th": func(phrase string, args ...any) template.HTML {
			return template.HTML(fmt.Sprintf(template.HTMLEscapeString(w.Say(phrase)), args...))
		}}
		for _, name := range names {
			base := strings.TrimSuffix(path.Base(name), ".html")
			if base == "frame" {
				continue
			}
			t, err := template.New("frame.html").Funcs(funcs).ParseFS(files, "templates/frame.html", name)
			if err != nil {
				return fmt.Errorf("page: template %s: %w", base, err)
			}
			s.pages[pageIn{language, base}] = t
		}
	}
	return nil
}

// assetURL is the address of an embedded file, with its hash.
func (s *Server) assetURL(name string) (string, error) {
	if name == "plan.css" {
		if v := s.deps.View(); v != nil && v.Site != nil {
			return "/assets/plan.css?v=" + hash([]byte(planCSS(v.Site))), nil
		}
		return "/assets/plan.css", nil
	}
	a, ok := s.assets[name]
	if !ok {
		return "", fmt.Errorf("no asset %q", name)
	}
	return "/assets/" + name + "?v=" + a.etag, nil
}

// render writes a page, whole or not at all.
func (s *Server) render(w http.ResponseWriter, r *http.Request, status int, name string, data any) {
	var buf bytes.Buffer
	language := words.English
	if v := viewOf(r, s); v != nil {
		language = words.Of(v.Site).Language
	}
	if err := s.pages[pageIn{language, name}].Execute(&buf, data); err != nil {
		s.deps.Log.Error("page could not be made", "page", name, "error", err)
		http.Error(w, "This page could not be made; the log of the watch says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	w.Write(buf.Bytes())
}

// mark draws the sign of a severity, of water that moves or, for "", of all being well: each has a shape of its own, so that colour is never
// needed to tell them apart. The word beside it is the reader's; the sign is hidden from
// readers of the text.
func mark(sev site.Severity) template.HTML {
	const open = `<svg class="mark %s" viewBox="0 0 20 20" aria-hidden="true" focusable="false">%s</svg>`
	shapes := map[site.Severity]string{
		site.Urgent:  `<path class="body" d="M10 1 19.5 18.5H.5Z"/><path class="cut" d="M9 7h2v6H9zM9 14.5h2v2H9z"/>`,
		site.Warning: `<path class="body" d="M10 .8 19.2 10 10 19.2.8 10Z"/><path class="cut" d="M9 5.5h2v6H9zM9 12.8h2v2H9z"/>`,
		site.Info:    `<circle class="body" cx="10" cy="10" r="8.5"/><path class="cut" d="M9 8.7h2v6H9zM9 5.5h2v2H9z"/>`,
		"filling":    `<path class="drop" d="M10 1.5c3.6 4.6 6 7.7 6 10.8a6 6 0 0 1-12 0c0-3.100 2.400-6.200 6-10.800Z"/>`,
		"":           `<path class="tick" d="M3 10.5 8 15.5 17.5 4.5"/>`,
	}
	class := string(sev)
	if sev == "" {
		class = "well"
	}
	return template.HTML(fmt.Sprintf(open, class, shapes[sev]))
}
