package journal

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// TestMain: with BAYLEDGER_CRASH_DIR set, this binary is the process that a crash test kills;
// with BAYLEDGER_POWER_DIR, the one whose writes the power-cut test records; with
// BAYLEDGER_DISK_DIR, the one that has a small disk of its own.
func TestMain(m *testing.M) {
	for name, run := range map[string]func(string) error{"BAYLEDGER_CRASH_DIR": appendForEver, "BAYLEDGER_POWER_DIR": appendForAWhile, "BAYLEDGER_DISK_DIR": fillTheDisk} {
		dir := os.Getenv(name)
		if dir == "" {
			continue
		}
		if err := run(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// appendForEver appends cycles and prints each acknowledged sequence number.
func appendForEver(dir string) error {
	j, err := Open(context.Background(), DefaultOptions(dir))
	if err != nil {
		return err
	}
	at := noon
	if newest := j.Newest(); !newest.IsZero() {
		at = newest.Add(time.Second)
	}
	for ; ; at = at.Add(7 * time.Second) {
		last, err := j.Append(context.Background(), cycle(at, 5))
		if err != nil {
			return err
		}
		fmt.Println(last)
	}
}

// TestKilledProcessesLoseNothing kills a writing process again and again; what it had told by
// its own pipe is there afterwards, and the journal is sound.
func TestKilledProcessesLoseNothing(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	told := int64(0)
	for round := range 10 {
		cmd := exec.CommandContext(t.Context(), os.Args[0])
		cmd.Env = append(os.Environ(), "BAYLEDGER_CRASH_DIR="+o.Dir)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			told, err = strconv.ParseInt(strings.TrimSpace(lines.Text()), 10, 64)
			require.NoError(t, err)
			if n == 20+15*round {
				require.NoError(t, cmd.Process.Kill()) // what is still in the pipe was told too
			}
		}
		require.Error(t, cmd.Wait(), "it was killed")
		j := open(t, o)
		require.GreaterOrEqual(t, j.Last(), told)
		require.LessOrEqual(t, j.Last(), told+5, "one commit may have been under way")
		require.EqualValues(t, j.Last(), len(entries(t, j, Position{})))
		shut(t, j)
	}
	require.Greater(t, told, int64(1000))
}

func TestAFullJournalDropsWhatIsForwardedAndNothingElse(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	o.MaxBytes = minBytes
	j := open(t, o)
	q, err := j.Queue(t.Context(), "sink", true)
	require.NoError(t, err)
	at := noon
	fill := func() error {
		at = at.Add(time.Second)
		_, err := j.Append(t.Context(), cycle(at, 60))
		return err
	}
	for err = fill(); err == nil; err = fill() {
	}
	require.ErrorIs(t, err, ErrFull)
	require.Zero(t, j.Stats(t.Context()).Dropped)
	require.EqualValues(t, j.Last(), q.Backlog(), "what is not forwarded stays")
	require.ErrorIs(t, fill(), ErrFull, "and again")
	samples, next, err := q.Next(t.Context(), int(j.Last()))
	require.NoError(t, err)
	require.Len(t, samples, int(j.Last()))
	require.NoError(t, q.Ack(t.Context(), next))
	require.NoError(t, j.rollUp(t.Context()), "rolling up fits into what is left")
	for range 300 {
		require.NoError(t, fill())
		require.NoError(t, q.Ack(t.Context(), j.Last()))
	}
	require.Positive(t, j.Stats(t.Context()).Dropped)
	require.LessOrEqual(t, j.Stats(t.Context()).Bytes, o.MaxBytes+9<<20)
}

func TestAScarceDiskGetsRoomBack(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	for i := range 1000 {
		_, err := j.Append(t.Context(), cycle(noon.Add(time.Duration(i)*time.Second), 50))
		require.NoError(t, err)
	}
	require.NoError(t, j.Maintain(t.Context()))
	full := j.Stats(t.Context()).Bytes
	shut(t, j)
	o.MinFreeBytes = 1 << 60 // no disk has that much
	j = open(t, o)
	_, err := j.Append(t.Context(), cycle(noon.Add(2*time.Hour), 1))
	require.NoError(t, err)
	require.NoError(t, j.Maintain(t.Context()))
	require.Positive(t, j.Stats(t.Context()).Dropped)
	require.Less(t, j.Stats(t.Context()).Bytes, full/2)
	require.NotEmpty(t, entries(t, j, Position{}), "the newest stays")
}

func TestOldSamplesGoAndHoursStay(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	o.MaxAge, o.HourlyAge = 2*time.Hour, 1000*time.Hour
	j := open(t, o)
	for i := range 600 {
		_, err := j.Append(t.Context(), cycle(noon.Add(time.Duration(i)*time.Minute), 2))
		require.NoError(t, err)
	}
	require.NoError(t, j.Maintain(t.Context()))
	first := entries(t, j, Position{})[0].Sample.Time
	require.WithinDuration(t, noon.Add(600*time.Minute-o.MaxAge), first, slack*time.Millisecond+2*time.Minute)
	hours, err := j.Series(t.Context(), "pA", noon, noon.Add(10*time.Hour), time.Hour)
	require.NoError(t, err)
	for _, b := range hours {
		require.EqualValues(t, 60, b.N, b.Start)
	}
}

// TestNothingIsOldBecauseTheClockLeapt: what is too old by a clock that has just leapt stays until
// readings have come for a while.
func TestNothingIsOldBecauseTheClockLeapt(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	o.MaxAge, o.HourlyAge = 2*time.Hour, 2*time.Hour
	j := open(t, o)
	minutes := func(from, n int) {
		for i := range n {
			_, err := j.Append(t.Context(), cycle(noon.Add(time.Duration(from+i)*time.Minute), 2))
			require.NoError(t, err)
		}
		require.NoError(t, j.Maintain(t.Context()))
	}
	oldest := func() time.Time { return entries(t, j, Position{})[0].Sample.Time }
	hour := func() int64 {
		series, err := j.Series(t.Context(), "pA", noon, noon.Add(time.Hour), time.Hour)
		require.NoError(t, err)
		return series[0].N
	}
	minutes(0, 60)
	const leapt = 30 * 24 * 60
	minutes(leapt, 100)
	require.Equal(t, noon, oldest())
	require.EqualValues(t, 60, hour())
	minutes(leapt+100, 200)
	require.Less(t, noon.Add((leapt-1)*time.Minute), oldest())
	require.Zero(t, hour())
}

func TestADamagedFileIsSetAsideAndNamed(t *testing.T) {
	for _, file := range []string{samplesFile, ledgerFile} {
		o := DefaultOptions(t.TempDir())
		j := open(t, o)
		// The calibration first: the first minute of data may bring the daily copy about.
		_, err := j.AddCalibration(t.Context(), site.Calibration{Point: "pA", From: noon, Gain: 2})
		require.NoError(t, err)
		_, err = j.Append(t.Context(), cycle(noon, 5))
		require.NoError(t, err)
		require.NoError(t, j.Maintain(t.Context()), "the daily copy")
		before := j.Last()
		shut(t, j)
		spoilt := []byte(strings.Repeat("rubbish ", 1000))
		require.NoError(t, os.WriteFile(filepath.Join(o.Dir, file), spoilt, 0o600))
		for _, log := range []string{"-wal", "-shm"} { // or SQLite would mend the first pages from its log
			require.NoError(t, os.RemoveAll(filepath.Join(o.Dir, file+log)))
		}
		j = open(t, o)
		require.Len(t, j.Incidents(), 1)
		kept, err := os.ReadFile(filepath.Join(o.Dir, j.Incidents()[0].File))
		require.NoError(t, err)
		require.Equal(t, len(spoilt), len(kept), "whole")
		require.Len(t, j.Calibrations(), 1, "the ledger is there, or its copy")
		last, err := j.Append(t.Context(), cycle(noon.Add(time.Hour), 5))
		require.NoError(t, err)
		require.Greater(t, last, before, "no number is given twice")
	}
}

func TestABackupIsAWholeJournal(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	for i := range 50 {
		_, err := j.Append(t.Context(), cycle(noon.Add(time.Duration(i)*time.Second), 5))
		require.NoError(t, err)
	}
	ro := o
	ro.ReadOnly = true
	reader := open(t, ro)
	target := filepath.Join(t.TempDir(), "copy")
	require.NoError(t, reader.Backup(t.Context(), target), "beside the daemon")
	require.Error(t, reader.Backup(t.Context(), target), "nothing is overwritten")
	restored := open(t, DefaultOptions(target))
	require.Equal(t, entries(t, j, Position{}), entries(t, restored, Position{}))
}
