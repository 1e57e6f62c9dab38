package journal

import (
	"os"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// TestRootKeepsNobodyOutOfTheirJournal: what a command run with sudo makes in the service's folder
// is the service's. Run by anybody else nothing changes hands.
func TestRootKeepsNobodyOutOfTheirJournal(t *testing.T) {
	dir := t.TempDir()
	want := os.Geteuid()
	if want == 0 {
		want = 65534
		require.NoError(t, os.Chown(dir, want, want))
	}
	j, err := Open(t.Context(), DefaultOptions(dir))
	require.NoError(t, err)
	_, err = j.Append(t.Context(), []site.Sample{{Point: "A1-level", Time: time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC), Value: 1}})
	require.NoError(t, err)
	look := func(when string) {
		t.Helper()
		entries, err := os.ReadDir(dir)
		require.NoError(t, err)
		require.NotEmpty(t, entries)
		for _, e := range entries {
			info, err := e.Info()
			require.NoError(t, err)
			require.EqualValues(t, want, info.Sys().(*syscall.Stat_t).Uid, "%s %s", e.Name(), when)
		}
	}
	look("while it is open")
	require.NoError(t, j.Close())
	look("after it was closed")
}
