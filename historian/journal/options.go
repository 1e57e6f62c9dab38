package journal

import (
	"log/slog"
	"time"

	"bayledger/agent/site"
)

// Options of a journal.
type Options struct {
	// Dir is the folder of the journal; it is made when missing.
	Dir string
	// MaxAge is how long forwarded samples are kept.
	MaxAge time.Duration
	// HourlyAge is how long the buckets of an hour are kept; those of a minute go with MaxAge.
	HourlyAge time.Duration
	// MaxBytes bounds the file of samples. The oldest forwarded samples go when it is nearly
	// reached; what has not been forwarded never goes.
	MaxBytes int64
	// MinFreeBytes is room on the disk that the journal leaves to others: with less, the oldest
	// forwarded samples go and their pages are given back.
	MinFreeBytes int64
	// ReadOnly opens a journal that another process may be writing: queries, Entries, export
	// and backup work, everything that writes returns ErrReadOnly.
	ReadOnly bool
	// Log gets what an operator should know; nil discards it.
	Log *slog.Logger

	// vfs and synchronous are for the power-cut test.
	vfs, synchronous string
}

// DefaultOptions for a folder: 400 days of samples and eight years of hourly buckets, in at
// most 8 GB of a disk of which 256 MB stay free.
func DefaultOptions(dir string) Options {
	return Options{Dir: dir, MaxAge: 400 * 24 * time.Hour, HourlyAge: 8 * 366 * 24 * time.Hour, MaxBytes: 8 << 30, MinFreeBytes: 256 << 20}
}

// minBytes is the smallest file of samples that makes sense: a day of a small site.
const minBytes = 1 << 20

// Validate returns every mistake.
func (o Options) Validate() site.Problems {
	var p site.Problems
	if o.Dir == "" {
		p.Add("dir", "name a folder on a disk that survives a restart, such as /var/lib/bayledger", "the journal has no folder")
	}
	if o.MaxAge < time.Hour {
		p.Add("max_age", "keep at least 1h", "%v of history is too little to restart from", o.MaxAge)
	}
	if o.HourlyAge < o.MaxAge {
		p.Add("hourly_age", "give at least max_age", "hourly figures would be gone before the samples they stand for")
	}
	if o.MaxBytes < minBytes {
		p.Add("max_bytes", "give at least 1 MiB", "%d bytes cannot hold a day", o.MaxBytes)
	}
	if o.MinFreeBytes < 0 {
		p.Add("min_free_bytes", "give 0 or more", "free room cannot be negative")
	}
	return p
}
