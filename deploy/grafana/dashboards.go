package main

import "github.com/grafana/grafana-foundation-sdk/go/dashboard"

func fleet() *dashboard.DashboardBuilder {
	return board("bayledger-fleet", "Fleet", "Every site at a glance: who is open, who is silent, where water goes.", "now-24h").
		WithVariable(sites(true)).
		WithPanel(figure("Sites that answer", "Sites whose daemon was scraped just now.", "none", askNow(`count(bayledger_build_info{site=~"$site"})`))).
		WithPanel(figure("Urgent", "Open alarms that cannot wait for the morning.", "none", askNow(`count(bayledger_alarm{site=~"$site", severity="urgent"}) or vector(0)`)).Thresholds(limits(1, 1))).
		WithPanel(figure("Look today", "Open alarms for the morning.", "none", askNow(`count(bayledger_alarm{site=~"$site", severity="warning"}) or vector(0)`)).Thresholds(limits(1, 1e9))).
		WithPanel(figure("Nobody has answered", "Open alarms that nobody has taken on.", "none", askNow(`count(bayledger_alarm_acknowledged{site=~"$site"} == 0) or vector(0)`)).Thresholds(limits(1, 1e9))).
		WithPanel(figure("Watch impaired", "Sites whose journal, clock, line or sink is not as it should be.", "none",
			askNow(`count(min by (site) (bayledger_journal_ok{site=~"$site"} or bayledger_clock_synchronized{site=~"$site"} or bayledger_link_up{site=~"$site"} or bayledger_sink_up{site=~"$site"}) == 0) or vector(0)`)).Thresholds(limits(1, 1e9))).
		WithPanel(figure("Unaccounted now", "What the open alarms say is being lost or taken beyond the account.", "litreh",
			askNow(`sum(bayledger_alarm_rate_cubic_meters_per_second{site=~"$site"}) * 3.6e6 or vector(0)`))).
		WithPanel(rows("Open alarms", "Each fault once; what it explains is folded under it. The value is always 1.", "none", full, 8, askNow(`bayledger_alarm{site=~"$site"}`))).
		WithPanel(bars("Water taken in today", "By the bays' meters since the site's midnight.", "litre", half, ask(`sum by (site) (bayledger_bay_today_cubic_meters{site=~"$site", term="metered"}) * 1000`, "{{site}}"))).
		WithPanel(lines("Unexplained today, against its uncertainty", "The bay of each site where the account fits worst: the unexplained by its own expanded uncertainty. Above 1 it means something.", "none", half,
			ask(`max by (site) (abs(bayledger_bay_today_cubic_meters{site=~"$site", term="unexplained"}) / on (site, bay) bayledger_bay_today_uncertainty_cubic_meters{site=~"$site", term="unexplained"})`, "{{site}}"))).
		WithPanel(lines("Age of the newest reading", "Behind the site's own clock; a demo that is set in the past is behind by that much.", "s", half, ask(`time() - bayledger_last_reading_timestamp_seconds{site=~"$site"}`, "{{site}}"))).
		WithPanel(lines("Waiting to be sent", "Readings in the journal that a historian or broker has not taken.", "none", half, ask(`sum by (site, sink) (bayledger_sink_backlog_samples{site=~"$site"})`, "{{site}} {{sink}}")))
}

// What the variables choose, in InfluxDB.
const (
	whereBays = `WHERE "site" =~ /^${site:regex}$/ AND "bay" =~ /^${bay:regex}$/ AND $timeFilter`
	whereSite = `WHERE "site" =~ /^${site:regex}$/ AND "bay" = '' AND $timeFilter`
	byTimeBay = ` GROUP BY time($__interval), "bay" fill(null)`
	byTime    = ` GROUP BY time($__interval) fill(null)`
)

func oneSite() *dashboard.DashboardBuilder {
	return board("bayledger-site", "Site", "One club: every bay against its set point, what it took, and the weather that asked for it.", "now-7d").
		WithVariable(sites(false)).WithVariable(courts()).WithVariable(bays(true)).
		WithPanel(rows("Open alarms", "Each fault once.", "none", half, 7, askNow(`bayledger_alarm{site=~"$site"}`))).
		WithPanel(rows("Level less set point, now", "mm; a chamber that has not settled reads high.", "lengthmm", half, 7,
			askNow(`(bayledger_bay_level_meters{site=~"$site", bay=~"$bay"} - on (site, bay) bayledger_bay_set_point_meters) * 1000`))).
		WithPanel(lines("Level", "In the chamber, above the liner.", "lengthmm", full, past(`SELECT mean("value") * 1000 FROM "water_level" `+whereBays+byTimeBay, "$tag_bay"))).
		WithPanel(lines("Flow", "Through each bay's meter.", "flowlpm", half, past(`SELECT max("value") * 60000 FROM "flow_rate" `+whereBays+byTimeBay, "$tag_bay"))).
		WithPanel(bars("Taken in by hour", "From the meters' running totals.", "litre", half,
			past(`SELECT non_negative_difference(last("value")) * 1000 FROM "metered_volume" `+whereBays+` GROUP BY time(1h), "bay" fill(none)`, "$tag_bay"))).
		WithPanel(rows("Yesterday's account", "Every term of every bay, L; unexplained is empty where the overflow ran.", "litre", half, 10,
			askNow(`sum by (bay, term) (bayledger_bay_yesterday_cubic_meters{site=~"$site", bay=~"$bay"}) * 1000`))).
		WithPanel(lines("Unexplained today, against its uncertainty", "Above 1 or below -1 it means something.", "none", half,
			ask(`bayledger_bay_today_cubic_meters{site=~"$site", bay=~"$bay", term="unexplained"} / on (site, bay) bayledger_bay_today_uncertainty_cubic_meters{term="unexplained"}`, "{{bay}}"))).
		WithPanel(lines("Supply pressure", "", "pressurekpa", third, past(`SELECT mean("value") / 1000 FROM "supply_pressure" `+whereSite+byTime, "supply"))).
		WithPanel(lines("Air temperature", "", "celsius", third, past(`SELECT mean("value") FROM "air_temperature" `+whereSite+byTime, "air"))).
		WithPanel(bars("Rain by hour", "", "lengthmm", third, past(`SELECT non_negative_difference(last("value")) * 1000 FROM "rain_depth" `+whereSite+` GROUP BY time(1h) fill(none)`, "rain"))).
		WithPanel(lines("Sun", "", "Wm2", third, past(`SELECT mean("value") FROM "solar_irradiance" `+whereSite+byTime, "sun"))).
		WithPanel(lines("Wind", "", "velocityms", third, past(`SELECT mean("value") FROM "wind_speed" `+whereSite+byTime, "wind"))).
		WithPanel(lines("Humidity", "", "percentunit", third, past(`SELECT mean("value") FROM "relative_humidity" `+whereSite+byTime, "humidity")))
}

func oneBay() *dashboard.DashboardBuilder {
	return board("bayledger-bay", "Bay", "One bay: its level, its water, its account.", "now-48h").
		WithVariable(sites(false)).WithVariable(courts()).WithVariable(bays(false)).
		WithPanel(figure("Level", "Now, in the chamber.", "lengthmm", askNow(`bayledger_bay_level_meters{site=~"$site", bay=~"$bay"} * 1000`))).
		WithPanel(figure("Set point", "", "lengthmm", askNow(`bayledger_bay_set_point_meters{site=~"$site", bay=~"$bay"} * 1000`))).
		WithPanel(figure("Crest of the overflow", "", "lengthmm", askNow(`bayledger_bay_crest_meters{site=~"$site", bay=~"$bay"} * 1000`))).
		WithPanel(figure("Flow", "", "flowlpm", askNow(`bayledger_bay_flow_cubic_meters_per_second{site=~"$site", bay=~"$bay"} * 60000`))).
		WithPanel(figure("Settled", "1 while the chamber shows the bay's level.", "none", askNow(`bayledger_bay_settled{site=~"$site", bay=~"$bay"}`))).
		WithPanel(figure("Metered today", "", "litre", askNow(`bayledger_bay_today_cubic_meters{site=~"$site", bay=~"$bay", term="metered"} * 1000`))).
		WithPanel(lines("Level and set point", "", "lengthmm", full,
			past(`SELECT mean("value") * 1000 FROM "water_level" `+whereBays+byTimeBay, "level"),
			past(`SELECT last("value") * 1000 FROM "set_point" `+whereBays+` GROUP BY time($__interval), "bay" fill(previous)`, "set point"))).
		WithPanel(lines("Flow", "", "flowlpm", half, past(`SELECT max("value") * 60000 FROM "flow_rate" `+whereBays+byTimeBay, "flow"))).
		WithPanel(lines("Valve", "1 open, 0 shut.", "none", half, past(`SELECT max("value") FROM "valve_open" `+whereBays+` GROUP BY time($__interval), "bay" fill(previous)`, "valve"))).
		WithPanel(bars("Taken in by hour", "", "litre", half, past(`SELECT non_negative_difference(last("value")) * 1000 FROM "metered_volume" `+whereBays+` GROUP BY time(1h), "bay" fill(none)`, "taken in"))).
		WithPanel(lines("Water temperature", "", "celsius", half, past(`SELECT mean("value") FROM "water_temperature" `+whereBays+byTimeBay, "water"))).
		WithPanel(rows("Account of today", "L", "litre", third, 10, askNow(`sum by (term) (bayledger_bay_today_cubic_meters{site=~"$site", bay=~"$bay"}) * 1000`))).
		WithPanel(rows("Account of yesterday", "L", "litre", third, 10, askNow(`sum by (term) (bayledger_bay_yesterday_cubic_meters{site=~"$site", bay=~"$bay"}) * 1000`))).
		WithPanel(rows("Readings", "0 good, 1 uncertain, 2 bad.", "none", third, 10, askNow(`bayledger_point_quality{site=~"$site", bay=~"$bay"}`)))
}

func health() *dashboard.DashboardBuilder {
	return board("bayledger-watch", "Health of the watch", "Whether what the other pages say can be relied on.", "now-6h").
		WithVariable(sites(true)).
		WithPanel(figure("Lines up", "Share of field lines that answer.", "percentunit", askNow(`avg(bayledger_link_up{site=~"$site"})`))).
		WithPanel(figure("Units up", "Share of field devices that answer.", "percentunit", askNow(`avg(bayledger_unit_up{site=~"$site"})`))).
		WithPanel(figure("Journals that keep", "Share of journals that take samples.", "percentunit", askNow(`avg(bayledger_journal_ok{site=~"$site"})`))).
		WithPanel(figure("Clocks vouched for", "", "percentunit", askNow(`avg(bayledger_clock_synchronized{site=~"$site"})`))).
		WithPanel(figure("Sinks up", "Historians and brokers that take what they are sent.", "percentunit", askNow(`avg(bayledger_sink_up{site=~"$site"})`))).
		WithPanel(figure("Site files refused", "Daemons that run on an older site file than the newest.", "none", askNow(`sum(bayledger_site_file_reload_failed{site=~"$site"})`)).Thresholds(limits(1, 1e9))).
		WithPanel(lines("Samples taken", "", "none", half, ask(`sum by (site) (rate(bayledger_samples_total{site=~"$site"}[$__rate_interval]))`, "{{site}} a second"))).
		WithPanel(lines("Samples without a value, and not kept", "", "none", half,
			ask(`sum by (site) (rate(bayledger_samples_bad_total{site=~"$site"}[$__rate_interval]))`, "{{site}} bad"),
			ask(`sum by (site) (rate(bayledger_samples_unjournaled_total{site=~"$site"}[$__rate_interval]))`, "{{site}} unjournaled"))).
		WithPanel(lines("Reply time of each unit", "Median of the last polls.", "s", half, ask(`bayledger_unit_reply_seconds{site=~"$site", percentile="50"}`, "{{site}} {{unit}}"))).
		WithPanel(lines("Requests that failed", "Timeouts, bad frames, exceptions and polls that came too late.", "none", half,
			ask(`sum by (site, unit) (rate(bayledger_unit_timeouts_total{site=~"$site"}[$__rate_interval]))`, "{{site}} {{unit}} timeouts"),
			ask(`sum by (site, unit) (rate(bayledger_unit_bad_frames_total{site=~"$site"}[$__rate_interval]))`, "{{site}} {{unit}} bad frames"),
			ask(`sum by (site, unit) (rate(bayledger_unit_exceptions_total{site=~"$site"}[$__rate_interval]))`, "{{site}} {{unit}} exceptions"),
			ask(`sum by (site, unit) (rate(bayledger_unit_missed_polls_total{site=~"$site"}[$__rate_interval]))`, "{{site}} {{unit}} missed polls"))).
		WithPanel(lines("Age of what waits to be sent", "", "s", half, ask(`bayledger_sink_backlog_age_seconds{site=~"$site"}`, "{{site}} {{sink}}"))).
		WithPanel(lines("Memory", "", "bytes", half, ask(`process_resident_memory_bytes{site=~"$site"}`, "{{site}}"))).
		WithPanel(rows("Running", "Version and start.", "none", half, 8, askNow(`bayledger_build_info{site=~"$site"}`))).
		WithPanel(rows("Readings that are not good", "Points now uncertain (1) or bad (2), by site.", "none", half, 8, askNow(`count by (site) (bayledger_point_quality{site=~"$site"} > 0) or sum by (site) (bayledger_point_quality{site=~"$site"})`)))
}
