package watch

import (
	"math"

	"bayledger/agent/site"
)

// budget turns the site's false-alarm budget into thresholds. Nothing here is tuned.
//
// The site file states false pages for six bays and half a year; that is a rate per bay-year.
// It is shared equally over the statistical tests that run on a bay. A test's finding that could
// page has this share as its rate; one that is delivered in the morning may be wrong ten times as
// often, because it wakes nobody.
//
// The tests are Shiryaev-Roberts sums over onsets, one a window (a day's or a night's closed
// balance), of likelihood ratios averaged over sizes. While nothing is wrong, such a sum grows by
// one a window in the mean, whatever the readings (it is a martingale after subtracting the
// windows), so the mean time to a false alarm is at least the threshold in windows: no table and
// no simulation enters (Pollak 1985, Annals of Statistics 13:206; the argument is Shiryaev's, 1963).
type budget struct {
	// perBayYear is the rate of false pages per bay and year.
	perBayYear float64
	// page and morning are logarithms of the thresholds for the two deliveries.
	page, morning float64
	// hourly is morning for a test of every hour, daily for one of every whole day.
	hourly, daily float64
	// odds is how much likelier one cause must be than another to be named alone.
	odds float64
}

// tests is how many statistical tests share a bay's budget: loss and gain, meter, seepage,
// supply line, fills' flow and chamber, days beside the other bays'.
const tests = 7

// morningFactor is how much oftener a finding that waits for the morning may be false.
const morningFactor = 10

const (
	hoursPerYear   = 8766
	daysPerYear    = 365.25
	windowsPerYear = 2 * daysPerYear
)

func newBudget(s *site.Site) budget {
	pages := s.FalsePagesPerSeason
	if !(pages > 0) {
		pages = 0.03
	}
	b := budget{perBayYear: pages / 6 * 2, odds: math.Log(20)}
	b.page = math.Log(windowsPerYear * tests / b.perBayYear)
	b.morning = math.Log(windowsPerYear * tests / (b.perBayYear * morningFactor))
	b.hourly = b.morning + math.Log(hoursPerYear/windowsPerYear)
	b.daily = b.morning + math.Log(daysPerYear/windowsPerYear)
	return b
}
