package hub

import (
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"
)

// listening is a hub that knows two sites and believes that it is connected.
func listening(t testing.TB) *Hub {
	t.Helper()
	o := DefaultOptions()
	o.Broker, o.Sites = "tcp://127.0.0.1:1883", []string{"north", "south"}
	h, err := New(o, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	h.join()
	return h
}

// scraped are the samples of a scrape as text, "name{labels} value", those of a name that begins so.
func scraped(t testing.TB, h *Hub, name string) []string {
	t.Helper()
	r := prometheus.NewPedanticRegistry()
	require.NoError(t, r.Register(h))
	families, err := r.Gather()
	require.NoError(t, err)
	var out []string
	for _, f := range families {
		if !strings.HasPrefix(f.GetName(), "bayledger_"+name) {
			continue
		}
		for _, m := range f.GetMetric() {
			var labels []string
			for _, l := range m.GetLabel() {
				labels = append(labels, l.GetName()+"="+l.GetValue())
			}
			out = append(out, fmt.Sprintf("%s{%s} %v", strings.TrimPrefix(f.GetName(), "bayledger_"), strings.Join(labels, ","), m.GetGauge().GetValue()+m.GetCounter().GetValue()))
		}
	}
	return out
}

const (
	online = `{"state":"online","t":"2026-07-01T12:00:00.000Z","started":"2026-07-01T06:00:00.000Z","revision":"r1","version":"1.0.0","name":"North","units":"mm/L","utc_offset_s":7200,"tells_itself":true}`
	points = `[{"point":"A1-level","bay":"A1","court":"A","quantity":"water_level","unit":"mm"},{"point":"temp","bay":"","court":"","quantity":"air_temperature","unit":"degC"}]`
	level  = `{"t":"2026-07-01T12:00:00.000Z","v":83.5,"q":"good"}`
)

func leak(site, bay, more string) string {
	return fmt.Sprintf(`{"v":1,"id":"%s/%s/leak//2026-07-01T10:00:00.000Z","seq":17,"time":"2026-07-01T10:00:00.000Z","since":"2026-07-01T09:00:00.000Z","site":%q,"bay":%q,"kind":"leak","state":"raised","severity":"warning","rate_lph":3600,"to_crest_s":600,"to_soft_s":1200,"carried":true,"because":"","first_action":"","revision":"r1"%s}`, site, bay, site, bay, more)
}

// Retained messages come in any order; what comes before the list of points waits for it.
func TestStateIsTheSameInAnyOrder(t *testing.T) {
	messages := [][2]string{{"status", online}, {"points", points}, {"live/A1/A1-level", level}, {"live/site/temp", `{"t":"2026-07-01T12:00:01.000Z","v":21.5,"q":"uncertain"}`}, {"alarms", "[" + leak("north", "A1", "") + "]"}}
	var want []string
	for turn := range messages {
		h := listening(t)
		for i := range messages {
			m := messages[(i+turn)%len(messages)]
			h.message("bayledger/north/"+m[0], []byte(m[1]), true)
		}
		got := slices.DeleteFunc(scraped(t, h, ""), func(s string) bool { return strings.Contains(s, "hub_site_last_message") })
		if want == nil {
			want = got
			for _, line := range []string{
				"bay_level_meters{bay=A1,site=north} 0.0835",
				"point_value{bay=,point=temp,quantity=air_temperature,site=north} 21.5",
				"point_quality{bay=,point=temp,site=north} 1",
				"alarm{bay=A1,kind=leak,severity=warning,site=north,subject=} 1",
				"alarm_acknowledged{bay=A1,kind=leak,site=north,subject=} 0",
				"alarm_present{bay=A1,kind=leak,site=north,subject=} 1",
				"alarm_reference{bay=A1,kind=leak,site=north,subject=} 17",
				"alarm_rate_cubic_meters_per_second{bay=A1,kind=leak,site=north,subject=} 0.001",
				"alarm_raised_timestamp_seconds{bay=A1,kind=leak,site=north,subject=} 1.7829e+09",
				"alarm_time_to_crest_seconds{bay=A1,kind=leak,site=north,subject=} 600",
				"alarm_time_to_soft_seconds{bay=A1,kind=leak,site=north,subject=} 1200",
				"alarm_overflow_carries{bay=A1,kind=leak,site=north,subject=} 1",
				"hub_site_up{site=north} 1",
				"site_tells_itself{site=north} 1",
				"hub_site_up{site=south} 0", // named and never heard: silent from the first
				"site_info{name=North,revision=r1,shut_off=,site=north,units=mm/L} 1",
				"data_time_timestamp_seconds{site=north} 1.782907201e+09",
			} {
				require.Contains(t, got, line)
			}
			continue
		}
		require.Equal(t, want, got, "in the order that begins with %s", messages[turn][0])
	}
}

// Identity comes from the topic. Whatever else a payload claims is refused and counted.
func TestWhatIsNotTheSitesOwnIsRefused(t *testing.T) {
	for _, c := range []struct{ name, topic, payload, reason string }{
		{"a site nobody named", "bayledger/west/status", online, refusedSite},
		{"another prefix", "other/north/status", online, refusedSite},
		{"a point that is not in the list", "bayledger/north/live/A1/A9-level", level, refusedPoint},
		{"a point under another bay", "bayledger/north/live/B1/A1-level", level, refusedPoint},
		{"an alarm that names another site", "bayledger/north/alarms", "[" + leak("south", "A1", "") + "]", refusedOther},
		{"an alarm whose id is another site's", "bayledger/north/alarms", "[" + strings.Replace(leak("north", "A1", ""), `"id":"north/`, `"id":"south/`, 1) + "]", refusedOther},
		{"an alarm of a bay that is not in the list", "bayledger/north/alarms", "[" + leak("north", "Z9", "") + "]", refusedPoint},
		{"an alarm of a kind nobody knows", "bayledger/north/alarms", "[" + strings.Replace(leak("north", "A1", ""), `"kind":"leak"`, `"kind":"flood"`, 1) + "]", refusedMalformed},
		{"the same alarm twice", "bayledger/north/alarms", "[" + leak("north", "A1", "") + "," + leak("north", "A1", "") + "]", refusedMalformed},
		{"a value that is no JSON", "bayledger/north/live/A1/A1-level", "83.5 mm", refusedMalformed},
		{"a status that is no JSON", "bayledger/north/status", "online", refusedMalformed},
		{"a list with a bay that is no id", "bayledger/north/points", `[{"point":"x","bay":"A 1","court":"A","quantity":"water_level"}]`, refusedMalformed},
		{"a list with a name longer than a name", "bayledger/north/points", `[{"point":"x","bay":"A1","court":"A","bay_name":"` + strings.Repeat("x", 300) + `","quantity":"water_level"}]`, refusedMalformed},
		{"more than anybody has to say", "bayledger/north/status", strings.Repeat(" ", maxPayload+1), refusedMalformed},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := listening(t)
			h.message("bayledger/north/points", []byte(points), true)
			h.message("bayledger/north/status", []byte(online), true)
			before := scraped(t, h, "point_value")
			h.message(c.topic, []byte(c.payload), false)
			require.EqualValues(t, 1, h.refused[c.reason], h.refused)
			require.Contains(t, scraped(t, h, "hub_refused_total"), fmt.Sprintf("hub_refused_total{reason=%s} 1", c.reason))
			if !strings.Contains(c.topic, "/points") {
				require.Equal(t, before, scraped(t, h, "point_value"))
			}
			require.NotContains(t, strings.Join(scraped(t, h, ""), "\n"), "site=west")
		})
	}
}

// A silent site keeps its alarms and nothing else; a hub without a broker judges nobody.
func TestSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := listening(t)
		for topic, payload := range map[string]string{"status": online, "points": points, "live/A1/A1-level": level, "alarms": "[" + leak("north", "A1", "") + "]"} {
			h.message("bayledger/north/"+topic, []byte(payload), true)
		}
		up := func() string { return strings.Join(scraped(t, h, "hub_site_up"), " ") }
		time.Sleep(h.opts.SilentAfter)
		require.Contains(t, up(), "hub_site_up{site=north} 1", "just within its time")
		h.message("bayledger/north/status", []byte(online), true) // retained: says nothing of now
		time.Sleep(time.Nanosecond)
		require.Contains(t, up(), "hub_site_up{site=north} 0")
		require.Empty(t, scraped(t, h, "point_value"))
		require.Empty(t, scraped(t, h, "start_timestamp"))
		require.Contains(t, scraped(t, h, "alarm"), "alarm{bay=A1,kind=leak,severity=warning,site=north,subject=} 1", "its alarms stay")
		h.message("bayledger/north/live/A1/A1-level", []byte(strings.Replace(level, "12:00:00", "12:06:00", 1)), false)
		require.Contains(t, up(), "hub_site_up{site=north} 1", "heard again")
		require.Len(t, scraped(t, h, "point_value"), 1)

		h.message("bayledger/north/status", []byte(`{"state":"offline","reason":"lost","revision":"r1"}`), false)
		require.Contains(t, up(), "hub_site_up{site=north} 0", "the broker's will says it at once")

		h.cut()
		require.Empty(t, scraped(t, h, "hub_site_up"), "who is cut off judges nobody")
		require.Equal(t, []string{"hub_connected{} 0"}, scraped(t, h, "hub_connected"))
		require.NotEmpty(t, scraped(t, h, "alarm"))
	})
}

// watching is a status as a site of today tells it.
const watching = `{"state":"online","started":"2026-07-01T06:00:00.000Z","revision":"r1","units":"mm/L","watch":{
"data_time":"2026-07-01T12:00:10.000Z","last_reading":"2026-07-01T11:00:00.000Z","clock_sure":true,"journal_ok":true,"site_file_refused":true,
"samples":1200,"samples_bad":3,"samples_unjournaled":2,
"links":[{"link":"pump","up":true},{"link":"court","up":false,"other_master":true}],
"units":[{"link":"pump","unit":"io","up":true,"requests":40,"timeouts":1,"reply_ms":{"50":12,"99":80,"x":1}}],
"sinks":[{"sink":"archive","up":false,"backlog_samples":90,"backlog_age_s":61}],
"work":[{"bay":"A1","until":"2026-07-01T16:00:00.000Z"},{"until":"2026-07-01T17:00:00.000Z"},{"bay":"Z9","until":"2026-07-01T16:00:00.000Z"}],
"accounts":[{"bay":"A1","crest_mm":120,"settled":true,"today":[{"term":"metered","l":812,"u_l":16},{"term":"overflow","l":0}],"yesterday":[{"term":"metered","l":900}]},
{"bay":"Z9","settled":true}]}}`

// What a site tells of its own watch and accounts is what a scrape of it would have shown.
func TestTheSitesOwnWatch(t *testing.T) {
	h := listening(t)
	h.message("bayledger/north/points", []byte(points), true)
	h.message("bayledger/north/live/A1/A1-level", []byte(level), true)
	h.message("bayledger/north/status", []byte(watching), false)
	got := scraped(t, h, "")
	for _, line := range []string{
		"data_time_timestamp_seconds{site=north} 1.78290721e+09", // the watch goes on while the field is silent
		"last_reading_timestamp_seconds{site=north} 1.7829036e+09",
		"clock_synchronized{site=north} 1", "journal_ok{site=north} 1", "site_file_reload_failed{site=north} 1", "season_closed{site=north} 0",
		"samples_total{site=north} 1200", "samples_bad_total{site=north} 3", "samples_unjournaled_total{site=north} 2",
		"link_up{link=pump,site=north} 1", "link_up{link=court,site=north} 0", "link_other_master{link=court,site=north} 1",
		"unit_up{link=pump,site=north,unit=io} 1", "unit_requests_total{link=pump,site=north,unit=io} 40", "unit_timeouts_total{link=pump,site=north,unit=io} 1",
		"unit_reply_seconds{link=pump,percentile=50,site=north,unit=io} 0.012", "unit_reply_seconds{link=pump,percentile=99,site=north,unit=io} 0.08",
		"sink_up{sink=archive,site=north} 0", "sink_backlog_samples{sink=archive,site=north} 90", "sink_backlog_age_seconds{sink=archive,site=north} 61",
		"maintenance_until_timestamp_seconds{bay=A1,site=north} 1.7829216e+09", "maintenance_until_timestamp_seconds{bay=,site=north} 1.7829252e+09",
		"bay_crest_meters{bay=A1,site=north} 0.12", "bay_settled{bay=A1,site=north} 1",
		"bay_today_cubic_meters{bay=A1,site=north,term=metered} 0.812", "bay_today_uncertainty_cubic_meters{bay=A1,site=north,term=metered} 0.016",
		"bay_yesterday_cubic_meters{bay=A1,site=north,term=metered} 0.9",
	} {
		require.Contains(t, got, line)
	}
	all := strings.Join(got, "\n")
	require.NotContains(t, all, "Z9", "a bay that is not in the list has no account")
	require.NotContains(t, all, "percentile=x")
	require.Len(t, scraped(t, h, "bay_today_uncertainty"), 1, "what is not known is no number")
	require.Zero(t, h.refused[refusedMalformed])

	twice := strings.NewReplacer(`"sinks":[`, `"sinks":[{"sink":"archive"},`, `"links":[`, `"links":[{"link":"`+strings.Repeat("x", maxText+1)+`"},`).Replace(watching)
	h.message("bayledger/north/status", []byte(twice), false)
	require.EqualValues(t, 2, h.refused[refusedMalformed], "the same sink twice, and a name that is none")
	require.Len(t, scraped(t, h, "sink_up"), 1)

	h.message("bayledger/north/status", []byte(`{"state":"offline","reason":"lost","revision":"r1"}`), false)
	require.Empty(t, scraped(t, h, "bay_today"))
	h.message("bayledger/north/status", []byte(online), false) // a site older than the hub
	require.Contains(t, scraped(t, h, "data_time"), "data_time_timestamp_seconds{site=north} 1.7829072e+09")
	require.Empty(t, scraped(t, h, "journal_ok"))
}

// A bay that leaves the site's list leaves the metrics; an acknowledged or quiet alarm says so.
func TestChanges(t *testing.T) {
	h := listening(t)
	say := func(topic, payload string) { h.message("bayledger/north/"+topic, []byte(payload), false) }
	say("status", online)
	say("points", points)
	say("live/A1/A1-level", level)
	say("alarms", "["+leak("north", "A1", `,"gone":true`)+"]")
	require.Contains(t, scraped(t, h, "alarm_present"), "alarm_present{bay=A1,kind=leak,site=north,subject=} 0")
	require.Contains(t, scraped(t, h, "alarm"), "alarm{bay=A1,kind=leak,severity=warning,site=north,subject=} 1", "in its delay it still stands")
	say("alarms", "["+leak("north", "A1", `,"acknowledged":true`)+"]")
	require.Contains(t, scraped(t, h, "alarm_acknowledged"), "alarm_acknowledged{bay=A1,kind=leak,site=north,subject=} 1")
	say("alarms", "["+leak("north", "A1", `,"quiet":"shelved until noon"`)+"]")
	require.Empty(t, scraped(t, h, "alarm_acknowledged"))
	require.Contains(t, scraped(t, h, "alarms_suppressed"), "alarms_suppressed{site=north} 1")
	say("live/A1/A1-level", strings.Replace(level, "12:00:00", "11:00:00", 1))
	require.Contains(t, scraped(t, h, "bay_level"), "bay_level_meters{bay=A1,site=north} 0.0835", "a value never goes back in time")
	say("live/A1/A1-level", `{"t":"2026-07-01T12:00:05.000Z","q":"bad"}`)
	require.Empty(t, scraped(t, h, "bay_level"), "a bad reading is no number")
	say("points", `[]`)
	require.Empty(t, scraped(t, h, "point_quality"))
	require.Empty(t, scraped(t, h, "bay_info"))
	require.Empty(t, h.sites["north"].alarms)
}

func TestOptionsSayEveryMistake(t *testing.T) {
	o := Options{Broker: "http://x", Prefixes: []string{"a//b"}, Sites: []string{"good", "good", "no good"}, CertFile: "x"}
	require.Len(t, o.Validate(), 6)
	_, err := New(o, slog.New(slog.DiscardHandler))
	require.Error(t, err)
}

// FuzzMessage: whatever a site publishes, the hub does not fall over and every scrape is whole.
func FuzzMessage(f *testing.F) {
	for _, seed := range [][2]string{{"status", online}, {"status", watching}, {"points", points}, {"live/A1/A1-level", level}, {"alarms", "[" + leak("north", "A1", "") + "]"}, {"live/", ""}, {"points", "null"}, {"alarms", "[null]"}} {
		f.Add(seed[0], []byte(seed[1]))
	}
	f.Fuzz(func(t *testing.T, what string, payload []byte) {
		h := listening(t)
		for _, topic := range []string{"status", "points", "live/A1/A1-level", "alarms"} {
			h.message("bayledger/north/"+topic, []byte(map[string]string{"status": online, "points": points, "live/A1/A1-level": level, "alarms": "[" + leak("north", "A1", "") + "]"}[topic]), true)
		}
		h.message("bayledger/north/"+what, payload, false)
		h.message("bayledger/south/"+what, payload, true)
		scraped(t, h, "")
	})
}
