package site

import "time"

// RecordKind says what a person or the daemon put on record.
type RecordKind string

// The kinds of record. Value's meaning and unit stand beside each.
const (
	RecSiteFile      RecordKind = "site-file"       // an accepted site file; Text is the file without secrets, Subject its revision
	RecKinds         RecordKind = "kinds"           // what the alarms rest on, the table of kinds and what bays have of their own: Subject is its hash, Text itself as JSON
	RecHandWatering  RecordKind = "hand-watering"   // Value m3 put on a bay by hand
	RecMaintenance   RecordKind = "maintenance"     // someone works at Bay (or the site) until Until
	RecSeason        RecordKind = "season"          // Text "open" or "closed"
	RecAck           RecordKind = "ack"             // Subject is the alarm's id; Value 1 or 0 when the alarm was called useful or not, NaN when nobody said
	RecShelve        RecordKind = "shelve"          // Subject is the alarm's id, until Until, Text why
	RecUnshelve      RecordKind = "unshelve"        // Subject is the alarm's id
	RecCalibration   RecordKind = "calibration"     // Subject is a point; Value gain, Value2 offset in SI
	RecMeterReplaced RecordKind = "meter-replaced"  // Subject is a point
	RecSensorChanged RecordKind = "sensor-changed"  // Subject is a point
	RecDip           RecordKind = "dip"             // Value m, level read by hand at Bay; Value2 m, what its sensor showed then, NaN when not known
	RecSurface       RecordKind = "surface"         // Text dry, right or soft
	RecUtility       RecordKind = "utility-reading" // Value m3 on the utility's meter; Value2 m3, the main meter's total then, NaN when not known
	RecSetPoint      RecordKind = "set-point"       // Value m, the set point a person moved Bay to
	RecClock         RecordKind = "clock"           // Value s by which the clock was found wrong
	RecAccess        RecordKind = "access"          // somebody logged in or out, was refused, or was made: Subject is the name, Text what
	RecProcedure     RecordKind = "procedure"       // a guided procedure: Subject is the run, Text what was answered or found, as JSON
	RecIsolation     RecordKind = "isolation"       // the isolation valve: Text is what was ordered, done, held off or failed, Subject why (an alarm's id, a run, a person's word), Until the end of a hold-off
	RecCondition     RecordKind = "condition"       // the daemon's own state: Subject is kind/what (link-down/line-1), Value 1 when it begins and 0 when it ends, Text the reason
)

// Record is something put on record by a person or by the daemon. It is valid from Time
// onwards and never backwards.
type Record struct {
	ID      int64
	Time    time.Time
	Kind    RecordKind
	Bay     string
	Subject string
	Who     string
	Value   float64 // NaN when the kind has none
	Value2  float64
	Until   time.Time // zero when the kind has no end
	Text    string
	// AfterSeq is the sequence number of the last sample journaled before the record: where it
	// stands in the journal's order.
	AfterSeq int64
}
