// Package procedure leads a person through the days that are hardest to get right: before the
// first water, pressure on, the wiring proof, flushing, calibration, the first fill, winter close
// and spring opening. A procedure is a list of steps. A step says what to do and where somebody
// can get hurt; the tool watches the readings meanwhile and ticks what it can see, and a person
// confirms what only a person can.
//
// A Book holds the procedures of one site. It is part of the core: it has no clock and no
// goroutine, is moved by samples, operator records and ticks in the journal's order, and is kept
// in the core's snapshot. So a power cut in the middle of a step costs nothing, and a replay
// gives the same run again. What a person answers reaches it as a record of kind procedure; what
// it wants to have journaled (each step's outcome with its readings, the maintenance that keeps
// its bays from paging, the season, the finished record) it lists in Pending until the journal
// hands it back.
//
// The tool never moves a bay's valve: the person does, at their own controller.
//
// # How it works inside
//
// agent/procedure is part of the core: a Book is moved by samples, records and ticks, and lies in
// the core's snapshot, so that a restart or a replay gives the same run again. A procedure is a
// list of steps made anew from the site and the results so far; a step has words, cautions, what
// is asked of a person, and a pure function that judges the readings of the step (trace: counts,
// sums and thinned dots, small however long it lasts). What a book wants journaled (results,
// records, the maintenance that keeps its bays quiet, the season) stands in Pending until the
// journal hands it back: a crash in between neither loses nor doubles it. The silence is a
// maintenance record with an end, renewed at every sign of somebody there; when nobody comes it
// runs out and the watch pages.
//
// The wiring proof asks where the water arrives, because meter and sensor alone cannot tell a
// swapped valve from a swapped pair. Intervals of 95 %: the counts of a meter are a triangle, so
// half-widths are worked out and not two standard deviations. The porosity of the first weeks comes
// from what fills raise a bay by between two rests, and the crest from where the level stops rising while
// water comes (rests.go, porosity.go, crest.go: the one step that keeps sums of its own beside its traces).
// testdata/coverage.txt, and porosity.txt among agent's scorecards, are the long runs.
//
// A coil cannot close slowly: it is set once, by the only frame there is, and the actuator goes its
// way. So the site file names the actuator's travel, one under five seconds is refused, and the proof
// fails where the main meter stops sooner than half of it. Closing by pulses would need a frame that
// takes the coil back, which is one that can open.
//
// The isolation valve: Book.Isolate decides (enabled, proved, not held off, not too often, a
// reason), the isolator in agent acts, modbus.ShutValve sends; each outcome is a record, and the
// state is made of them. Only water that comes in and must not is a reason: a leaking bay is not
// helped by less. On a serial line the answer to a write is its echo, so the coil is read back to
// know.
//
// A new procedure: a function that returns its steps, a row in plans, its test beside
// agent/procedures_test.go.
package procedure
