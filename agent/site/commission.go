package site

import "time"

// Commission holds the durations, volumes and limits of the guided procedures that cannot be
// worked out from the site's areas, fill rates and pulses. A zero field takes its default.
type Commission struct {
	// Flush is how long a pipe runs until it is clean, Drain how long it runs empty afterwards.
	Flush, Drain time.Duration
	// Settle is the time constant with which a chamber follows its bay; a level counts as settled
	// after five of them.
	Settle time.Duration
	// LeakM3S is the smallest leak of the supply line that a static hold must exclude.
	LeakM3S float64
	// FirstSigns is by when a first fill must show in the chamber, FillWithin by when a bay must
	// be whole.
	FirstSigns, FillWithin time.Duration
	// DipApartM is the least difference between two dips that give a slope, DipStdM the standard
	// uncertainty of one dip.
	DipApartM, DipStdM float64
	// BucketStd is the relative standard uncertainty of the bucket or scale a meter is held
	// against.
	BucketStd float64
	// MeterClass is 1 or 2 of ISO 4064-1. MeterQ3M3S and MeterRatio are Q3 and R of the bays'
	// meters; 0 when the plate was not read, and a fill is then taken to run in the upper zone.
	MeterClass             int
	MeterQ3M3S, MeterRatio float64
	// Away is after how long without an answer or anything to see a person is taken to have left:
	// alarms then page again.
	Away time.Duration
	// WinterWatch is how long the tool watches a closed system before it believes it.
	WinterWatch time.Duration
}

// DefaultCommission holds the trade's rules of thumb (common practice, no source) and choices of
// our own: a flush of about two minutes and a minute to drain, signs of a first fill within 20
// minutes and up to a day to fill whole, dips 40 mm apart.
func DefaultCommission() Commission {
	return Commission{Flush: 2 * time.Minute, Drain: time.Minute, Settle: 4 * time.Minute, LeakM3S: 10e-3 / 3600,
		FirstSigns: 20 * time.Minute, FillWithin: 24 * time.Hour, DipApartM: 0.040, DipStdM: 0.001, BucketStd: 0.002,
		MeterClass: 2, Away: 30 * time.Minute, WinterWatch: 3 * 24 * time.Hour}
}

// WithDefaults returns c with every zero field set to its default.
func (c Commission) WithDefaults() Commission {
	d := DefaultCommission()
	span := func(x *time.Duration, by time.Duration) {
		if *x == 0 {
			*x = by
		}
	}
	num := func(x *float64, by float64) {
		if *x == 0 || !Known(*x) {
			*x = by
		}
	}
	span(&c.Flush, d.Flush)
	span(&c.Drain, d.Drain)
	span(&c.Settle, d.Settle)
	span(&c.FirstSigns, d.FirstSigns)
	span(&c.FillWithin, d.FillWithin)
	span(&c.Away, d.Away)
	span(&c.WinterWatch, d.WinterWatch)
	num(&c.LeakM3S, d.LeakM3S)
	num(&c.DipApartM, d.DipApartM)
	num(&c.DipStdM, d.DipStdM)
	num(&c.BucketStd, d.BucketStd)
	num(&c.MeterQ3M3S, 0)
	num(&c.MeterRatio, 0)
	if c.MeterClass == 0 {
		c.MeterClass = d.MeterClass
	}
	return c
}

// Isolation is a master valve on the main that the daemon may shut. It never opens it.
type Isolation struct {
	// Enabled is what the site file says; the daemon also wants a person's proof.
	Enabled bool
	// DryRun only says what would have been done.
	DryRun bool
	// Device and Link are the ids of the unit with the coil and of its line.
	Device, Link string
	// Address of the coil as it travels.
	Address int
	// ShutLevel is the coil's state that shuts the valve.
	ShutLevel bool
	// Travel is how long the valve takes to shut: slow enough for the pipe not to hammer.
	Travel time.Duration
	// MostPerDay bounds how often it is shut in 24 hours.
	MostPerDay int
}
