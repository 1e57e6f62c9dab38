package water

import "math"

// Step says what became of a new reading of a running total.
type Step uint8

// What a reading of a total can be.
const (
	StepFirst    Step = iota // the first reading: a base, no water
	StepCounted              // water, or none, since the last reading
	StepWrapped              // the register rolled over on the way; counted
	StepWaiting              // fell or leapt: kept aside until the next readings say which is true
	StepRestart              // the register was reset or the meter replaced; a new base, no water
	StepGlitch               // the reading kept aside was a slip: forgotten
	StepBackward             // a little lower than before: held at the highest reading
	StepNaN                  // not a number: ignored
)

// Register turns the running total a meter shows into increments of water. Water is never
// invented: a fall that is no roll-over, or a leap faster than any flow the pipe can carry,
// counts nothing until later readings show which of the two is true, and a register that starts
// again starts again from nothing.
//
// The zero value with MaxM3S set is ready. All volumes in m3, times in seconds.
type Register struct {
	PulseM3   float64 // one count; NaN or 0 when not known
	ModulusM3 float64 // where it rolls over; NaN when never
	MaxM3S    float64 // the most that can flow

	// What follows is exported for the snapshot alone. Base is the last reading believed; Aside
	// holds readings that do not follow from it: the first and the latest of them, and how many
	// in a row follow from each other.
	Have             bool
	Base, BaseAt     float64
	Aside, AsideAt   float64
	AsideLast, LastT float64
	AsideN           int
}

// confirm is how many readings in a row that follow from each other make a restart believed. A
// unit that answers a momentary 0 does so once or twice after a power dip.
const confirm = 3

// resolution is the smallest change the reading can show: a count, or the spacing of a 32-bit
// float of that size when the reading is one.
func (r *Register) resolution(v float64) float64 {
	q := 0.0
	if r.PulseM3 > 0 {
		q = r.PulseM3
	}
	if float64(float32(v)) == v && v != 0 {
		q = max(q, math.Abs(v)*0x1p-23)
	}
	return q
}

// Add takes the reading v made at second t (any fixed origin) and returns the water since the
// last one that was believed. t must not go back; a reading that is not later is ignored.
func (r *Register) Add(t, v float64) (float64, Step) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, StepNaN
	}
	if !r.Have {
		r.Have, r.Base, r.BaseAt = true, v, t
		return 0, StepFirst
	}
	if !(t > r.BaseAt) {
		return 0, StepNaN
	}
	if inc, step := r.follow(r.Base, r.BaseAt, t, v); step == StepCounted || step == StepWrapped || step == StepBackward {
		glitch := r.AsideN > 0
		r.AsideN = 0
		if step == StepBackward {
			// The highest reading stays the base, so that its coming back counts nothing.
			r.BaseAt = t
			return 0, step
		}
		r.Base, r.BaseAt = v, t
		if glitch && inc == 0 {
			return 0, StepGlitch
		}
		return inc, step
	}
	if r.AsideN > 0 {
		if _, step := r.follow(r.AsideLast, r.LastT, t, v); step == StepCounted || step == StepBackward {
			r.AsideN++
			r.AsideLast, r.LastT = max(v, r.AsideLast), t
			if r.AsideN >= confirm {
				// What was counted since the restart is water.
				inc := max(0, r.AsideLast-r.Aside)
				r.Base, r.BaseAt, r.AsideN = r.AsideLast, t, 0
				return inc, StepRestart
			}
			return 0, StepWaiting
		}
	}
	r.Aside, r.AsideAt, r.AsideLast, r.LastT, r.AsideN = v, t, v, t, 1
	return 0, StepWaiting
}

// follow says whether v at t can follow from base at baseAt.
func (r *Register) follow(base, baseAt, t, v float64) (float64, Step) {
	q := max(r.resolution(v), r.resolution(base))
	most := r.MaxM3S*(t-baseAt) + 2*q
	inc := v - base
	switch {
	case inc >= 0 && inc <= most:
		return inc, StepCounted
	case inc < 0 && -inc <= 1.5*q:
		return 0, StepBackward
	case inc < 0 && r.ModulusM3 > 0:
		// A fall bigger than half the range with a plausible rest is a roll-over; another is a
		// reset.
		if w := inc + r.ModulusM3; w >= 0 && w <= most && -inc > r.ModulusM3/2 {
			return w, StepWrapped
		}
	}
	return 0, StepWaiting
}
