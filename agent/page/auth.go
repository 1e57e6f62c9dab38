package page

import (
	"context"
	"errors"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"bayledger/agent/access"
	"bayledger/agent/site"
	"bayledger/agent/words"
)

type userKey struct{}

// userOf returns who makes a request; the name is empty for a stranger.
func userOf(r *http.Request) access.User {
	u, _ := r.Context().Value(userKey{}).(access.User)
	return u
}

// openToAll are the addresses that answer a stranger even where reading needs a log-in: what the
// log-in page is made of, the supervisor's question, and signed links, which carry their own
// permission.
func openToAll(path string) bool {
	switch path {
	case "/login", "/join", "/healthz":
		return true
	}
	return strings.HasPrefix(path, "/a/") || (strings.HasPrefix(path, "/assets/") && path != "/assets/plan.css")
}

// admit finds out who asks, and refuses what they may not have.
func (s *Server) admit(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		reading := r.Method == http.MethodGet || r.Method == http.MethodHead
		if s.deps.Access == nil {
			if !reading {
				s.fail(w, r, refuse(http.StatusMethodNotAllowed, "This page can only be read: the site file names no users file."))
				return
			}
			next.ServeHTTP(w, r)
			return
		}
		u, known, err := s.deps.Access.Who(r)
		if err != nil {
			s.deps.Log.Error("users file cannot be read", "error", err)
			known = false
		}
		if known {
			r = r.WithContext(context.WithValue(r.Context(), userKey{}, u))
		}
		if !openToAll(r.URL.Path) {
			switch {
			case !known && (!reading || !s.opts.OpenReading):
				s.stranger(w, r)
				return
			case !reading && u.Role != access.Keeper && r.URL.Path != "/logout":
				s.fail(w, r, refuse(http.StatusForbidden, "You may read here, but not change anything."))
				return
			}
		}
		next.ServeHTTP(w, r)
	})
}

// stranger sends somebody unknown to the log-in, or says so to a program.
func (s *Server) stranger(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodGet && !strings.HasPrefix(r.URL.Path, "/api/") && r.URL.Path != "/metrics" && strings.Contains(r.Header.Get("Accept"), "text/html") {
		http.Redirect(w, r, "/login?next="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
		return
	}
	w.Header().Set("WWW-Authenticate", "Bearer")
	s.fail(w, r, refuse(http.StatusUnauthorized, "Log in first."))
}

// localPath returns a path on this server, or "/": a log-in must not send anybody elsewhere.
func localPath(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(u.Path, "//") || strings.ContainsAny(next, "\\\r\n") {
		return "/"
	}
	return u.RequestURI()
}

type loginPage struct {
	shell
	Next, Name, Says, Token string
	Join                    bool
}

func (s *Server) routesAccess(mux *http.ServeMux) {
	if s.deps.Access == nil {
		return
	}
	mux.HandleFunc("GET /login", s.loginForm)
	mux.HandleFunc("POST /login", s.login)
	mux.HandleFunc("POST /logout", s.logout)
	mux.HandleFunc("GET /join", s.joinForm)
	mux.HandleFunc("POST /join", s.join)
}

func (s *Server) loginForm(w http.ResponseWriter, r *http.Request) {
	s.render(w, r, http.StatusOK, "login", loginPage{shell: s.shell(r, words.Key("Log in"), "login"), Next: localPath(r.URL.Query().Get("next"))})
}

func (s *Server) login(w http.ResponseWriter, r *http.Request) {
	name, next := strings.TrimSpace(r.PostFormValue("name")), localPath(r.PostFormValue("next"))
	cookie, err := s.deps.Access.LogIn(name, r.PostFormValue("password"), addressOf(r))
	if err != nil {
		sh := s.shell(r, words.Key("Log in"), "login")
		status, says, ok := refusal(sh.Voice, err)
		if !ok {
			s.fail(w, r, err)
			return
		}
		if errors.Is(err, access.ErrRefused) {
			s.audit(r, name, "log-in refused")
		}
		s.render(w, r, status, "login", loginPage{shell: sh, Next: next, Name: name, Says: says})
		return
	}
	s.audit(r, name, "logged in")
	http.SetCookie(w, cookie)
	http.Redirect(w, r, next, http.StatusSeeOther)
}

func (s *Server) logout(w http.ResponseWriter, r *http.Request) {
	http.SetCookie(w, s.deps.Access.LogOut(r))
	if u := userOf(r); u.Name != "" {
		s.audit(r, u.Name, "logged out")
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// joinForm takes the token in the fragment of no address: it is typed, or comes as a query from
// a message, and the page itself is never cached and sends no referrer.
func (s *Server) joinForm(w http.ResponseWriter, r *http.Request) {
	s.render(w, r, http.StatusOK, "login", loginPage{shell: s.shell(r, words.Key("Join"), "login"), Join: true, Token: r.URL.Query().Get("token")})
}

func (s *Server) join(w http.ResponseWriter, r *http.Request) {
	p := loginPage{Join: true, Token: strings.TrimSpace(r.PostFormValue("token")), Name: strings.TrimSpace(r.PostFormValue("name")), Next: "/"}
	password := r.PostFormValue("password")
	err := s.deps.Access.Redeem(p.Token, p.Name, password, addressOf(r))
	if err == nil {
		s.audit(r, p.Name, "joined with an invitation")
		var cookie *http.Cookie
		if cookie, err = s.deps.Access.LogIn(p.Name, password, addressOf(r)); err == nil {
			http.SetCookie(w, cookie)
			http.Redirect(w, r, "/", http.StatusSeeOther)
			return
		}
	}
	p.shell = s.shell(r, words.Key("Join"), "login")
	status, says, ok := refusal(p.Voice, err)
	if !ok {
		s.fail(w, r, err)
		return
	}
	p.Says = says
	s.render(w, r, status, "login", p)
}

// refusal puts an error of access into a status and a sentence; false when it is none of the
// person's doing.
func refusal(w words.Voice, err error) (status int, says string, ok bool) {
	if in, is := errors.AsType[*access.InputError](err); is {
		return http.StatusBadRequest, words.Sentence(w.Say(in.Says)), true
	}
	if wait, is := errors.AsType[*access.WaitError](err); is {
		return http.StatusTooManyRequests, w.Say("Too many wrong tries; wait %s.", w.Span(wait.For.Round(time.Second))), true
	}
	switch {
	case errors.Is(err, access.ErrRefused):
		return http.StatusUnauthorized, w.Say("Name and password do not belong together."), true
	case errors.Is(err, access.ErrToken):
		return http.StatusBadRequest, w.Say("This invitation is not valid: it was used, has run out, or was mistyped."), true
	case errors.Is(err, access.ErrExists):
		return http.StatusBadRequest, w.Say("There is somebody of that name already."), true
	}
	return 0, "", false
}

// audit records who came, was made or was refused. The record must not keep anybody out, so an
// error is logged only.
func (s *Server) audit(r *http.Request, name, what string) {
	if len(name) > 40 {
		name = name[:40]
	}
	name = strings.ToValidUTF8(name, "?")
	s.deps.Log.Info("access", "user", name, "what", what, "from", addressOf(r))
	if s.deps.Record == nil {
		return
	}
	rec := site.Record{Time: s.deps.Now().UTC(), Kind: site.RecAccess, Subject: name, Who: name, Value: site.Unknown(), Value2: site.Unknown(), Text: what + " from " + addressOf(r)}
	if _, err := s.deps.Record(context.WithoutCancel(r.Context()), rec); err != nil {
		s.deps.Log.Error("access could not be put on record", "error", err)
	}
}

func addressOf(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}
