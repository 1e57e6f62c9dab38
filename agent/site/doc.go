// Package site is the vocabulary every other package speaks: what a club has (Site, Court,
// Bay, Point), what a sensor said (Sample), what can be wrong (Kind and the table of kinds),
// what the watch believes (Finding), what is told (Event), what a person did (Record) and what
// is wrong with somebody's input (Problem).
//
// Everything here is SI: metres, cubic metres, cubic metres a second, pascals, degrees Celsius,
// seconds, ratios between 0 and 1. The unit is in the name where the type has none. Only
// Display and the Parse functions know the units people write.
//
// An unknown number is NaN inside the program and absent outside it. A level is always the
// height of water above the liner at the bay's lowest point.
//
// The package imports nothing of the project, holds no state and starts no goroutine.
package site
