package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// TestADiskFullToTheLastByte runs fillTheDisk in a process that has a small disk of its own.
func TestADiskFullToTheLastByte(t *testing.T) {
	cmd := exec.CommandContext(t.Context(), "unshare", "--map-root-user", "--mount", "sh", "-c", `mount -t tmpfs -o size=26m tmpfs "$BAYLEDGER_DISK_DIR" && exec "$0"`, os.Args[0])
	cmd.Env = append(os.Environ(), "BAYLEDGER_DISK_DIR="+t.TempDir())
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	t.Logf("%s", out)
}

// fillTheDisk fills a disk, first with samples and then, to the last byte, with what another
// program writes.
func fillTheDisk(dir string) error {
	ctx := context.Background()
	o := DefaultOptions(filepath.Join(dir, "journal"))
	o.MinFreeBytes = 0
	j, err := Open(ctx, o)
	if err != nil {
		return err
	}
	q, err := j.Queue(ctx, "archive", true)
	if err != nil {
		return err
	}
	at := noon
	round := 0
	add := func() error {
		round++
		at = at.Add(time.Second)
		all := make([]site.Sample, 2000)
		for i := range all { // values that no short form fits
			all[i] = good(fmt.Sprintf("p%d", i), at, 1/float64(i+round+3))
		}
		_, err := j.Append(ctx, all)
		return err
	}
	for err = add(); err == nil; err = add() {
	}
	if !errors.Is(err, ErrFull) {
		return fmt.Errorf("a full disk is told as %w", err)
	}
	fmt.Printf("full after %d samples; %d of them unsent\n", j.Last(), q.Backlog())
	if q.Backlog() != j.Last() {
		return fmt.Errorf("%d samples of %d wait to be sent: some were dropped", q.Backlog(), j.Last())
	}
	record := site.Record{Kind: site.RecDip, Time: at, Bay: "A1", Value: 0.08, Value2: site.Unknown()}
	if _, err := j.AppendRecord(ctx, record); err != nil {
		return fmt.Errorf("records and events still have room: %w", err)
	}
	if err := j.rollUp(ctx); err != nil {
		return fmt.Errorf("so has rolling up: %w", err)
	}

	// Another program takes the rest.
	filler, err := os.Create(filepath.Join(dir, "filler"))
	if err != nil {
		return err
	}
	for block := 1 << 20; block > 0; block /= 2 {
		for err = nil; err == nil; _, err = filler.Write(make([]byte, block)) {
		}
	}
	if err := filler.Close(); err != nil {
		return err
	}
	if free, err := j.free(); err != nil || free != 0 {
		return fmt.Errorf("%d bytes are free, %w", free, err)
	}
	if err := add(); !errors.Is(err, ErrFull) {
		return fmt.Errorf("nothing is sent yet, so nothing may go: %w", err)
	}
	if q.Backlog() != j.Last() {
		return errors.New("unsent samples were dropped")
	}
	samples, _, err := q.Read(ctx, 0, 0, 100_000)
	if err != nil || len(samples) < 20_000 {
		return fmt.Errorf("a full disk is still read: %d samples, %w", len(samples), err)
	}

	// The historian has taken everything: now the oldest may go, though not a byte is free.
	// It says so in memory: its place in the ledger cannot be written now.
	q.mu.Lock()
	q.pending, _ = subtract(q.pending, 0, j.Last())
	q.mu.Unlock()
	last, kept := j.Last(), 0
	for range 200 {
		if add() == nil {
			kept++
		}
		q.mu.Lock()
		q.pending, _ = subtract(q.pending, 0, j.Last())
		q.mu.Unlock()
	}
	if kept == 0 || j.Last() == last {
		return errors.New("a disk full to the last byte was not emptied from inside")
	}
	fmt.Printf("%d of 200 commits kept while another program held the rest; %d batches of sent history went\n", kept, j.Stats(ctx).Dropped)

	// Room returns.
	if err := os.Remove(filepath.Join(dir, "filler")); err != nil {
		return err
	}
	if err := add(); err != nil {
		return fmt.Errorf("room is back: %w", err)
	}
	if err := j.Maintain(ctx); err != nil {
		return err
	}
	for err := range j.Check(ctx) {
		return err
	}
	if _, err := os.Stat(j.path(ballastFile)); err != nil {
		return err
	}
	return j.Close()
}
