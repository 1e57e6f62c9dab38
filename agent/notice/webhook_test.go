package notice

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestWebhook(t *testing.T) {
	var got *http.Request
	var body hook
	code := 204
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got = r
		_ = json.NewDecoder(r.Body).Decode(&body)
		if code == 302 {
			w.Header().Set("Location", "/login")
		}
		w.WriteHeader(code)
	}))
	defer server.Close()
	text := func(s string) func() (string, error) { return func() (string, error) { return s, nil } }
	h := NewWebhook("anna", text(server.URL+"/hook/secret-path"), text("tok"))
	require.NoError(t, h.Send(t.Context(), letterMessage))
	require.Equal(t, "Bearer tok", got.Header.Get("Authorization"))
	require.Equal(t, "k1", got.Header.Get("Idempotency-Key"))
	require.Equal(t, hook{1, "k1", "alarm", letterMessage.Short, letterMessage.Long, nil}, body)
	for _, code = range []int{302, 401, 500} { // a portal's login page is no answer
		require.Error(t, h.Send(t.Context(), letterMessage), code)
	}
	server.Close()
	err := h.Send(t.Context(), letterMessage)
	require.Error(t, err)
	require.NotContains(t, err.Error()+h.Name(), "secret-path")
}

// TestWebhookAddress: what is sent in the clear stays on this machine, and no message repeats the
// address, which is a secret.
func TestWebhookAddress(t *testing.T) {
	for u, ok := range map[string]bool{"https://example.org/x": true, "http://127.0.0.1:9/x": true, "http://localhost/x": true,
		"http://example.org/secret": false, "ftp://example.org/secret": false, "secret": false, "": false, "http://exa mple/secret": false} {
		_, err := NewWebhook("anna", func() (string, error) { return u, nil }, nil).address()
		require.Equal(t, ok, err == nil, u)
		if err != nil {
			require.NotContains(t, err.Error(), "secret")
		}
	}
	err := NewWebhook("anna", func() (string, error) { return "", errors.New("read secret: gone") }, nil).Send(t.Context(), letterMessage)
	require.ErrorContains(t, err, "gone")
}
