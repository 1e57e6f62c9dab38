// Package report writes what a club's committee reads: the account of a day, a week or a season
// by bay, with its uncertainty, as a page that prints well and as CSV; and the plots of both.
//
// It works on closed accounts and events alone, so a report of last year needs nothing but them.
// Figures of a report are SI inside and in the units of the site outside; CSV has its units in
// the names of the columns.
package report
