package page

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
)

const (
	// streamEvery is the shortest time between two messages of a stream, however fast the view
	// changes: nobody reads faster, and a demo's night passes in minutes.
	streamEvery = time.Second
	// heartbeat keeps proxies from closing a quiet stream and finds viewers that have gone.
	heartbeat = 15 * time.Second
	// slowViewer is how long one message may take to leave; a viewer slower than that is dropped
	// and its browser comes back by itself.
	slowViewer = 10 * time.Second
)

// streamed are the messages a stream can carry.
var streamed = []string{"view", "bays", "alarms"}

// stream tells a viewer of every change of the view. There is no hub and no queue: each viewer's
// own goroutine looks at the published view once a second and writes what has changed, so a
// viewer who does not read holds up nobody and costs one blocked write until its deadline.
func (s *Server) stream(w http.ResponseWriter, r *http.Request) {
	want := streamed
	if of := r.URL.Query().Get("of"); of != "" {
		want = strings.Split(of, ",")
		for _, name := range want {
			if !slices.Contains(streamed, name) {
				s.fail(w, r, apiError(http.StatusBadRequest, "of=%q is not among %s.", name, strings.Join(streamed, ", ")))
				return
			}
		}
	}
	if s.streams.Add(1) > int64(s.opts.MaxStreams) {
		s.streams.Add(-1)
		w.Header().Set("Retry-After", "30")
		s.fail(w, r, apiError(http.StatusServiceUnavailable, "Too many viewers are kept up to date already."))
		return
	}
	defer s.streams.Add(-1)

	rc := http.NewResponseController(w)
	// The server's read limit would end the connection under the stream.
	if err := rc.SetReadDeadline(time.Time{}); err != nil {
		s.fail(w, r, fmt.Errorf("page: stream: lift the read limit: %w", err))
		return
	}
	w.Header().Set("Content-Type", "text/event-stream; charset=utf-8")
	w.Header().Set("X-Accel-Buffering", "no")
	w.WriteHeader(http.StatusOK)

	send := func(b []byte) bool {
		if rc.SetWriteDeadline(time.Now().Add(slowViewer)) != nil {
			return false
		}
		if _, err := w.Write(b); err != nil {
			return false
		}
		return rc.Flush() == nil
	}
	if !send([]byte("retry: 3000\n\n")) {
		return
	}
	tick := time.NewTicker(streamEvery)
	defer tick.Stop()
	var seen *View
	last := map[string][]byte{}
	sent := time.Now()
	for {
		if v := s.deps.View(); v != nil && v.Site != nil && v != seen {
			seen = v
			var out bytes.Buffer
			for _, name := range want {
				body := message(name, v)
				if bytes.Equal(body, last[name]) {
					continue
				}
				last[name] = body
				fmt.Fprintf(&out, "event: %s\ndata: %s\n\n", name, body)
			}
			if out.Len() > 0 {
				if !send(out.Bytes()) {
					return
				}
				sent = time.Now()
			}
		}
		if time.Since(sent) >= heartbeat {
			if !send([]byte(": still here\n\n")) {
				return
			}
			sent = time.Now()
		}
		select {
		case <-r.Context().Done():
			return
		case <-s.closed:
			return
		case <-tick.C:
		}
	}
}

// message is one message of the stream. A body that cannot be written becomes an empty object;
// a test sees to it that this cannot happen.
func message(name string, v *View) []byte {
	var body any
	switch name {
	case "bays":
		body = baysOf(v)
	case "alarms":
		a := alarmsOf(v)
		body = a.Alarms
	default:
		body = struct {
			Number uint64 `json:"number"`
			Open   int    `json:"alarms"`
		}{v.Number, len(wanting(v.Alarms))}
	}
	b, err := json.Marshal(body)
	if err != nil {
		return []byte("{}")
	}
	return b
}
