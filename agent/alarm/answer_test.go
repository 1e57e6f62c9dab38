package alarm

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

func TestAnswers(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	stuck := find(site.ValveStuckOpen, "A1", func(f *site.Finding) { f.RateM3S = 18e-3 / 60 })
	ev := d.Tick(night, []site.Finding{stuck, find(site.Overfill, "A1"), find(site.Leak, "B1")})
	var put []site.Record
	var fail error
	h := NewAnswers(func() *site.Site { return s }, d.Open, func() time.Time { return night.Add(time.Minute) },
		func(_ context.Context, r site.Record) (site.Record, error) {
			put = append(put, r)
			if fail == nil {
				d.Record(r)
			}
			return r, fail
		})
	ask := func(method, body string) (int, string) {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(method, AnswersPath, strings.NewReader(body)))
		return w.Code, w.Body.String()
	}
	code, body := ask("GET", "")
	require.Equal(t, http.StatusOK, code)
	var list []Listed
	require.NoError(t, json.Unmarshal([]byte(body), &list))
	require.Len(t, list, 3)
	require.NotContains(t, body, "Answer:")
	byRef := map[int64]Listed{}
	for _, l := range list {
		byRef[l.Ref] = l
	}
	require.Equal(t, ev[0].ID, byRef[1].ID)
	require.Equal(t, SuppressedByDesign, byRef[3].Phase)
	require.Contains(t, byRef[1].Message, "Valve stuck open")

	rows := []struct {
		name, body string
		code       int
		says       string
	}{
		{"not JSON", `{`, 400, "cannot be read"},
		{"unknown field", `{"alarm":"1","do":"ack","x":1}`, 400, "cannot be read"},
		{"no such alarm", `{"alarm":"77","do":"ack"}`, 404, `no open alarm is called \"77\"`},
		{"unknown verb", `{"alarm":"1","do":"burn"}`, 400, "not \\\"burn\\\""},
		{"shelve without why", `{"alarm":"1","do":"shelve","for_s":60}`, 400, "say why"},
		{"shelve without end", `{"alarm":"1","do":"shelve","text":"x"}`, 400, "up to 7 days"},
		{"shelve too long", `{"alarm":"1","do":"shelve","for_s":1e12,"text":"x"}`, 400, "up to 7 days"},
		{"shelve what is folded", `{"alarm":"3","do":"shelve","for_s":60,"text":"x"}`, 400, "nothing to shelve"},
		{"unshelve what is not shelved", `{"alarm":"1","do":"unshelve"}`, 400, "not shelved"},
	}
	for _, row := range rows {
		code, body := ask("POST", row.body)
		require.Equal(t, row.code, code, row.name)
		require.Contains(t, body, row.says, row.name)
	}
	require.Empty(t, put, "nothing wrong is journaled")

	code, body = ask("POST", `{"alarm":"`+ev[0].ID+`","do":"ack","who":"kim","useful":true}`)
	require.Equal(t, 200, code, body)
	require.Equal(t, site.RecAck, put[0].Kind)
	require.Equal(t, ev[0].ID, put[0].Subject)
	require.Equal(t, 1.0, put[0].Value)
	require.Equal(t, night.Add(time.Minute), put[0].Time)
	require.Contains(t, body, `"phase":"acknowledged"`)
	require.Contains(t, body, `"ack_by":"kim"`)

	code, body = ask("POST", `{"alarm":"2","do":"shelve","who":"kim","for_s":3600,"text":"liner on order"}`)
	require.Equal(t, 200, code, body)
	require.Equal(t, night.Add(61*time.Minute), put[1].Until)
	require.Contains(t, body, `"phase":"shelved"`)
	code, _ = ask("POST", `{"alarm":"2","do":"unshelve","who":"kim"}`)
	require.Equal(t, 200, code)
	require.Equal(t, site.RecUnshelve, put[2].Kind)
	require.Equal(t, Unacknowledged, phaseOf(d, key(site.Leak, "B1")))

	d.Tick(night.Add(30*time.Minute), nil)
	d.Tick(night.Add(40*time.Minute), nil)
	code, body = ask("POST", `{"alarm":"2","do":"ack","useful":false}`)
	require.Equal(t, 200, code, body)
	require.Contains(t, body, `"phase":"normal"`, "an answer to what is over closes it")

	d.Tick(night.Add(50*time.Minute), []site.Finding{find(site.Leak, "B1")})
	fail = errors.New("disk full")
	code, body = ask("POST", `{"alarm":"`+d.Open()[0].Event.ID+`","do":"ack"}`)
	require.Equal(t, 500, code)
	require.Contains(t, body, "disk full")
}
