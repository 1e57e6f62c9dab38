// Package water keeps the account: for every bay what went in, what went out and what is held,
// each with its uncertainty, and it learns what the bay is made of while it does so.
//
//	metered in + rain caught - evaporated - overflow - (S2 - S1) = unexplained
//
// Every five minutes of data time the balance of each bay is struck by a Kalman filter whose
// states are the water held and the numbers that govern it: the scale of the storage curve
// (porosity, area and the meter's scale appear only as this product), the evaporation factor and
// how it changes with depth, the share of evaporation that the clay takes up hours later, a
// constant loss, a daily pattern, and how the chamber leads the bay after a fill. What passes (a
// day's weather against its formula, a night's loss against its habit, a sensor that warms) has
// states of its own that fade, so that it is neither learned nor taken for a fault. The filter
// starts from the site file's nominal figures with their uncertainty and works from the first
// hour.
//
// The types: Ledger is moved by Sample, Record and Tick; Curve is a bay's nominal storage;
// Register turns a running total into water; Account is a closed span; Signature and Balance are
// what the sequential tests of the watch are made of.
//
// What will hurt: a level is that of the chamber, not of the bay, until it has settled; a metered
// litre is the meter's litre, and no data of one bay can tell a meter that was wrong from its
// first day from a porosity that was; the overflow is not metered, so a span in which it ran
// closes by definition and its unexplained is NaN.
//
// Everything comes in time order; what is late or repeated is ignored. The package has no clock
// and no goroutine, and a Ledger belongs to one goroutine. Accounts and views are copies.
package water
