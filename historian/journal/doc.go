// Package journal keeps everything the daemon must not lose: samples, events, operator records,
// snapshots of the core, and how far each consumer has come.
//
// It is two SQLite databases in one folder. samples.db is large: batches of readings and the
// tables rolled up from them. ledger.db is small and holds what no second source can give
// again: events, operator records, snapshots, calibrations, accepted site files, positions of
// the queues, and lines a server refused. The ledger is copied once a day of data.
//
// What is guaranteed: when Append, AppendEvent or AppendRecord returns without an error, the
// data survives the death of the process and a power cut (WAL, synchronous FULL; as far as the
// card honours a sync). A batch is there whole or not at all. Sequence numbers of samples grow
// by one and are never given twice; records stand between samples, at their AfterSeq.
//
// What hurts: a full disk cannot be emptied by SQLite itself, because a delete needs room for
// its log. The journal therefore has a page limit of its own (Options.MaxBytes), to be set below
// the disk's room, and drops the oldest forwarded samples as it nears it. ErrFull is the answer
// that says a sample was not stored; the caller goes on without it and counts it.
//
// Values are stored as decoded, before calibration, with the calibration's id; everything that
// reads (Entries, queues, Series, export) gets them calibrated. Samples taken while nobody
// vouched for the clock carry provisional times and are dated later (Undated, Date): Entries
// shows the times the core saw, everything that leaves the house the true ones.
//
// The Journal's methods may be called by any goroutine.
//
// # How it works inside
//
// Two SQLite files (historian/journal): samples.db with a checksummed blob per commit and buckets
// of a minute and an hour, ledger.db with events, records, snapshots and the places of the queues.
// Opening mends: a damaged file is set aside whole and what can be read above the lowest place is
// copied with its numbers, from both ends and in halves between; the rest stands in losses. Damage
// found in use marks the file and ends the process; the next start mends. A full disk: samples
// leave 8 MB to the ledger; where another program takes even those, a ballast file gives way and
// sent history goes in steps whose log fits its place.
//
// Time (agent/clock, agent/timekeeping.go): the daemon goes by CLOCK_BOOTTIME and one moment, the
// boot's zero. The wall clock gives that moment only while the kernel's error bound (adjtimex; not
// STA_UNSYNC, which some services leave set) or the time service's file vouches. Until then times
// are provisional: an hour early or just after the newest reading, because the core can be moved
// forwards only. A run of them is a row of runs; dating it sets its shift. Entries shows the
// core's times, everything else the true ones. A vouched step back is walked at a tenth of the
// speed. A clock that was years ahead is put right by a person (redate.go), and nothing grows too
// old before readings have come for a week after a leap. Where nothing vouches, as in a container, bayledger run sends nothing unless the site
// file says journal.clock: own: tests with the real program need that, or the build tag clockfile.
//
// Proof outside the journal: TestCrash (the field's own word of what it served, acknowledged
// numbers by a pipe, InfluxDB killed too), TestCrashClock, the power cut (writes and syncs
// recorded by strace, states without what was not synced), a tmpfs filled to the last byte.
// Measured: testdata/figures.txt here, the kills and a week's outage in testdata of the whole
// (crash.txt, outage-week.txt).
package journal
