package virtual

import (
	"iter"
	"math"
	"time"

	"bayledger/agent/site"
)

// Samples appends what every register holds at the model's present moment, as a driver without
// faults would have read it, in the order of the register map, and returns the slice. Points of
// a silent unit are bad.
func (f *Field) Samples(dst []site.Sample) []site.Sample {
	f.mu.Lock()
	defer f.mu.Unlock()
	t := f.now()
	for i := range f.points {
		r := &f.points[i]
		s := site.Sample{Point: r.Point, Time: t, Value: math.NaN(), Quality: site.Bad, Why: site.WhyTimeout}
		if !f.silent[r.Unit] {
			s.Value, s.Quality, s.Why = r.Decode(f.encode(r))
		}
		dst = append(dst, s)
	}
	return dst
}

// Each advances the model in steps of every until it has reached until, and yields the samples
// of each of these moments (see Samples). The slice is used again for the next one. The first
// moment is one interval after the present. A writer of recorded data turns them into its CSV.
func (f *Field) Each(until time.Time, every time.Duration) iter.Seq[[]site.Sample] {
	return func(yield func([]site.Sample) bool) {
		var samples []site.Sample
		for t := f.Now().Add(every); !t.After(until); t = t.Add(every) {
			f.Advance(t)
			if samples = f.Samples(samples[:0]); !yield(samples) {
				return
			}
		}
	}
}
