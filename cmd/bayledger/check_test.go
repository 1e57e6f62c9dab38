package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/drivers/modbus"
	"bayledger/historian/journal"
)

// runCheck runs the command and returns what it says and its exit code.
func runCheck(t *testing.T, file string, asJSON bool) (stdout, stderr string, code int) {
	t.Helper()
	var out, errs strings.Builder
	c := checkCmd{Config: file, JSON: asJSON}
	code = exitCode(c.Run(&environment{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: &out, Stderr: &errs}), &errs)
	return out.String(), errs.String(), code
}

func TestCheckShippedFiles(t *testing.T) {
	files, err := filepath.Glob("../../configs/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		out, errs, code := runCheck(t, file, false)
		require.Equal(t, exitDone, code, errs)
		require.Empty(t, errs)
		require.Contains(t, out, file+": no mistakes")
		require.Contains(t, out, "held at it")

		out, _, code = runCheck(t, file, true)
		require.Equal(t, exitDone, code)
		var r checkReport
		require.NoError(t, json.Unmarshal([]byte(out), &r))
		require.True(t, r.OK)
		require.True(t, r.Runnable)
		require.NotEmpty(t, r.Bays)
		require.NotEmpty(t, r.Bays[0].Findings)
		require.Positive(t, *r.Bays[0].HeldL)
		require.NotEmpty(t, r.Points[0].Register)
		require.NotEmpty(t, r.Values)
	}
}

// TestCheckHeldWater: 100 m2 of even stone of porosity 0.3, filled to 80 mm, hold 2400 L; the
// surface layer begins well above. An exact answer: area times porosity times level.
func TestCheckHeldWater(t *testing.T) {
	file := filepath.Join(t.TempDir(), "site.yaml")
	require.NoError(t, os.WriteFile(file, []byte(`site: { id: club, zone: UTC }
courts: [ { id: A, bays: [ { id: A1, area: 100 m2, floor_uneven: 0 mm, set_point: 80 mm, points: { level: },
  layers: [ { name: stone, depth: 150 mm, porosity: 0.3 }, { name: clay, depth: 25 mm, porosity: 0.05 } ] } ] } ]
`), 0o600))
	out, _, code := runCheck(t, file, true)
	require.Equal(t, exitDone, code)
	var r checkReport
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	require.InDelta(t, 2400, *r.Bays[0].HeldL, 1)
	require.False(t, r.Runnable)

	out, _, _ = runCheck(t, file, false)
	require.Contains(t, out, "good for replay and report, not for run")
}

// TestCheckSaysTheLoadOfALine: the shipped RS-485 file, worked out by hand from the serial line
// specification V1.02: 11 bits a character at 9600 baud are 1.14583 ms, a silence 4.01042 ms. A
// request has 8 characters; two registers answer with 9, two bits with 6. Four units of two
// registers take 4 x (17 characters + 2 silences) = 110 ms, the relays 24.0625 ms, of 5 s.
func TestCheckSaysTheLoadOfALine(t *testing.T) {
	out, _, code := runCheck(t, "../../configs/rs485-line.yaml", true)
	require.Equal(t, exitDone, code)
	var r checkReport
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	require.Len(t, r.Lines, 1)
	l := r.Lines[0]
	require.InDelta(t, 0.1340625/5, *l.Share, 1e-5)
	require.InDelta(t, 1, *l.RequestsPerS, 1e-9)
	require.InDelta(t, 0.0275, *l.LongestS, 1e-5)
	require.Len(t, l.Parts, 5)
	require.Equal(t, "count-c1", l.Parts[0].Device)
	require.InDelta(t, (0.0275+0.020)/5, l.Parts[0].Share, 1e-5, "its turnaround counts")

	// Asked too often: what is to be slowed down, and by how much, with the line of the link.
	text, err := os.ReadFile("../../configs/rs485-line.yaml")
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "often.yaml")
	often := strings.Replace(string(text), "head: { mount: 12 mm } }", "head: { mount: 12 mm }, interval: 100 ms }", 1)
	require.NotEqual(t, string(text), often)
	often = strings.Replace(often, "travel: 25 s }", "travel: 25 s, interval: 100 ms }", 1)
	require.NoError(t, os.WriteFile(file, []byte(often), 0o600))
	_, errs, code := runCheck(t, file, false)
	require.Equal(t, exitInput, code)
	require.Regexp(t, `often.yaml:\d+:\d+: line line-1 cannot keep up: it would be busy \d+ % of the time, .* raise the interval of all 3 devices read so often from 100 ms to 200 ms`, errs)
}

func TestCheckSaysEveryMistake(t *testing.T) {
	file := "../../testdata/sitefile/bad/table-missing.yaml"
	want, err := os.ReadFile("../../testdata/sitefile/bad/table-missing.want")
	require.NoError(t, err)
	out, errs, code := runCheck(t, file, false)
	require.Equal(t, exitInput, code)
	require.Empty(t, out)
	for line := range strings.Lines(string(want)) {
		require.Contains(t, errs, "../../testdata/sitefile/bad/"+line)
	}

	out, _, code = runCheck(t, file, true)
	require.Equal(t, exitInput, code)
	var r checkReport
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	require.False(t, r.OK)
	require.Len(t, r.Problems, 2)
	require.Positive(t, r.Problems[0].Line)
	require.NotEmpty(t, r.Problems[0].Fix)

	_, errs, code = runCheck(t, filepath.Join(t.TempDir(), "absent.yaml"), false)
	require.Equal(t, exitInput, code)
	require.Contains(t, errs, "absent.yaml")
}

// TestCheckTellsWhatPeopleAccepted: a calibration and a set point put on record are said with the
// line to paste, until a later file changes the same key.
func TestCheckTellsWhatPeopleAccepted(t *testing.T) {
	dir := t.TempDir()
	text := `site: { id: club, zone: UTC }
courts: [ { id: A, bays: [ { id: A1, area: 100 m2, set_point: 80 mm, points: { level: { zero: 2 mm } },
  layers: [ { name: stone, depth: 150 mm, porosity: 0.3 } ] } ] } ]
journal: { dir: ` + dir + ` }
`
	cfg, problems := sitefile.Load([]byte(text), "site.yaml")
	require.Empty(t, problems)
	at := time.Date(2025, 6, 1, 12, 0, 0, 0, time.UTC)
	j, err := journal.Open(t.Context(), cfg.Journal)
	require.NoError(t, err)
	put := func(r site.Record) {
		r.Time, r.Who = at, "groundskeeper"
		at = at.Add(time.Hour)
		_, err := j.AppendRecord(t.Context(), r)
		require.NoError(t, err)
	}
	put(site.Record{Kind: site.RecSiteFile, Subject: cfg.Site.Revision, Text: text, Value: site.Unknown(), Value2: site.Unknown()})
	put(site.Record{Kind: site.RecCalibration, Subject: "A1-level", Value: 1, Value2: 0.005})
	put(site.Record{Kind: site.RecSetPoint, Bay: "A1", Value: 0.084, Value2: site.Unknown()})
	require.NoError(t, j.Close())

	file := filepath.Join(t.TempDir(), "site.yaml")
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	out, errs, code := runCheck(t, file, false)
	require.Equal(t, exitDone, code, errs)
	require.Contains(t, out, "calibration A1-level: +5 mm holds in place of the file's +2 mm, accepted by groundskeeper on 2025-06-01 13:00; to keep it in the file write gain: 1, zero: 5 mm")
	require.Contains(t, out, "set point A1: 84 mm holds in place of the file's 80 mm")
	require.Contains(t, out, "write set_point: 84 mm")

	// Somebody edits the zero: the later edit of the same key wins, the set point still holds.
	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(text, "zero: 2 mm", "zero: 3 mm", 1)), 0o600))
	out, _, code = runCheck(t, file, false)
	require.Equal(t, exitDone, code)
	require.NotContains(t, out, "calibration A1-level: +5 mm")
	require.Contains(t, out, "set point A1: 84 mm holds")
}

// TestCheckTold: who is told, how it is answered, and that nobody is reached with the internet cut
// is said before it happens.
func TestCheckTold(t *testing.T) {
	text, err := os.ReadFile("../../configs/smallest.yaml")
	require.NoError(t, err)
	people := "notice:\n  mail: { server: \"mail.example.org:465\", from: watch@example.org }\n  people:\n    - { id: anna, mail: anna@example.org }\n"
	users := "page: { users_file: /var/lib/bayledger/users, url: \"https://courts.example.net\" }\n"
	rows := []struct {
		name, more, says, never string
		cutOff                  bool
	}{
		{"an ops team", "", "by the shipped rules", "the link in the notice", true},
		{"own notices", people, "nobody is told with the internet cut", "the link in the notice", true},
		{"with a page", people + users, "answered by the link in the notice, or the page at https://courts.example.net", "", true},
		{"with a modem", people + "    - { id: board, webhook: \"env:BOARD\", when_unanswered: yes, own_line: yes }\n", "still told with the internet cut: board", "nobody is told", false},
	}
	for _, row := range rows {
		file := filepath.Join(t.TempDir(), "site.yaml")
		require.NoError(t, os.WriteFile(file, append(text, row.more...), 0o600))
		out, errs, code := runCheck(t, file, false)
		require.Equal(t, exitDone, code, errs)
		require.Contains(t, out, row.says, row.name)
		if row.never != "" {
			require.NotContains(t, out, row.never, row.name)
		}
		out, _, _ = runCheck(t, file, true)
		var r checkReport
		require.NoError(t, json.Unmarshal([]byte(out), &r))
		require.Equal(t, row.cutOff, r.Told.CutOff, row.name)
	}
}

// The order of words says nothing of a number that takes one register, though a device may have one for all its points.
func TestRegisterWordsOrder(t *testing.T) {
	for _, c := range []struct {
		decode modbus.Decode
		want   string
	}{
		{modbus.Decode{Type: modbus.Float32, Order: modbus.CDAB}, "input 4, float32 CDAB"},
		{modbus.Decode{Type: modbus.Float32, Order: modbus.ABCD}, "input 4, float32"},
		{modbus.Decode{Type: modbus.Int16, Order: modbus.CDAB}, "input 4, int16"},
		{modbus.Decode{Type: modbus.Int16, Order: modbus.BADC}, "input 4, int16 BADC"},
		{modbus.Decode{Type: modbus.BitOf, Bit: 3, Order: modbus.CDAB}, "input 4, bit-of 3"},
	} {
		require.Equal(t, c.want, registerWords(modbus.PointMap{Table: modbus.Input, Address: 4, Decode: c.decode}))
	}
}
