package alarm

import (
	"bytes"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
	"bayledger/agent/site"
	"bayledger/agent/words"
)

var update = flag.Bool("update", false, "write the generated files")

const deploy = "../../deploy"

func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	var errs bytes.Buffer
	cmd := exec.Command(servertest.Program(t, name), args...)
	cmd.Stderr = &errs
	out, err := cmd.Output()
	require.NoError(t, err, "%s %v:\n%s%s", name, args, out, &errs)
	return string(out)
}

// TestRules: the file that ships is what the table gives, and promtool takes it.
func TestRules(t *testing.T) {
	path := filepath.Join(deploy, "prometheus", "bayledger.rules.yml")
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(Rules(1)), 0o644))
	}
	have, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, Rules(1), string(have), "run: go test ./agent/alarm -run TestRules -update")
	tool(t, "promtool", "check", "rules", path)
	fast := filepath.Join(t.TempDir(), "fast.yml")
	require.NoError(t, os.WriteFile(fast, []byte(Rules(60)), 0o600))
	tool(t, "promtool", "check", "rules", fast)
	require.Contains(t, Rules(60), "for: 15s", "15 minutes divided by 60")
	require.NotContains(t, Rules(1e6), ": 0s")
	require.NotContains(t, string(have), "{bay}")
}

// TestPromtool runs the unit tests of the rules.
func TestPromtool(t *testing.T) {
	t.Parallel() // a second process that takes as long as all other tests together
	tool(t, "promtool", "test", "rules", filepath.Join(deploy, "prometheus", "bayledger.rules.test.yml"))
	tool(t, "promtool", "check", "config", "--syntax-only", filepath.Join(deploy, "prometheus", "prometheus.yml"))
}

var heading = regexp.MustCompile(`(?m)^## (\S+)$`)

// TestRunbook: every alert has its entry and no entry is left of an alert that is gone; the
// first action is the table's own sentence.
func TestRunbook(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(deploy, "prometheus", "runbook.md"))
	require.NoError(t, err)
	var have []string
	entry := map[string]string{}
	found := heading.FindAllStringSubmatchIndex(string(text), -1)
	for i, m := range found {
		name, end := string(text[m[2]:m[3]]), len(text)
		if i+1 < len(found) {
			end = found[i+1][0]
		}
		have = append(have, name)
		entry[name] = string(text[m[1]:end])
	}
	want := AlertNames()
	slices.Sort(have)
	slices.Sort(want)
	require.Equal(t, want, have)
	plain := func(s string) string {
		return strings.NewReplacer("bay {bay}", "the bay", "{shut-off}", "the shut-off place").Replace(s)
	}
	for _, k := range site.Kinds {
		if e, ok := entry[AlertName(k.Kind)]; ok {
			require.Contains(t, e, plain(k.FirstAction), k.Kind)
			require.Contains(t, e, plain(k.DoNot), k.Kind)
			for _, part := range []string{"**" + k.Title + "**", k.Says, k.Consequence, k.Ends, "- Check: "} {
				require.Contains(t, e, part, k.Kind)
			}
			require.Contains(t, e, "Whose: "+k.Owner, k.Kind)
			respond := map[time.Duration]string{24 * time.Hour: "a day", 7 * 24 * time.Hour: "a week"}[k.Respond]
			if respond == "" {
				respond = words.Of(nil).Span(k.Respond)
				respond = strings.NewReplacer(" min", " minutes", " h", " hours").Replace(respond)
			}
			require.Positive(t, k.Respond, k.Kind)
			require.Contains(t, e, "Time to respond: about "+respond+".", k.Kind)
		}
	}
}

// TestAlertmanager: the configuration is sound and every kind of alert goes where it should.
func TestAlertmanager(t *testing.T) {
	path := filepath.Join(deploy, "alertmanager", "alertmanager.yml")
	tool(t, "amtool", "check-config", path)
	rows := []struct {
		name   string
		labels []string
		want   string
	}{
		{"urgent alarm", []string{"alertname=BayledgerValveStuckOpen", "severity=urgent", "site=riedhof", "bay=A1", "kind=valve-stuck-open"}, "on-call"},
		{"warning", []string{"alertname=BayledgerLeak", "severity=warning", "site=riedhof", "bay=A1", "kind=leak"}, "morning"},
		{"unanswered", []string{"alertname=BayledgerUnanswered", "severity=urgent", "escalate=second", "site=riedhof"}, "second-on-call"},
		{"answered", []string{"alertname=BayledgerAnswered", "severity=none", "site=riedhof", "bay=A1", "kind=leak"}, "nobody"},
		{"dead daemon", []string{"alertname=BayledgerDown", "severity=urgent", "site=riedhof"}, "on-call"},
		{"watch's own trouble", []string{"alertname=BayledgerSiteFileRefused", "severity=warning", "site=riedhof"}, "morning"},
		{"heartbeat", []string{"alertname=BayledgerHeartbeat", "severity=none"}, "heartbeat"},
		{"something nobody thought of", []string{"alertname=Other"}, "morning"},
	}
	for _, row := range rows {
		out := tool(t, "amtool", append([]string{"config", "routes", "test", "--config.file=" + path}, row.labels...)...)
		require.Equal(t, row.want, strings.TrimSpace(out), row.name)
	}
}
