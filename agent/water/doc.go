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
// hour. It follows the level by the minute; what is lost slowly is judged by windows, balances
// closed between settled levels by day and by night, against the habit learned from them.
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
//
// # Porosity and windows
//
// Porosity is learned from settled spans (an hour after the last water, four strides averaged;
// rain, crest, holds and spans that lost over three tenths left out), summed up by the half day:
// the settled level regressed on metered water, since the meter is the surer; whether the meter has begun to
// count otherwise is judged by how far the bay's own slopes lie apart. Accounts, room,
// windows and what people see go by it; the filter's own scale errs high (its expected level and
// its surprise share an error) and serves the filter alone.
//
// What a bay loses is learned and judged on balances closed between settled levels (closed.go,
// windows.go): one for the day, dawn to two hours after sunset, one for the rest of the night.
// Rain of over 3 mm (by night 0.3), the overflow and whatever else lets a balance say nothing end a window at the last
// settled moment before, and the next begins when the bay has settled after; by night one ends as well when rain that was
// soaking through has arrived. Such parts of days are judged and teach nothing.
// Loss = metered + hand + 0.9 rain - held. habit.go regresses it on reference evaporation (factor
// K), on what of it is beyond these hours' of the last five days (R: clay that gives slowly answers a hot day by
// less), on what falls due to the clay after sunset (share W), on hours (constant loss C) and on how
// much warmer the level sensor is at the end than at the start (0.05 mm a degree, three hours
// behind the air); the error of the level between two windows is a state, so windows hang together. A window's
// variance: its ends; the passing weather and night air (and what clay draws by night is as unsure as the evaporation that
// dried it), scaled by what the site's own windows
// show, by day and by night: what all bays share by how they lie beside their habits (never below 0.6 of what is
// stated), what each has by itself, 6 % of a day, by what is left beside the others (never below 0.4); the curve, a factor known to 1.5 %
// for each mm up to 10 and 8.5 % more for each beyond 4 mm of a rise, or over where the level has lived for two days, only where level and balance go the same way (a wrong
// curve makes no fall of a rise); the lead, wrong by 35 % in all fills alike, which is a state of the habit too (nights seem to gain what days
// seem to lose), or, for hours, no less than none (leads); rain, 40 % of it, and of what was still sinking in 30 % as a gain alone; evaporation
// at another depth, 5 % for each mm, only in the direction depth works. Where the level has come to
// live elsewhere the factor stays as unsure as it was while that was far, and what is drawn late with it. Evaporation by night, which
// the air asks of clay without sun, is unsure by half; a night under way by half of what has yet to be drawn. What the other bays show in
// their median is expected of each as far as they are sure of it, also of one that closes its day hours
// later. Of a day under way three tenths, give or take as much, are drawn two hours late. A site-wide departure of
// three deviations (rain no gauge saw) teaches and tells nothing.
//
// # Evaporation and spans
//
// Evaporation: Penman-Monteith by the hour where temperature and sun are good (stand-ins of
// the paper for the rest), by the day where the sun must be had from the range of temperature,
// Hargreaves, monthly table, latitude and date; uncertainty of a day 20, 25, 30, 45, 50 %.
//
// A second opinion on the factor (white.go; White 1932): days between settled midnights, the
// rate from midnight to four of nights without fill, rain or rewetting. It knows neither
// weather nor habit; the page and `replay --explain` show it beside the learned factor.
//
// An account of a span is a difference of two marks; evaporation and storage enter with what
// is known at its closing, their uncertainties through the filter's covariance (parts that
// hang together enter together), the meter as class 2 (2 % / sqrt 3 and q / sqrt 6), by the
// GUM rule, k = 2. Where the overflow ran, unexplained is empty.
package water
