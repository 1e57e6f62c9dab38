package procedure

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/water"
	"bayledger/agent/words"
)

// everyStep calls f with each step of each procedure, on a site that has everything, with the line
// blown out and the corrections on offer.
func everyStep(t *testing.T, language words.Language, f func(k Kind, first bool, s step)) {
	s := aSite()
	s.Language = string(language)
	s.Isolation = &site.Isolation{Enabled: true, Device: "pump", Travel: 20 * time.Second}
	b := New(s, water.New(s))
	for _, pl := range plans {
		r := &run{Kind: pl.kind, Results: []Result{{Step: "how", Answer: "blown-out"}, {Step: "sensor", Calibrations: []Correction{{Point: "A1-level", Gain: 1.1}}}}}
		if pl.perBay {
			r.Bay = "A1"
		}
		if pl.not != nil {
			require.Empty(t, pl.not(&b.house))
		}
		for i, st := range pl.steps(&b.house, r) {
			f(pl.kind, i == 0, st)
		}
	}
}

// What a step says is short, one action a line, and what can hurt there stands above it: local
// codes at the beginning of each procedure, mains at the cabinet, pressure where the supply is
// opened or a fitting loosened, air where it is let in, water where a chamber is open.
func TestEveryStepIsShortAndCautious(t *testing.T) {
	everyStep(t, words.English, func(k Kind, first bool, s step) {
		where := string(k) + ", " + s.id
		require.NotEmpty(t, s.do, where)
		require.Positive(t, s.expect, "%s: how long it takes", where)
		text := strings.ToLower(strings.Join(s.do, " "))
		cautions := strings.Join(s.caution, " ")
		for _, line := range s.do {
			require.LessOrEqual(t, utf8.RuneCountInString(line), 125, "%s: %s", where, line)
			require.NotContains(t, line, "; ", "%s: two things in one line", where)
			require.Regexp(t, `^[A-Z].*[.?!]$`, line, where)
		}
		if first {
			require.Contains(t, cautions, cautionCodes, where)
		}
		needs := func(caution string, named ...string) {
			for _, w := range named {
				if strings.Contains(text, w) {
					require.Contains(t, cautions, caution, "%s says %q", where, w)
				}
			}
		}
		needs(cautionMains, "cabinet", "controller off", "switch it on")
		needs(cautionPressure, "open the supply", "shut the supply", "strainer. tighten", "plugs.", "by hand, slowly")
		needs(cautionAir, "blow", "compressor")
		needs(cautionDrinking, "backflow preventer")
		needs(cautionWater, "chamber", "sensors back", "overflow")
		if k == WinterClose && s.id == "codes" || k == SpringOpening && s.id == "codes" {
			require.Contains(t, cautions, cautionFrost, where)
		}
	})
}

// In German a step is as short, and one action a line as well.
func TestEveryStepIsShortInGerman(t *testing.T) {
	v := words.Voice{Language: words.German}
	everyStep(t, words.German, func(k Kind, _ bool, s step) {
		where := string(k) + ", " + s.id
		require.NotRegexp(t, `\bthe\b`, v.Say(s.title), where)
		for _, line := range s.do {
			said := v.Say(line)
			require.LessOrEqual(t, utf8.RuneCountInString(said), 125, "%s: %s", where, said)
			require.NotContains(t, said, "; ", "%s: two things in one line", where)
			require.Regexp(t, `^([A-ZÄÖÜ]|A1|\d).*[.?!]$`, said, where)
		}
	})
}

// A date is written as the reader writes it.
func TestADateInARecord(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	require.Equal(t, "2026-03-20", Record{}.Answered(Result{Answer: "2026-03-20"}))
	require.Equal(t, "20.3.2026", Record{voice: words.Voice{Language: words.German, Zone: berlin}}.Answered(Result{Answer: "2026-03-20"}))
	require.Equal(t, "60 mm", Record{}.Answered(Result{Answer: "60 mm"}))
}

// What was chosen stands in a record as it was read, and not as the word that is typed.
func TestARecordHasNoTypedWords(t *testing.T) {
	everyStep(t, words.English, func(k Kind, _ bool, s step) {
		if s.ask == nil {
			return
		}
		for _, c := range s.ask.Choices {
			for _, v := range []words.Voice{{}, {Language: words.German}} {
				told := Record{voice: v}.Answered(Result{Answer: c.Word})
				if strings.HasPrefix(c.Word, "A") { // a bay
					require.Equal(t, c.Word, told)
					continue
				}
				require.NotContains(t, told, "-", "%s, %s", k, s.id)
				require.NotEmpty(t, v.Say(told))
				if k != Calibrate {
					require.Equal(t, v.Say(c.Label), told, "%s, %s", k, s.id)
				}
			}
		}
	})
}
