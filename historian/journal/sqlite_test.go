package journal

import (
	"context"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Two processes write the ledger at once: the daemon, and a person's command. A transaction that
// reads before it writes must take its turn at the beginning (_txlock=immediate). A deferred one
// cannot be made good by waiting: it gets SQLITE_BUSY_SNAPSHOT as soon as the other has committed.
func TestWritersTakeTurns(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	other, err := openDatabase(t.Context(), j.path(ledgerFile), "ledger", j.settings())
	require.NoError(t, err)
	defer other.close()
	const each = 50
	errs := make(chan error, 2*each)
	var wg sync.WaitGroup
	for _, d := range []*database{j.ledger, other} {
		wg.Go(func() {
			for range each {
				errs <- func() error {
					tx, err := d.w.BeginTx(context.Background(), nil)
					if err != nil {
						return err
					}
					defer tx.Rollback()
					var n int
					if err := tx.QueryRow("SELECT coalesce(max(value), 0) FROM meta WHERE key = 'turn'").Scan(&n); err != nil {
						return err
					}
					if _, err := tx.Exec("INSERT OR REPLACE INTO meta (key, value) VALUES ('turn', ?)", n+1); err != nil {
						return err
					}
					return tx.Commit()
				}()
			}
		})
	}
	wg.Wait()
	close(errs)
	for err := range errs {
		require.NoError(t, err)
	}
	var n int
	require.NoError(t, j.ledger.r.QueryRow("SELECT value FROM meta WHERE key = 'turn'").Scan(&n))
	require.Equal(t, 2*each, n)
}

// A reader that takes its time must not keep the log from being used again: with an open cursor it
// would hold all that was written meanwhile, some 25 MB here.
func TestASlowReaderDoesNotLetTheLogGrow(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	o.synchronous = "OFF"
	j := open(t, o)
	append := func(from, n int) {
		for i := range n {
			put(t, j, cycle(noon.Add(time.Duration(from+i)*time.Second), 2)...)
		}
	}
	append(0, batchPage+1)
	read := 0
	for _, err := range j.Samples(t.Context(), time.Time{}, time.Time{}) {
		require.NoError(t, err)
		if read++; read != 1 {
			continue
		}
		append(batchPage+1, 3000)
		info, err := os.Stat(j.path(samplesFile + "-wal"))
		require.NoError(t, err)
		require.Less(t, info.Size(), int64(9<<20))
	}
	require.Equal(t, 2*(batchPage+1+3000), read, "and it reads on to the end")
}

// modernc.org/sqlite is made for one version of its C library; with another it has failed on some
// machines (its documentation demands it).
func TestTheLibraryUnderSQLiteIsTheOneItWasMadeFor(t *testing.T) {
	list := func(format, module string) string {
		out, err := exec.Command("go", "list", "-m", "-f", format, module).Output()
		require.NoError(t, err)
		return strings.TrimSpace(string(out))
	}
	theirs, err := os.ReadFile(list("{{.GoMod}}", "modernc.org/sqlite"))
	require.NoError(t, err)
	require.Contains(t, string(theirs), "modernc.org/libc "+list("{{.Version}}", "modernc.org/libc")+"\n")
}
