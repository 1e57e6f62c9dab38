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
package procedure
