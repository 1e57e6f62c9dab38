// Package recorded reads and writes recorded field data: the CSV in which a season of readings
// is kept, handed over and replayed.
//
//	time,bay,level_mm,flow_lpm,meter_l,valve_open,setpoint_mm,temp_c,rh_pct,wind_ms,solar_wm2,rain_mm,supply_kpa,main_meter_l
//
// A row with a bay id carries that bay's cells, a row with an empty bay the site's. An empty
// cell means that there was no good reading, a missing column that there is no such instrument.
// Times are UTC in RFC 3339, to the millisecond. meter_l and main_meter_l are running totals as
// the device shows them; rain_mm is the rain since the last site row that has a rain cell, and
// leaves here as a running total, so that one lost row loses no rain.
//
// Open looks at the beginning of every file and reports which bays and instruments are in it
// (Survey); Rows and Samples then read the whole as one series in time order. What hurts: a
// Row is used again for the next one, so keep a copy, not the pointer. Every mistake in the data is
// an *Error with file and line; reading stops at the first, because what follows a damaged line
// cannot be trusted to be the same instrument at the same time.
package recorded
