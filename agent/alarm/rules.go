package alarm

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
)

// AlertName is the name of the Prometheus alert of a kind.
func AlertName(k site.Kind) string {
	name := "Bayledger"
	for part := range strings.SplitSeq(string(k), "-") {
		name += strings.ToUpper(part[:1]) + part[1:]
	}
	return name
}

// Rules renders the Prometheus rules from the table of kinds: one alert for each kind and
// severity it can have, those about the watch itself, the escalation and the heartbeat. Every
// duration is divided by factor and is never below one second: 1 gives the file that ships,
// deploy/prometheus/bayledger.rules.yml, more is for a test whose clock runs faster. What is said
// about the watch rests on scrapes, which are never faster, so it is given ten seconds at least.
// factor must be at least 1.
//
// The labels of an alert never change while it fires. A warning that turns urgent is another
// alert, so it is told once more.
func Rules(factor float64) string {
	w := rules{factor: factor}
	w.line("# Generated from the table of kinds: go test ./agent/alarm -run TestRules -update. Do not edit.")
	w.line("groups:")
	w.line("  - name: bayledger-alarms")
	w.line("    interval: %s", w.d(15*time.Second))
	w.line("    rules:")
	w.line("      # What stands on its own now. While a site is not scraped at all, what stood last is held for")
	w.line("      # a day: a dead daemon must not read as an alarm that is over. A site that tells its people itself")
	w.line("      # (notice: in its site file) is left out: one alarm is told on one route.")
	w.held("held", `(max by (site, bay, kind, subject, severity) (bayledger_alarm) unless on (site) max by (site) (bayledger_site_tells_itself) == 1)`)
	w.line("      # What somebody has answered, held in the same way: it is repeated to nobody.")
	w.held("answered", `(max by (site, bay, kind, subject) (bayledger_alarm_acknowledged) == 1)`)
	w.head("BayledgerAnswered", "bayledger:alarm:answered", "", "", "severity", "none")
	w.annotate("summary", placeText, ": {{ $labels.kind }} is answered")
	w.annotate("description", "Told to nobody: while it fires Alertmanager repeats nothing of the alarm.")
	w.annotate("runbook", runbook("BayledgerAnswered"))
	for _, k := range site.Kinds {
		for _, s := range severitiesOf(k) {
			w.kind(k, s)
		}
	}
	for _, k := range site.Kinds {
		if slices.Contains(severitiesOf(k), site.Urgent) {
			w.escalation(k)
		}
	}
	w.line("  - name: bayledger-watch")
	w.line("    interval: %s", w.d(15*time.Second))
	w.line("    rules:")
	for _, a := range watchAlerts {
		w.watch(a)
	}
	return w.b.String()
}

// held records what stands now, and while a site is not scraped what stood last, for a day.
func (w *rules) held(name, expr string) {
	w.line("      - record: bayledger:alarm:%s", name)
	w.line("        expr: |")
	w.line("          %s", expr)
	w.line("          or (")
	w.line("            bayledger:alarm:%s", name)
	w.line("            unless on (site) max by (site) (bayledger_start_timestamp_seconds)")
	w.line("            and on (site) max by (site) (last_over_time(bayledger_start_timestamp_seconds[%s]))", w.d(24*time.Hour))
	w.line("          )")
}

// severitiesOf are the severities that are told to anybody.
func severitiesOf(k site.KindInfo) []site.Severity {
	switch k.Severity {
	case site.LogOnly:
		return nil
	case site.Morning:
		if len(k.Explains) == 0 || k.FalseReadings {
			return []site.Severity{site.Warning}
		}
		// Urgent when what it does is.
	}
	return []site.Severity{site.Urgent, site.Warning}
}

// The durations of the rules.
const (
	// alertFor keeps an alert from firing before a Prometheus that has just started knows its
	// Alertmanager: it would be dropped.
	alertFor = 30 * time.Second
	// keepFiring bridges a restart of the daemon.
	keepFiring = 5 * time.Minute
	// EscalateAfter is how long an urgent alarm may go unanswered.
	EscalateAfter = 15 * time.Minute
)

type watchAlert struct {
	name, expr string // expr holds %s for window
	window     time.Duration
	wait       time.Duration
	severity   string
	summary    string
	text       string
}

// watchAlerts are about the watch itself, seen from outside.
var watchAlerts = []watchAlert{
	{"BayledgerDown", `max by (site, instance) (up{job="bayledger"}) == 0`, 0, 3 * time.Minute, "urgent",
		`{{ $labels.site }}: the watch does not answer`,
		"Prometheus cannot reach bayledger at {{ $labels.instance }}: no bay of this site is watched from here. First: is the site's internet up, and does the machine answer? If it does, look at systemctl status bayledger."},
	{"BayledgerAbsent", `absent(up{job=~"bayledger|bayledger-hub"})`, 0, 5 * time.Minute, "urgent",
		"No site is scraped",
		"Prometheus has no target of the jobs bayledger and bayledger-hub: nobody is watched. First: look at the scrape configuration and its targets file."},
	{"BayledgerStalled", `max by (site) (changes(bayledger_data_time_timestamp_seconds[%s])) == 0`, 10 * time.Minute, 5 * time.Minute, "urgent",
		`{{ $labels.site }}: the watch stands still`,
		"bayledger answers but its data time has not moved for 10 minutes: nothing is being watched. First: restart it (systemctl restart bayledger) and read its log."},
	{"BayledgerRestarting", `max by (site) (changes(bayledger_start_timestamp_seconds[%s])) > 3`, time.Hour, 0, "warning",
		`{{ $labels.site }}: the watch keeps restarting`,
		"bayledger has started {{ $value }} times within an hour. First: journalctl -u bayledger, and the power supply of the machine."},
	{"BayledgerSiteFileRefused", `max by (site) (bayledger_site_file_reload_failed) == 1`, 0, 5 * time.Minute, "warning",
		`{{ $labels.site }}: the newest site file was refused`,
		"An older site file is running. First: bayledger check --config /etc/bayledger/site.yaml names every mistake with its line."},
	{"BayledgerMaintenance", `max by (site, bay) (bayledger_maintenance_until_timestamp_seconds) > time()`, 0, 12 * time.Hour, "warning",
		`{{ $labels.site }}{{ if $labels.bay }}, bay {{ $labels.bay }}{{ end }}: work has been on record for 12 hours`,
		`Nothing is told of it until {{ ($value | toTime).Format "Mon 2 Jan 15:04" }} UTC. First: ask whoever works there; when the work is over, end it on the alarms page.`},
	{"BayledgerSiteSilent", `max by (site) (bayledger_hub_site_up) == 0`, 0, 3 * time.Minute, "urgent",
		`{{ $labels.site }}: nothing is heard of the watch`,
		"The site has not been heard over the broker, or has said that it stops: no bay of it is watched from here. Its own page and notices go on where its machine runs. First: is the site's internet up, and does the machine answer? If it does, look at systemctl status bayledger."},
	{"BayledgerHubCutOff", `max(bayledger_hub_connected) == 0 or max(up{job="bayledger-hub"}) == 0`, 0, 2 * time.Minute, "urgent",
		`No hub hears any site`,
		"Every replica of the hub is down or without its broker: no site is watched from here, and none is called silent. First: the broker, then systemctl status of the hubs."},
	{"BayledgerHubDown", `max by (instance) (up{job="bayledger-hub"}) == 0 or max by (instance) (bayledger_hub_connected) == 0`, 0, 10 * time.Minute, "warning",
		`The hub {{ $labels.instance }} does not hear the sites`,
		"This replica is down or without its broker; the others go on. First: systemctl status of the hub on that machine, and whether it reaches the broker."},
	{"BayledgerHubRefuses", `max by (reason) (increase(bayledger_hub_refused_total[%s])) > 0`, time.Hour, 0, "warning",
		`The hub refuses messages: {{ $labels.reason }}`,
		"Somebody publishes what is not a known site's own, or a new site has not been named to the hub. First: the hub's log names unknown sites; add the site to its list, or take the access away at the broker."},
	{"BayledgerHeartbeat", `vector(1)`, 0, 0, "none",
		"Heartbeat", "Always firing: a watcher outside expects it and calls when it stops, for then Prometheus or Alertmanager is dead."},
}

// AlertNames are the names of all alerts, in the order of the rules.
func AlertNames() []string {
	var names []string
	for _, k := range site.Kinds {
		if len(severitiesOf(k)) > 0 {
			names = append(names, AlertName(k.Kind))
		}
	}
	names = append(names, "BayledgerAnswered", "BayledgerUnanswered")
	for _, a := range watchAlerts {
		names = append(names, a.name)
	}
	return names
}

type rules struct {
	b      strings.Builder
	factor float64
}

func (w *rules) line(format string, args ...any) {
	if len(args) == 0 {
		w.b.WriteString(format)
	} else {
		fmt.Fprintf(&w.b, format, args...)
	}
	w.b.WriteByte('\n')
}

// d is a duration of the rules as Prometheus writes it, divided by the factor.
func (w *rules) d(d time.Duration) string {
	d = max(time.Duration(float64(d)/w.factor).Round(time.Second), time.Second)
	for _, u := range []struct {
		d time.Duration
		s string
	}{{24 * time.Hour, "d"}, {time.Hour, "h"}, {time.Minute, "m"}} {
		if d%u.d == 0 {
			return fmt.Sprintf("%d%s", d/u.d, u.s)
		}
	}
	return fmt.Sprintf("%ds", d/time.Second)
}

// scrapes is d for what rests on scrapes.
func (w *rules) scrapes(d time.Duration) string {
	if d == 0 {
		return ""
	}
	return w.d(max(d, time.Duration(float64(leastScrapes)*w.factor)))
}

const leastScrapes = 10 * time.Second

// yaml quotes a text as a YAML scalar in one line.
func yaml(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }

func (w *rules) head(name, expr, wait, keep string, labels ...string) {
	w.line("      - alert: %s", name)
	w.line("        expr: |")
	w.line("          %s", expr)
	if wait != "" {
		w.line("        for: %s", wait)
	}
	if keep != "" {
		w.line("        keep_firing_for: %s", keep)
	}
	w.line("        labels:")
	for i := 0; i < len(labels); i += 2 {
		w.line("          %s: %s", labels[i], labels[i+1])
	}
	w.line("        annotations:")
}

// annotate writes one annotation.
func (w *rules) annotate(name string, text ...string) {
	w.line("          %s: %s", name, yaml(strings.Join(text, "")))
}

const selector = `{site=%q,bay=%q,kind=%q,subject=%q}`

// figure is a template that looks a number of the alarm up and puts it into words.
func figure(metric, words string) string {
	return `{{ with printf "` + metric + strings.ReplaceAll(selector, `"`, `\"`) +
		`" $labels.site $labels.bay $labels.kind $labels.subject | query }}` + words + `{{ end }}`
}

const (
	gallons   = `{{ if printf "bayledger_site_info{site=%q,units=\"in/gal\"}" $labels.site | query }}`
	bayText   = `{{ with printf "bayledger_bay_info{site=%q,bay=%q}" $labels.site $labels.bay | query }}{{ or (. | first | label "name") $labels.bay }}{{ else }}{{ $labels.bay }}{{ end }}`
	placeText = `{{ with printf "bayledger_site_info{site=%q}" $labels.site | query }}{{ . | first | label "name" }}{{ else }}{{ $labels.site }}{{ end }}` +
		`{{ if $labels.bay }}, bay ` + bayText + `{{ end }}` +
		`{{ if $labels.subject }}, {{ $labels.subject }}{{ end }}`
)

// amount is a volume or rate in the site's units.
func amount(metric, perSI, perUS, si, us, before string) string {
	scaled := func(factor string) string {
		return `{{ printf "` + metric + strings.ReplaceAll(selector, `"`, `\"`) + ` * ` + factor + `" $labels.site $labels.bay $labels.kind $labels.subject | query | first | value | printf "%.0f" }}`
	}
	return figure(metric, before+gallons+scaled(perUS)+us+`{{ else }}`+scaled(perSI)+si+`{{ end }}`)
}

// numbers are rate, volume with uncertainty and the times left, as far as they are known.
func numbers(soft string) string {
	return amount("bayledger_alarm_rate_cubic_meters_per_second", "3.6e6", "951019.4", " L/h.", " gal/h.", " Rate: ") +
		amount("bayledger_alarm_volume_cubic_meters", "1000", "264.172", " L", " gal", " So far: ") +
		amount("bayledger_alarm_volume_uncertainty_cubic_meters", "1000", "264.172", " L", " gal", " ± ") +
		figure("bayledger_alarm_volume_cubic_meters", ".") +
		timeLeft("bayledger_alarm_time_to_crest_seconds", "the overflow runs") + timeLeft("bayledger_alarm_time_to_soft_seconds", soft)
}

// timeLeft is how long it is until something comes about, or that it has.
func timeLeft(metric, what string) string {
	return figure(metric, `{{ if lt (. | first | value) 60.0 }} `+strings.ToUpper(what[:1])+what[1:]+` now.{{ else }} Until `+what+`: {{ . | first | value | humanizeDuration }}.{{ end }}`)
}

// consequence is what happens when nobody acts, or that the overflow keeps it from happening.
func consequence(text string) string {
	return strings.TrimSuffix(figure("bayledger_alarm_overflow_carries", ` The overflow carries the whole flow: `+carriedWords+`.`), "{{ end }}") +
		"{{ else }} If nobody acts: " + text + ".{{ end }}"
}

// since is the onset in UTC and, where the site tells its offset, on the site's clock.
func since() string {
	return figure("bayledger_alarm_since_timestamp_seconds", ` Since {{ (. | first | value | toTime).Format "Mon 2 Jan 15:04" }} UTC`) +
		`{{ with printf "bayledger_alarm_since_timestamp_seconds` + strings.ReplaceAll(selector, `"`, `\"`) +
		` + on (site) group_left () max by (site) (bayledger_site_utc_offset_seconds)" $labels.site $labels.bay $labels.kind $labels.subject | query }}` +
		` ({{ (. | first | value | toTime).Format "Mon 2 Jan 15:04" }} at the site){{ end }}` + figure("bayledger_alarm_since_timestamp_seconds", ".")
}

// words fills the table's placeholders with templates.
func alertWords(text string) string {
	return strings.NewReplacer("{bay}", bayText,
		"{shut-off}", `{{ with printf "bayledger_site_info{site=%q}" $labels.site | query }}{{ or (. | first | label "shut_off") "the main valve" }}{{ else }}the main valve{{ end }}`).Replace(text)
}

func (w *rules) kind(k site.KindInfo, s site.Severity) {
	w.head(AlertName(k.Kind), fmt.Sprintf(`max by (site, bay, kind, subject) (bayledger:alarm:held{kind=%q,severity=%q})`, k.Kind, s),
		w.d(alertFor), w.d(keepFiring), "severity", string(s))
	w.annotate("summary", placeText, ": ", k.Title)
	w.annotate("description", placeText, ": ", k.Says, ".", since(), numbers(k.SoftWords()), consequence(k.Consequence))
	w.act(k)
	w.annotate("runbook", runbook(AlertName(k.Kind)))
}

// act are the annotations that say what to do about a kind.
func (w *rules) act(k site.KindInfo) {
	w.annotate("first_action", alertWords(k.FirstAction))
	if k.DoNot != "" {
		w.annotate("do_not", alertWords(k.DoNot))
	}
	if k.Stops() && !strings.Contains(k.FirstAction, "{shut-off}") {
		w.annotate("shut_off", alertWords("{shut-off}"))
	}
	w.annotate("answer", `bayledger ack{{ with printf "bayledger_alarm_reference`+strings.ReplaceAll(selector, `"`, `\"`)+
		`" $labels.site $labels.bay $labels.kind $labels.subject | query }} {{ . | first | value }}{{ end }}`)
}

func runbook(name string) string { return "runbook.md#" + strings.ToLower(name) }

// escalation tells the second on call, who has not been told anything of it yet, all of an urgent
// alarm that nobody has answered.
func (w *rules) escalation(k site.KindInfo) {
	w.head("BayledgerUnanswered", fmt.Sprintf(`max by (site, bay, kind, subject) (bayledger:alarm:held{kind=%q,severity="urgent"})`+
		` unless on (site, bay, kind, subject) bayledger:alarm:answered`+
		` unless on (site, bay, kind, subject) (max by (site, bay, kind, subject) (bayledger_alarm_present) == 0)`, k.Kind),
		w.d(EscalateAfter), "", "severity", "urgent", "escalate", `"second"`)
	w.annotate("summary", "Nobody has answered. ", placeText, ": ", k.Title)
	w.annotate("description", "Nobody has answered this urgent alarm. ", placeText, ": ", k.Says, ".", since(), numbers(k.SoftWords()), consequence(k.Consequence),
		" Call whoever is on call; if nobody answers, go yourself.")
	w.act(k)
	w.annotate("runbook", runbook("BayledgerUnanswered"))
}

func (w *rules) watch(a watchAlert) {
	expr := a.expr
	if a.window > 0 {
		expr = fmt.Sprintf(expr, w.scrapes(a.window))
	}
	w.head(a.name, expr, w.scrapes(a.wait), "", "severity", a.severity)
	w.annotate("summary", a.summary)
	w.annotate("description", a.text)
	w.annotate("runbook", runbook(a.name))
}
