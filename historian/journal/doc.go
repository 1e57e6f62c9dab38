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
package journal
