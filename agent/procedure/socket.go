package procedure

import (
	"context"
	"encoding/json"
	"net/http"
	"time"

	"bayledger/agent/site"
)

// SocketPath is where NewHandler is mounted on the daemon's local socket.
const SocketPath = "/v1/procedures"

// fault is how the socket says that something is wrong.
type fault struct {
	Error string `json:"error"`
}

// NewHandler serves the local socket's part for procedures: GET shows the picture, POST takes an
// Answer, dates its record by now, gives it to put, which journals it, and shows the picture that
// follows.
//
// It is for a socket that only people with access to the machine can reach: it asks for no
// password.
func NewHandler(picture func() Picture, now func() time.Time, put func(context.Context, site.Record) (site.Record, error)) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET "+SocketPath, func(w http.ResponseWriter, _ *http.Request) { reply(w, http.StatusOK, picture()) })
	mux.HandleFunc("POST "+SocketPath, func(w http.ResponseWriter, r *http.Request) {
		var in Answer
		dec := json.NewDecoder(http.MaxBytesReader(w, r.Body, 1<<16))
		dec.DisallowUnknownFields()
		if err := dec.Decode(&in); err != nil {
			reply(w, http.StatusBadRequest, fault{"the answer cannot be read: " + err.Error()})
			return
		}
		rec, err := in.Record(picture(), now())
		if err != nil {
			reply(w, http.StatusBadRequest, fault{err.Error()})
			return
		}
		if _, err := put(r.Context(), rec); err != nil {
			reply(w, http.StatusInternalServerError, fault{"the answer could not be kept: " + err.Error()})
			return
		}
		reply(w, http.StatusOK, picture())
	})
	return mux
}

func reply(w http.ResponseWriter, code int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(v) // a caller that has gone is not told anything
}
