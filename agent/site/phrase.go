package site

import "time"

// Phrase is what the core has to say to people: English words with fmt's verbs, and what fills
// them. agent/words puts it into the language and units of the site when somebody is told. Until
// then it costs little, for what holds is found anew at every tick.
//
// A verb takes a number, a text that is the same in every language, one of the quantities below or
// another Phrase, for which it is %s. A Phrase that nothing fills is said as it stands, whatever
// signs are in it.
type Phrase struct {
	Words string
	With  []any
}

// Say makes a phrase. The words are the phrase's name in the catalogue of every language.
func Say(words string, with ...any) Phrase { return Phrase{words, with} }

// Quantities in a phrase, shown in the site's units: a level or a difference of levels, m, and one that
// is measured closely; water, m3; a flow, m3/s; a pressure, Pa; a temperature, degC; a difference of
// temperatures, K. The verb %+s shows the sign of one above 0.
type (
	Depth float64
	Close float64
	Water float64
	Rate  float64
	Press float64

	Celsius float64
	Kelvin  float64
)

// RateU is what a flow is unsure of, U, in a phrase, both m3/s: it is shown in the flow's own unit of time.
type RateU struct{ U, Of float64 }

// List is a list in a phrase.
type List []Phrase

// Lasted is how long something has gone on or will take, in a phrase.
type Lasted time.Duration

// Clock and Day are moments in a phrase by the site's clock: the hour, and the hour with its day
// of the week.
type (
	Clock time.Time
	Day   time.Time
)

// Moment is a moment in a phrase that is the hour on the day of Now, and has its date on others.
type Moment struct{ At, Now time.Time }
