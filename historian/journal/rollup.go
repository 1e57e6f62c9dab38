package journal

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"maps"
	"math"
	"slices"
	"time"

	"bayledger/agent/site"
)

// Buckets of a minute and of an hour answer the questions of the page and of the reports. Both
// are rolled up from the same batches in one transaction with one cursor (meta "rolled"), so
// that a bucket holds exactly the batches up to the cursor, whatever was interrupted. They hold
// values before calibration, apart for each calibration, because a straight line keeps minimum,
// mean and maximum.
//
// A bucket's blob is a CRC-32C and then, in the order of point and calibration,
//
//	uvarint point, calibration, count of values, count of bad samples
//	if there are values: a byte with the forms of min, max, last (batch.go); those three; the
//	sum as float64; uvarint ms from the bucket's start to the last value

const hourMS = 60 * minuteMS

type bucketKey struct{ point, cal uint32 }

type bucket struct {
	n, bad              uint64
	min, max, last, sum float64
	lastT               int64 // ms
}

func (b *bucket) add(r reading) {
	if r.quality == uint8(site.Bad) {
		b.bad++
		return
	}
	b.merge(bucket{n: 1, min: r.value, max: r.value, last: r.value, sum: r.value, lastT: r.t})
}

func (b *bucket) merge(o bucket) {
	b.bad += o.bad
	switch {
	case o.n == 0:
		return
	case b.n == 0:
		b.min, b.max, b.last, b.lastT = o.min, o.max, o.last, o.lastT
	default:
		b.min, b.max = min(b.min, o.min), max(b.max, o.max)
		if o.lastT >= b.lastT {
			b.last, b.lastT = o.last, o.lastT
		}
	}
	b.n += o.n
	b.sum += o.sum
}

func appendBuckets(start int64, all map[bucketKey]*bucket) []byte {
	var body []byte
	keys := slices.SortedFunc(maps.Keys(all), func(a, b bucketKey) int {
		return cmp.Or(cmp.Compare(a.point, b.point), cmp.Compare(a.cal, b.cal))
	})
	for _, k := range keys {
		b := all[k]
		for _, v := range []uint64{uint64(k.point), uint64(k.cal), b.n, b.bad} {
			body = binary.AppendUvarint(body, v)
		}
		if b.n == 0 {
			continue
		}
		at := len(body)
		body = append(body, 0)
		for i, v := range []float64{b.min, b.max, b.last} {
			form, short := shorten(v)
			body[at] |= form << (2 * i)
			if form == formFloat {
				body = binary.LittleEndian.AppendUint64(body, math.Float64bits(v))
			} else {
				body = binary.AppendUvarint(body, short)
			}
		}
		body = binary.LittleEndian.AppendUint64(body, math.Float64bits(b.sum))
		body = binary.AppendUvarint(body, uint64(b.lastT-start))
	}
	return sealed(body)
}

// eachBucket decodes a blob. f may stop it by returning false.
func eachBucket(data []byte, start int64, f func(bucketKey, bucket) bool) error {
	if len(data) < 4 || crc32.Checksum(data[4:], castagnoli) != binary.LittleEndian.Uint32(data) {
		return fmt.Errorf("bucket at %d: checksum: %w", start, errDamaged)
	}
	body, broken := data[4:], false
	uvarint := func() uint64 {
		v, w := binary.Uvarint(body)
		if w <= 0 {
			broken = true
			return 0
		}
		body = body[w:]
		return v
	}
	float := func() float64 {
		if len(body) < 8 {
			broken = true
			return 0
		}
		v := math.Float64frombits(binary.LittleEndian.Uint64(body))
		body = body[8:]
		return v
	}
	for len(body) > 0 {
		k := bucketKey{uint32(uvarint()), uint32(uvarint())}
		b := bucket{n: uvarint(), bad: uvarint()}
		if b.n > 0 && len(body) > 0 {
			forms := body[0]
			body = body[1:]
			for i, to := range []*float64{&b.min, &b.max, &b.last} {
				form := forms >> (2 * i) & 3
				switch form {
				case formNone:
					broken = true
				case formFloat:
					*to = float()
				default:
					v, err := lengthen(form, uvarint())
					*to, broken = v, broken || err != nil
				}
			}
			b.sum = float()
			b.lastT = start + int64(uvarint())
		} else if b.n > 0 {
			broken = true
		}
		if broken {
			return fmt.Errorf("bucket at %d: %w", start, errDamaged)
		}
		if !f(k, b) {
			return nil
		}
	}
	return nil
}

// rollup are fresh buckets of both levels, by their start.
type rollup struct {
	minutes, hours map[int64]map[bucketKey]*bucket
}

func newRollup() rollup {
	return rollup{map[int64]map[bucketKey]*bucket{}, map[int64]map[bucketKey]*bucket{}}
}

// add counts a reading whose time is the true one.
func (u rollup) add(r reading) {
	for _, level := range []struct {
		into map[int64]map[bucketKey]*bucket
		ms   int64
	}{{u.minutes, minuteMS}, {u.hours, hourMS}} {
		start := r.t / level.ms * level.ms
		if level.into[start] == nil {
			level.into[start] = map[bucketKey]*bucket{}
		}
		k := bucketKey{r.point, r.cal}
		if level.into[start][k] == nil {
			level.into[start][k] = &bucket{}
		}
		level.into[start][k].add(r)
	}
}

// merge puts the buckets into the tables.
func (u rollup) merge(ctx context.Context, tx *sql.Tx) error {
	if err := mergeBuckets(ctx, tx, "minutes", u.minutes); err != nil {
		return classify(err)
	}
	return classify(mergeBuckets(ctx, tx, "hours", u.hours))
}

// rollBatches is how many batches are rolled up in one transaction: an append waits for it.
const rollBatches = 500

// rollUp brings the buckets up to the last whole minute of dated samples.
func (j *Journal) rollUp(ctx context.Context) error {
	upto := j.newest.Load() / minuteMS * minuteMS
	for {
		cursor, err := j.meta(ctx, "rolled")
		if err != nil {
			return err
		}
		fresh := newRollup()
		n, end := 0, cursor
		for b, err := range j.batches(ctx, cursor) {
			if err != nil {
				return err
			}
			shift, state := j.runs.shift(b.run)
			if n == rollBatches || state == runUndated || b.t+shift >= upto {
				break
			}
			n++
			err := eachReading(b.data, b.t, b.n, func(i int, r reading) bool {
				if b.first+int64(i) <= cursor {
					return true
				}
				r.t += shift
				fresh.add(r)
				return true
			})
			if err != nil {
				return fmt.Errorf("batch %d: %w: %w", b.first, ErrDamaged, err)
			}
			end = b.last()
		}
		if end == cursor {
			return nil
		}
		if err := j.writeBuckets(ctx, cursor, end, fresh); err != nil {
			return err
		}
	}
}

// writeBuckets merges buckets into the tables and moves the cursor, in one transaction.
func (j *Journal) writeBuckets(ctx context.Context, cursor, end int64, fresh rollup) error {
	tx, err := j.samples.w.BeginTx(ctx, nil)
	if err != nil {
		return classify(err)
	}
	if err = fresh.merge(ctx, tx); err == nil {
		_, err = tx.ExecContext(ctx, "INSERT INTO meta (key, value) VALUES ('rolled', ?) ON CONFLICT DO UPDATE SET value = excluded.value", end)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("roll up %d to %d: %w", cursor, end, classify(err)), tx.Rollback())
	}
	return classify(tx.Commit())
}

func mergeBuckets(ctx context.Context, tx *sql.Tx, table string, fresh map[int64]map[bucketKey]*bucket) error {
	for _, start := range slices.Sorted(maps.Keys(fresh)) {
		all := fresh[start]
		var old []byte
		err := tx.QueryRowContext(ctx, "SELECT data FROM "+table+" WHERE t = ?", start).Scan(&old)
		switch {
		case errors.Is(err, sql.ErrNoRows):
		case err != nil:
			return err
		default:
			err := eachBucket(old, start, func(k bucketKey, b bucket) bool {
				if late, ok := all[k]; ok {
					// What is stored came first: of two values of one time, the later stays.
					b.merge(*late)
				}
				all[k] = &b
				return true
			})
			if err != nil {
				return fmt.Errorf("%w: %w", ErrDamaged, err)
			}
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO "+table+" (t, data) VALUES (?, ?) ON CONFLICT DO UPDATE SET data = excluded.data", start, appendBuckets(start, all)); err != nil {
			return err
		}
	}
	return nil
}

// meta reads a number of the samples' meta table, 0 when it is not there.
func (j *Journal) meta(ctx context.Context, key string) (int64, error) {
	var v int64
	err := j.samples.r.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = ?", key).Scan(&v)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return 0, classify(err)
	}
	return v, nil
}

// Bucket sums up one point over a span of time. Its values are calibrated and in SI.
type Bucket struct {
	Start time.Time
	// N counts samples with a value, Bad those without.
	N, Bad int64
	// Min, Mean, Max and Last are NaN when N is 0. For a running total, Last tells the story.
	Min, Mean, Max, Last float64
}

// maxBuckets bounds an answer.
const maxBuckets = 20_000

// Series returns the buckets of a point from a time to another, each step long; a bucket without
// samples is there and empty. from is taken down to the minute. step is a whole number of
// minutes; whole hours, from a whole hour on, are answered much faster.
func (j *Journal) Series(ctx context.Context, point string, from, to time.Time, step time.Duration) ([]Bucket, error) {
	stepMS, start := step.Milliseconds(), from.UnixMilli()/minuteMS*minuteMS
	n := (to.UnixMilli() - start + stepMS - 1)
	if stepMS < minuteMS || stepMS%minuteMS != 0 || n < 0 || n/max(stepMS, 1) > maxBuckets {
		return nil, fmt.Errorf("journal: series: %v steps from %v to %v are not whole minutes, or more than %d", step, from, to, maxBuckets)
	}
	sums := make([]map[uint32]bucket, n/stepMS)
	id, ok := j.dict.id(namePoint, point)
	if ok {
		if err := j.series(ctx, id, start, stepMS, sums); err != nil {
			j.condemn(samplesFile, err)
			return nil, fmt.Errorf("journal: series of %s: %w", point, err)
		}
	}
	cal := j.Calibrations()
	all := make([]Bucket, len(sums))
	for i, byCal := range sums {
		all[i] = calibrated(time.UnixMilli(start+int64(i)*stepMS).UTC(), byCal, cal)
	}
	return all, nil
}

func (j *Journal) series(ctx context.Context, point uint32, start, step int64, sums []map[uint32]bucket) error {
	end := start + int64(len(sums))*step
	add := func(t int64, cal uint32, b bucket) {
		if t < start || t >= end {
			return
		}
		i := (t - start) / step
		if sums[i] == nil {
			sums[i] = map[uint32]bucket{}
		}
		sum := sums[i][cal]
		sum.merge(b)
		sums[i][cal] = sum
	}
	// The cursor is read first: what is rolled up between the two reads is then counted from
	// neither twice, because the tail below begins at the same cursor in the same transaction.
	tx, err := j.samples.r.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return classify(err)
	}
	defer tx.Rollback() //nolint:errcheck // it only read
	var cursor int64
	if err := tx.QueryRowContext(ctx, "SELECT coalesce((SELECT value FROM meta WHERE key = 'rolled'), 0)").Scan(&cursor); err != nil {
		return classify(err)
	}
	table := "minutes"
	if start%hourMS == 0 && step%hourMS == 0 {
		table = "hours"
	}
	rows, err := tx.QueryContext(ctx, "SELECT t, data FROM "+table+" WHERE t >= ? AND t < ? ORDER BY t", start, end)
	if err != nil {
		return classify(err)
	}
	defer rows.Close()
	var data sql.RawBytes
	for rows.Next() {
		var t int64
		if err := rows.Scan(&t, &data); err != nil {
			return classify(err)
		}
		err := eachBucket(data, t, func(k bucketKey, b bucket) bool {
			if k.point == point {
				add(t, k.cal, b)
			}
			return k.point <= point
		})
		if err != nil {
			return fmt.Errorf("%w: %w", ErrDamaged, err)
		}
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return classify(err)
	}
	rows, err = tx.QueryContext(ctx, selectBatch+"WHERE first > ? ORDER BY first", cursor)
	if err != nil {
		return classify(err)
	}
	defer rows.Close()
	for rows.Next() {
		var b batch
		if err := rows.Scan(&b.first, &b.n, &b.t, &b.span, &b.run, &data); err != nil {
			return classify(err)
		}
		shift, state := j.runs.shift(b.run)
		if state == runUndated || b.t+shift >= end || b.t+b.span+shift < start {
			continue
		}
		err := eachReading(data, b.t, b.n, func(_ int, r reading) bool {
			if r.point == point {
				r.t += shift
				var one bucket
				one.add(r)
				add(r.t, r.cal, one)
			}
			return true
		})
		if err != nil {
			return fmt.Errorf("batch %d: %w: %w", b.first, ErrDamaged, err)
		}
	}
	return classify(rows.Err())
}

// calibrated joins the sums of one bucket.
func calibrated(start time.Time, byCal map[uint32]bucket, cal site.Calibrations) Bucket {
	out := Bucket{Start: start, Min: math.NaN(), Mean: math.NaN(), Max: math.NaN(), Last: math.NaN()}
	var sum float64
	var lastT int64
	for _, id := range slices.Sorted(maps.Keys(byCal)) {
		b := byCal[id]
		out.Bad += int64(b.bad)
		if b.n == 0 {
			continue
		}
		apply := func(v float64) float64 { return v }
		if k, ok := cal[id]; ok {
			apply = func(v float64) float64 { return float64(k.Gain*v) + k.Offset }
		}
		lo, hi := apply(b.min), apply(b.max)
		lo, hi = min(lo, hi), max(lo, hi) // a negative gain turns them round
		if out.N == 0 {
			out.Min, out.Max = lo, hi
		} else {
			out.Min, out.Max = min(out.Min, lo), max(out.Max, hi)
		}
		if out.N == 0 || b.lastT >= lastT {
			out.Last, lastT = apply(b.last), b.lastT
		}
		out.N += int64(b.n)
		sum += apply(b.sum/float64(b.n)) * float64(b.n)
	}
	if out.N > 0 {
		out.Mean = sum / float64(out.N)
	}
	return out
}
