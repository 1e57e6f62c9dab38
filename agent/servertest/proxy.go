package servertest

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"sync"
	"testing"
	"time"
)

// Fault is one way in which what lies between a client and its server goes wrong. The zero
// Fault passes everything on.
type Fault struct {
	// Drop closes the connection without passing the request on.
	Drop bool
	// LoseAnswer passes the request on and closes the connection without the answer: the
	// server has done what was asked, and the client cannot know.
	LoseAnswer bool
	// Hang takes the request and answers nothing until the client gives up.
	Hang bool
	// HalfClose sends headers that promise more than the body holds and closes.
	HalfClose bool
	// Delay waits before the request is passed on.
	Delay time.Duration
	// Status, Header and Body answer in the server's place when Status is not 0: 503, 429 with
	// Retry-After, a portal's 200 page, a 302 to its login.
	Status int
	Header http.Header
	Body   string
}

// Proxy stands between a client and an HTTP server and can be told to fail.
type Proxy struct {
	// URL is where clients connect.
	URL string

	mu       sync.Mutex
	fault    func(r *http.Request) Fault
	requests int
	changed  chan struct{} // closed and replaced when the fault changes, so that Hang ends
}

// NewProxy starts a proxy in front of target. It passes everything on until a fault is set.
func NewProxy(t testing.TB, target string) *Proxy {
	t.Helper()
	to, err := url.Parse(target)
	if err != nil {
		t.Fatalf("servertest: proxy: %v", err)
	}
	p := &Proxy{changed: make(chan struct{}), fault: func(*http.Request) Fault { return Fault{} }}
	pass := &httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) { r.SetURL(to) },
		// A server that is down looks to the client as if nothing listened.
		ErrorHandler: func(w http.ResponseWriter, _ *http.Request, _ error) { hangUp(w) },
		ErrorLog:     nil,
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p.mu.Lock()
		p.requests++
		decide, changed := p.fault, p.changed
		p.mu.Unlock()
		p.serve(w, r, decide(r), changed, pass)
	}))
	t.Cleanup(func() {
		p.Clear() // lets hanging requests go, or Close would wait for them
		server.CloseClientConnections()
		server.Close()
	})
	p.URL = server.URL
	return p
}

// Set makes every request fail in that way until the next Set or Clear.
func (p *Proxy) Set(f Fault) { p.Decide(func(*http.Request) Fault { return f }) }

// Clear makes the proxy pass everything on.
func (p *Proxy) Clear() { p.Set(Fault{}) }

// Decide asks f for the fault of each request. f is called by many goroutines.
func (p *Proxy) Decide(f func(r *http.Request) Fault) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fault = f
	close(p.changed)
	p.changed = make(chan struct{})
}

// Requests is how many requests have come so far.
func (p *Proxy) Requests() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.requests
}

func (p *Proxy) serve(w http.ResponseWriter, r *http.Request, f Fault, changed <-chan struct{}, pass http.Handler) {
	if f.Delay > 0 {
		wait, cancel := context.WithTimeout(r.Context(), f.Delay)
		<-wait.Done()
		cancel()
		if r.Context().Err() != nil {
			return
		}
	}
	switch {
	case f.Drop:
		hangUp(w)
	case f.Hang:
		_, _ = io.Copy(io.Discard, r.Body) // the client's end is only noticed when its body is read
		select {
		case <-r.Context().Done():
		case <-changed:
		}
		hangUp(w)
	case f.HalfClose:
		_, _ = io.Copy(io.Discard, r.Body)
		w.Header().Set("Content-Length", "1000")
		w.WriteHeader(http.StatusOK)
		_, _ = w.Write([]byte("half"))
		_ = http.NewResponseController(w).Flush()
		hangUp(w)
	case f.LoseAnswer:
		pass.ServeHTTP(&nowhere{header: http.Header{}}, r)
		hangUp(w)
	case f.Status != 0:
		_, _ = io.Copy(io.Discard, r.Body)
		for k, v := range f.Header {
			w.Header()[k] = v
		}
		w.WriteHeader(f.Status)
		_, _ = io.WriteString(w, f.Body)
	default:
		pass.ServeHTTP(w, r)
	}
}

// hangUp closes the connection under the client without another word.
func hangUp(w http.ResponseWriter) {
	c, _, err := http.NewResponseController(w).Hijack()
	if err == nil {
		// With linger 0 the client sees a reset and not a clean end.
		if tcp, ok := c.(*net.TCPConn); ok {
			_ = tcp.SetLinger(0)
		}
		_ = c.Close()
		return
	}
	if errors.Is(err, http.ErrNotSupported) {
		panic(http.ErrAbortHandler)
	}
}

// nowhere takes an answer that nobody shall see.
type nowhere struct{ header http.Header }

func (n *nowhere) Header() http.Header         { return n.header }
func (n *nowhere) Write(b []byte) (int, error) { return len(b), nil }
func (n *nowhere) WriteHeader(int)             {}
