package page

import (
	"bufio"
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// TestStream reads a real connection: the first picture at once, then what changes, and nothing
// for what does not.
func TestStream(t *testing.T) {
	var view atomic.Pointer[View]
	view.Store(aQuietView())
	s := serve(t, nil, func(_ *Options, d *Deps) { d.View = view.Load })
	srv := httptest.NewUnstartedServer(s.Handler())
	ServerTimeouts(srv.Config)
	srv.Start()
	t.Cleanup(srv.Close)
	t.Cleanup(s.Close)

	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, srv.URL+"/api/v1/stream", nil)
	require.NoError(t, err)
	a, err := http.DefaultClient.Do(r)
	require.NoError(t, err)
	defer a.Body.Close()
	require.Equal(t, "text/event-stream; charset=utf-8", a.Header.Get("Content-Type"))
	lines := bufio.NewScanner(a.Body)
	lines.Buffer(nil, 1<<20)
	next := func() (name, data string) {
		for lines.Scan() {
			if text, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
				name = text
			}
			if text, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
				return name, text
			}
		}
		require.NoError(t, lines.Err())
		return "", ""
	}
	for _, want := range streamed {
		name, data := next()
		require.Equal(t, want, name)
		require.NotEmpty(t, data)
	}
	// The same picture again says nothing; the next thing to come is the bad one.
	view.Store(aQuietView())
	view.Store(aBadView())
	name, data := next()
	require.Equal(t, "view", name)
	require.JSONEq(t, `{"number":8,"alarms":2}`, data)
	name, _ = next()
	require.Equal(t, "bays", name)
	name, data = next()
	require.Equal(t, "alarms", name)
	require.Contains(t, data, "valve-stuck-open")
	s.Close()
	require.False(t, lines.Scan() && lines.Text() != "", "Close ends the stream")
}

// recorder is a ResponseWriter with deadlines for a stream inside a bubble of fake time, where a
// real connection cannot go.
type recorder struct {
	header http.Header
	mu     sync.Mutex
	body   strings.Builder
}

func (r *recorder) text() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.body.String()
}

func (r *recorder) Header() http.Header              { return r.header }
func (r *recorder) WriteHeader(int)                  {}
func (r *recorder) Flush()                           {}
func (r *recorder) SetReadDeadline(time.Time) error  { return nil }
func (r *recorder) SetWriteDeadline(time.Time) error { return nil }

func (r *recorder) Write(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.body.Write(b)
}

// TestStreamHeartbeat: just before, at and after.
func TestStreamHeartbeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		v := aQuietView()
		s := serve(t, v)
		w := &recorder{header: http.Header{}}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			s.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/stream?of=view", nil).WithContext(ctx))
		}()
		synctest.Wait()
		require.Contains(t, w.text(), "event: view")
		time.Sleep(heartbeat - time.Millisecond)
		synctest.Wait()
		require.NotContains(t, w.text(), ": still here")
		time.Sleep(streamEvery)
		synctest.Wait()
		require.Equal(t, 1, strings.Count(w.text(), ": still here"))
		cancel()
		<-done
		require.Zero(t, s.streams.Load())
	})
}

func TestStreamsAreBounded(t *testing.T) {
	s := serve(t, aQuietView(), func(o *Options, _ *Deps) { o.MaxStreams = 1 })
	s.streams.Add(1)
	w := get(t, s, "/api/v1/stream")
	require.Equal(t, http.StatusServiceUnavailable, w.Code)
	require.Equal(t, "30", w.Header().Get("Retry-After"))
	require.EqualValues(t, 1, s.streams.Load())
}
