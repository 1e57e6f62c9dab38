package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
)

// A batch is stored as one blob: the CRC-32C of the rest, little-endian, and then sample after
// sample
//
//	uvarint  number of the point
//	varint   ms since the sample before it (the first: since the batch's earliest time)
//	byte     flags
//	         bits 0-1 quality, bits 2-3 form of the value, bit 4 a reason follows, bit 5 a
//	         calibration follows
//	value    form 0 nothing, form 1 float64 little-endian, forms 2 and 3 a short decimal
//	uvarint  number of the reason, if flagged
//	uvarint  id of the calibration, if flagged
//
// A sensor's number is a small whole number times a power of ten, so most values are kept as
// the uvarint zigzag(m)<<4 | k and read back as m/10^k (form 2) or m*10^-k (form 3), whichever
// gives the very same float64; the encoder tries both and falls back to form 1. The checksum
// tells a page that the card has spoilt from one that it has not, which SQLite does not.
const (
	formNone = iota
	formFloat
	formDivide
	formTimes
)

const (
	flagWhy = 1 << 4
	flagCal = 1 << 5
	// maxDecimals is the largest k; it fits the four bits.
	maxDecimals = 9
)

// Both tables are exact decimals rounded once by the compiler, so they are the same on every
// machine.
var (
	pow10 = [maxDecimals + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9}
	inv10 = [maxDecimals + 1]float64{1, 1e-1, 1e-2, 1e-3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9}
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// errDamaged is wrapped by every complaint about a blob that is not what was written.
var errDamaged = errors.New("damaged")

// reading is a sample as it is stored: names are numbers, time is ms.
type reading struct {
	point   uint32
	why     uint32 // 0: none
	cal     uint32
	quality uint8
	t       int64
	value   float64 // NaN: none
}

// appendBatch encodes readings. base is their earliest time.
func appendBatch(dst []byte, base int64, readings []reading) []byte {
	start := len(dst)
	dst = append(dst, 0, 0, 0, 0)
	prev := base
	for _, r := range readings {
		dst = binary.AppendUvarint(dst, uint64(r.point))
		dst = binary.AppendVarint(dst, r.t-prev)
		prev = r.t
		form, short := shorten(r.value)
		flags := r.quality&3 | form<<2
		if r.why != 0 {
			flags |= flagWhy
		}
		if r.cal != 0 {
			flags |= flagCal
		}
		dst = append(dst, flags)
		switch form {
		case formFloat:
			dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(r.value))
		case formDivide, formTimes:
			dst = binary.AppendUvarint(dst, short)
		}
		if r.why != 0 {
			dst = binary.AppendUvarint(dst, uint64(r.why))
		}
		if r.cal != 0 {
			dst = binary.AppendUvarint(dst, uint64(r.cal))
		}
	}
	binary.LittleEndian.PutUint32(dst[start:], crc32.Checksum(dst[start+4:], castagnoli))
	return dst
}

// shorten finds the shortest form of a value that reads back as the very same bits.
func shorten(v float64) (form uint8, short uint64) {
	if math.IsNaN(v) {
		return formNone, 0
	}
	bits := math.Float64bits(v)
	for k := range pow10 {
		m := math.Round(v * pow10[k])
		// Above 2^47 the decimal would be no shorter than the float64 itself.
		if math.Abs(m) >= 1<<47 {
			break
		}
		var f uint8
		switch bits {
		case math.Float64bits(m / pow10[k]):
			f = formDivide
		case math.Float64bits(m * inv10[k]):
			f = formTimes
		default:
			continue
		}
		i := int64(m)
		if i == 0 && bits != 0 {
			break // minus zero has no whole number
		}
		return f, (uint64(i)<<1^uint64(i>>63))<<4 | uint64(k)
	}
	return formFloat, 0
}

// lengthen is the reverse of shorten.
func lengthen(form uint8, short uint64) (float64, error) {
	k := short & 15
	if k > maxDecimals {
		return 0, fmt.Errorf("%d decimals: %w", k, errDamaged)
	}
	z := short >> 4
	m := float64(int64(z>>1) ^ -int64(z&1))
	if form == formDivide {
		return m / pow10[k], nil
	}
	return m * inv10[k], nil
}

// eachReading decodes a batch and calls f for every reading in its order, until f returns false.
// n is how many there must be. Nothing is called when the checksum is wrong.
func eachReading(data []byte, base int64, n int, f func(i int, r reading) bool) error {
	if len(data) < 4 {
		return fmt.Errorf("batch of %d bytes: %w", len(data), errDamaged)
	}
	body := data[4:]
	if crc32.Checksum(body, castagnoli) != binary.LittleEndian.Uint32(data) {
		return fmt.Errorf("batch: checksum: %w", errDamaged)
	}
	prev := base
	for i := range n {
		var r reading
		point, w := binary.Uvarint(body)
		if w <= 0 || point > math.MaxUint32 {
			return fmt.Errorf("batch: point of sample %d: %w", i, errDamaged)
		}
		body, r.point = body[w:], uint32(point)
		dt, w := binary.Varint(body)
		if w <= 0 || w == len(body) {
			return fmt.Errorf("batch: time of sample %d: %w", i, errDamaged)
		}
		prev += dt
		r.t = prev
		flags := body[w]
		body = body[w+1:]
		if flags&^0x3f != 0 {
			return fmt.Errorf("batch: flags of sample %d: %w", i, errDamaged)
		}
		r.quality = flags & 3
		switch form := flags >> 2 & 3; form {
		case formNone:
			r.value = math.NaN()
		case formFloat:
			if len(body) < 8 {
				return fmt.Errorf("batch: value of sample %d: %w", i, errDamaged)
			}
			r.value = math.Float64frombits(binary.LittleEndian.Uint64(body))
			body = body[8:]
		default:
			short, w := binary.Uvarint(body)
			if w <= 0 {
				return fmt.Errorf("batch: value of sample %d: %w", i, errDamaged)
			}
			body = body[w:]
			var err error
			if r.value, err = lengthen(form, short); err != nil {
				return fmt.Errorf("batch: value of sample %d: %w", i, err)
			}
		}
		for _, part := range []struct {
			flag uint8
			to   *uint32
		}{{flagWhy, &r.why}, {flagCal, &r.cal}} {
			if flags&part.flag == 0 {
				continue
			}
			v, w := binary.Uvarint(body)
			if w <= 0 || v > math.MaxUint32 {
				return fmt.Errorf("batch: reason or calibration of sample %d: %w", i, errDamaged)
			}
			body, *part.to = body[w:], uint32(v)
		}
		if !f(i, r) {
			return nil
		}
	}
	if len(body) != 0 {
		return fmt.Errorf("batch: %d bytes after the last sample: %w", len(body), errDamaged)
	}
	return nil
}

// sealed puts the checksum in front of a body.
func sealed(body []byte) []byte {
	return append(binary.LittleEndian.AppendUint32(nil, crc32.Checksum(body, castagnoli)), body...)
}
