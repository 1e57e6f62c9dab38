package main

import (
	"bytes"
	"io"
	"testing"

	"github.com/stretchr/testify/require"
)

// The same seed and date tell the same night, to the last byte, however fast the machine is.
func TestDemoIsTheSameTwice(t *testing.T) {
	night := func() string {
		var out bytes.Buffer
		code := run(t.Context(), []string{"demo", "--hours", "1.5", "--date", "2026-07-14", "--json", "--listen", "127.0.0.1:0"}, nil, &out, io.Discard)
		require.Zero(t, code)
		return out.String()
	}
	first := night()
	require.Contains(t, first, `"level-sensor-fault"`)
	require.Equal(t, first, night())
}
