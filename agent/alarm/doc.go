// Package alarm keeps the life of every alarm: it takes the findings the watch holds at each
// tick and says what is to be told, once, in the right order.
//
// Desk is the whole of it. It follows the states of ANSI/ISA-18.2 and IEC 62682: a finding that
// has held for its on-delay is raised, a person acknowledges it, it clears when it has been gone
// for its off-delay, and it may be shelved, suppressed by design (folded under its cause, out of
// season) or out of service (maintenance) meanwhile. What is suppressed is not lost: Open lists
// it with the reason. Where the standard suspends a normal alarm the desk suspends nothing that is
// not there: what begins meanwhile is suppressed from its first moment. One that is over and was
// never answered stays to be answered whatever is suspended later.
//
// Once answered, an alarm asks for another answer only when it turns graver because it has become
// worse than what was answered, or when it has stood urgent for ReAlarm: the clock alone wakes nobody.
//
// One fault gives one alarm that speaks for itself. An effect that the table of kinds explains by
// an open cause carries the cause's id in its events and lends the cause its numbers. When the
// cause is over and the effect stands, the effect is raised: a record with state raised and no
// cause_id always means "this stands on its own from now on", also when the id was told before.
//
// The package has no clock, starts no goroutine and uses no randomness: the same findings and
// records in the same order give the same events. A Desk belongs to one goroutine. What Open and
// Rates return is a copy that any goroutine may read.
package alarm
