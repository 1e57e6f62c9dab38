package main

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/drivers/recorded"
	"bayledger/drivers/virtual"
	"bayledger/historian/journal"
)

// nightRecord is two days of the virtual pump house, with a valve that sticks open on the second
// evening, as its club would have recorded it.
type nightRecord struct {
	siteFile, csv string
	samples       []site.Sample
	stuck         time.Time
}

// night makes the record once: every test reads the same.
var night = sync.OnceValues(func() (nightRecord, error) {
	c := virtual.Default()
	c.Seed, c.Step = 7, virtual.Span(10*time.Second)
	c.Start = time.Date(2026, 7, 10, 16, 0, 0, 0, time.UTC)
	n := nightRecord{stuck: c.Start.Add(30 * time.Hour)}
	c.Faults = []virtual.Fault{{Kind: virtual.StuckOpen, Bay: "A2", From: n.stuck, Size: 100}}
	text, err := virtual.SiteYAML(c, virtual.TCPLine("127.0.0.1:1502"))
	if err != nil {
		return n, err
	}
	n.siteFile = text
	cfg, problems := sitefile.Load([]byte(text), "night.yaml")
	if len(problems) > 0 {
		return n, problems
	}
	f, err := virtual.New(c)
	if err != nil {
		return n, err
	}
	var b bytes.Buffer
	w := recorded.NewSampleWriter(&b, cfg.Site, 0)
	for t := c.Start.Add(30 * time.Second); t.Before(c.Start.Add(34 * time.Hour)); t = t.Add(30 * time.Second) {
		f.Advance(t)
		for _, p := range cfg.Site.Points {
			v, q, why := f.Read(p.ID)
			smp := site.Sample{Point: p.ID, Time: t, Value: v, Quality: q, Why: why}
			n.samples = append(n.samples, smp)
			if err := w.Sample(smp); err != nil {
				return n, err
			}
		}
	}
	err = w.Flush()
	n.csv = b.String()
	return n, err
})

// files writes the night into a folder of the test.
func files(t *testing.T) (n nightRecord, config, data string) {
	t.Helper()
	n, err := night()
	require.NoError(t, err)
	dir := t.TempDir()
	config, data = filepath.Join(dir, "night.yaml"), filepath.Join(dir, "night.csv")
	require.NoError(t, os.WriteFile(config, []byte(n.siteFile), 0o600))
	require.NoError(t, os.WriteFile(data, []byte(n.csv), 0o600))
	return n, config, data
}

func replay(t *testing.T, stdin string, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(t.Context(), append([]string{"replay"}, args...), strings.NewReader(stdin), &out, &errs)
	return out.String(), errs.String(), code
}

func TestReplayTellsTheStuckValveInOrderOfTime(t *testing.T) {
	n, config, data := files(t)
	out, errs, code := replay(t, "", "--config", config, data)
	require.Equal(t, exitDone, code, errs)
	require.NotContains(t, errs, "\x1b", "no progress display: stderr is no terminal")
	var last time.Time
	var seq int64
	var told *site.Event
	for line := range strings.Lines(out) {
		e, err := site.ParseEvent([]byte(line))
		require.NoError(t, err)
		require.False(t, e.Time.Before(last), "events stand in order of time")
		require.Greater(t, e.Seq, seq)
		last, seq = e.Time.Time, e.Seq
		if e.Kind == site.ValveStuckOpen && e.Bay == "A2" && e.State == site.Raised && told == nil {
			told = &e
		}
	}
	require.NotNil(t, told, "the stuck valve is told\n%s", out)
	require.False(t, told.Time.Before(n.stuck))
	require.Less(t, told.Time.Sub(n.stuck), 10*time.Minute)
	require.Equal(t, virtual.Default().Site, told.Site)
}

func TestReplayIsTheSameFromEverySource(t *testing.T) {
	n, config, data := files(t)
	want, errs, code := replay(t, "", "--config", config, data)
	require.Equal(t, exitDone, code, errs)
	require.NotEmpty(t, want)

	out, errs, code := replay(t, n.csv, "--config", config, "-")
	require.Equal(t, exitDone, code, errs)
	require.Equal(t, want, out, "standard input")

	// Cut in two, the second half compressed, given in the wrong order.
	lines := strings.SplitAfter(n.csv, "\n")
	half := len(lines) / 2
	a, b := filepath.Join(t.TempDir(), "a.csv"), filepath.Join(t.TempDir(), "b.csv.gz")
	require.NoError(t, os.WriteFile(a, []byte(strings.Join(lines[:half], "")), 0o600))
	var z bytes.Buffer
	zw := gzip.NewWriter(&z)
	_, err := zw.Write([]byte(lines[0] + strings.Join(lines[half:], "")))
	require.NoError(t, err)
	require.NoError(t, zw.Close())
	require.NoError(t, os.WriteFile(b, z.Bytes(), 0o600))
	out, errs, code = replay(t, "", "--config", config, b, a)
	require.Equal(t, exitDone, code, errs)
	require.Equal(t, want, out, "two files")
}

func TestReplayOfAJournal(t *testing.T) {
	n, config, _ := files(t)
	dir := t.TempDir()
	j, err := journal.Open(t.Context(), journal.DefaultOptions(dir))
	require.NoError(t, err)
	for i := 0; i < len(n.samples); i += 2000 {
		_, err := j.Append(t.Context(), n.samples[i:min(i+2000, len(n.samples))])
		require.NoError(t, err)
	}
	require.NoError(t, j.Close())
	out, errs, code := replay(t, "", "--config", config, dir)
	require.Equal(t, exitDone, code, errs)
	require.Contains(t, out, `"bay":"A2","kind":"valve-stuck-open","state":"raised"`)

	_, errs, code = replay(t, "", "--config", config, dir, dir)
	require.Equal(t, exitInput, code)
	require.Contains(t, errs, "is a folder: replay one journal alone, or files")
	_, errs, code = replay(t, "", "--config", config, t.TempDir())
	require.Equal(t, exitInput, code, "a folder without a journal: %s", errs)
}

// TestReplayAccountCloses: each line of the account obeys its own equation, and the water metered
// is what the register moved by.
func TestReplayAccountCloses(t *testing.T) {
	_, config, data := files(t)
	out, errs, code := replay(t, "", "--config", config, "--account", "-", data)
	require.Equal(t, exitDone, code, errs)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, accountHeader, rows[0])
	col := map[string]int{}
	for i, name := range rows[0] {
		col[name] = i
	}
	closed := 0
	for _, row := range rows[1:] {
		v := func(name string) float64 {
			x, err := strconv.ParseFloat(row[col[name]], 64)
			require.NoError(t, err, "%s of %v", name, row)
			return x
		}
		if row[col["unexplained_l"]] == "" {
			continue
		}
		closed++
		left := v("metered_l") + v("by_hand_l") + v("rain_l") - v("evaporated_l") - v("overflow_l") - v("held_l")
		require.InDelta(t, v("unexplained_l"), left, 0.4, "seven figures rounded to 0.1 L: %v", row)
		require.Positive(t, v("unexplained_u_l"))
	}
	require.Positive(t, closed, "the day that closed at midnight is there\n%s", out)

	file := filepath.Join(t.TempDir(), "account.csv")
	events, errs, code := replay(t, "", "--config", config, "--account", file, data)
	require.Equal(t, exitDone, code, errs)
	require.Contains(t, events, "valve-stuck-open", "beside a file the events are told as ever")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, out, string(text))
}

func TestReplayExplains(t *testing.T) {
	n, config, data := files(t)
	local := n.stuck.Add(10 * time.Minute).In(time.FixedZone("CEST", 2*3600)).Format("2006-01-02T15:04")
	out, errs, code := replay(t, "", "--config", config, "--explain", "A2", local, data)
	require.Equal(t, exitDone, code, errs)
	require.Contains(t, out, "Open alarms:")
	require.Contains(t, out, "valve-stuck-open")
	require.NotContains(t, out, `"kind"`, "evidence in place of events")

	out, errs, code = replay(t, "", "--config", config, "--explain", "B1", n.stuck.Add(-20*time.Hour).Format(time.RFC3339), data)
	require.Equal(t, exitDone, code, errs)
	require.Contains(t, out, "No alarm is open.")

	for _, bad := range [][]string{{"--explain", "A9", "2026-07-11T02:00"}, {"--explain", "A1", "yesterday"}, {"--explain", "A1", "2025-07-11T02:00"}, {"--explain", "A1", "2027-07-11T02:00"}, {"--explain", "A1"}} {
		_, errs, code = replay(t, "", append(append([]string{"--config", config}, bad...), data)...)
		require.Equal(t, exitInput, code, "%v: %s", bad, errs)
	}
}

// TestReplayAccountOfShortAndLongDays: accounts close at the club's own midnight, also where its
// clocks go forward (a day of 23 hours) and back (25), and each begins where the one before ended.
// Clocks in Vienna: 2026-03-29 and 2026-10-25, by the rule of Directive 2000/84/EC.
func TestReplayAccountOfShortAndLongDays(t *testing.T) {
	vienna, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	config := filepath.Join(t.TempDir(), "long.yaml")
	require.NoError(t, os.WriteFile(config, []byte(longSite(1)), 0o600))
	for _, row := range []struct {
		day   string
		hours float64
	}{{"2026-03-29", 23}, {"2026-10-25", 25}, {"2026-07-05", 24}} {
		day, err := time.ParseInLocation(time.DateOnly, row.day, vienna)
		require.NoError(t, err)
		var b strings.Builder
		b.WriteString("time,bay,level_mm,flow_lpm,meter_l,valve_open,setpoint_mm\n")
		for at, i := day.AddDate(0, 0, -1).UTC(), 0; at.Before(day.AddDate(0, 0, 2)); at, i = at.Add(time.Minute), i+1 {
			fmt.Fprintf(&b, "%s,A1,%.1f,0,1000,0,85\n", at.Format(time.RFC3339), 84-0.001*float64(i)+0.1*float64(i%3))
		}
		out, errs, code := replay(t, b.String(), "--config", config, "--account", "-", "-")
		require.Equal(t, exitDone, code, errs)
		rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
		require.NoError(t, err)
		var last string
		found := false
		for _, r := range rows[1:] {
			from, err := time.Parse(time.RFC3339, r[2])
			require.NoError(t, err)
			to, err := time.Parse(time.RFC3339, r[3])
			require.NoError(t, err)
			require.True(t, last == "" || last == r[2], "%s begins where the day before ended", r[0])
			last = r[3]
			if r[0] == row.day {
				found = true
				require.Equal(t, row.hours, to.Sub(from).Hours(), row.day)
				require.True(t, from.Equal(day) && to.Equal(day.AddDate(0, 0, 1)), "%s to %s", from, to)
			}
		}
		require.True(t, found, "%s\n%s", row.day, out)
	}
}

func TestReplayRefusesWrongInput(t *testing.T) {
	n, config, data := files(t)
	lines := strings.SplitAfter(n.csv, "\n")
	put := func(name, text string) string {
		path := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	swapped := put("swapped.csv", lines[0]+lines[20]+lines[1])
	stranger := put("stranger.csv", lines[0]+lines[1]+strings.Replace(lines[2], ",A2,", ",C9,", 1))
	unknown := put("unknown.csv", "time,bay,level_cm\n")
	for _, c := range []struct {
		name string
		args []string
		want string
	}{
		{"rows out of order", []string{"--config", config, swapped}, swapped + ":3: the rows are not in time order"},
		{"a bay the site file lacks", []string{"--config", config, stranger}, stranger + ":3: bay C9 is not in the site file"},
		{"an unknown column", []string{"--config", config, unknown}, unknown + `:1: unknown column "level_cm"`},
		{"no such data", []string{"--config", config, data + ".none"}, "no such file"},
		{"no such site file", []string{"--config", config + ".none", data}, "no such file"},
		{"a wrong site file", []string{"--config", put("bad.yaml", "site: {id: x}\n"), data}, "bad.yaml:1:"},
		{"no data named", []string{"--config", config}, "data"},
		{"no site file named", []string{data}, "--config"},
	} {
		t.Run(c.name, func(t *testing.T) {
			out, errs, code := replay(t, "", c.args...)
			require.Equal(t, exitInput, code, errs)
			require.Contains(t, errs, c.want)
			require.NotContains(t, out, "{")
		})
	}
}

func TestReplayLeavesOutWhatIsNotRecorded(t *testing.T) {
	_, config, _ := files(t)
	var b strings.Builder
	b.WriteString("time,bay,level_mm\n")
	for i := range 200 {
		fmt.Fprintf(&b, "%s,A1,%.1f\n", time.Date(2026, 7, 10, 16, 0, 30*i, 0, time.UTC).Format(time.RFC3339), 80+float64(i%3)/10)
	}
	out, errs, code := replay(t, b.String(), "--config", config, "-")
	require.Equal(t, exitDone, code, errs)
	require.NotContains(t, out, "no-data", "an instrument that was not recorded is not missed")
	require.Contains(t, errs, "not in the data, so not watched: ")
	require.Contains(t, errs, "A1-flow")
}
