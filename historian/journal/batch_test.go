package journal

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

func decode(data []byte, base int64, n int) ([]reading, error) {
	var all []reading
	err := eachReading(data, base, n, func(_ int, r reading) bool { all = append(all, r); return true })
	return all, err
}

func TestValuesKeepEveryBit(t *testing.T) {
	values := []float64{0, math.Copysign(0, -1), 1, -1, 0.1, 0.3, 1.0 / 3, math.Pi, 1e-9, 1e-10, 123456789.123, 1e15, 1e16, -1e300,
		math.MaxFloat64, math.SmallestNonzeroFloat64, math.Nextafter(0.25, 1)}
	for i := range 5000 { // what registers give
		values = append(values, float64(i)*0.1, float64(i)/10, float64(i)*1e-3, float64(i)/1000, float64(i)*0.0254)
	}
	short := 0
	for _, v := range values {
		form, s := shorten(v)
		if form != formFloat {
			back, err := lengthen(form, s)
			require.NoError(t, err)
			require.Equal(t, math.Float64bits(v), math.Float64bits(back), "%v", v)
			short++
		}
	}
	require.Greater(t, short, 20000, "register values are stored short")
}

func TestASpoiltBatchIsNoticed(t *testing.T) {
	data := appendBatch(nil, 1000, []reading{{point: 1, t: 1000, value: 0.25}, {point: 200, t: 1003, value: math.Pi, quality: 1, why: 3, cal: 4}, {point: 2, t: 1001, value: math.NaN(), quality: 2, why: 1}})
	_, err := decode(data, 1000, 3)
	require.NoError(t, err)
	for i := range data {
		for bit := range 8 {
			spoilt := append([]byte(nil), data...)
			spoilt[i] ^= 1 << bit
			got, err := decode(spoilt, 1000, 3)
			require.ErrorIs(t, err, errDamaged, "byte %d bit %d", i, bit)
			require.Empty(t, got)
		}
	}
	_, err = decode(data, 1000, 2)
	require.ErrorIs(t, err, errDamaged)
	_, err = decode(data, 1000, 4)
	require.ErrorIs(t, err, errDamaged)
}

func FuzzBatch(f *testing.F) {
	f.Add(appendBatch(nil, 5, []reading{{point: 1, t: 9, value: 0.25, cal: 1}, {point: 300, t: 5, value: math.NaN(), quality: 2, why: 2}})[4:], int64(5), 2)
	f.Fuzz(func(t *testing.T, body []byte, base int64, n int) {
		if n < 0 || n > 1000 {
			return
		}
		// The checksum would hide the decoder from the fuzzer, so it is put right first.
		data := sealed(body)
		all, err := decode(data, base, n)
		if err != nil {
			return
		}
		if len(all) != n {
			t.Fatalf("%d readings of %d", len(all), n)
		}
		again, err := decode(appendBatch(nil, base, all), base, n)
		if err != nil {
			t.Fatalf("what was read cannot be written: %v", err)
		}
		for i := range all {
			a, b := all[i], again[i]
			if math.Float64bits(a.value) != math.Float64bits(b.value) && !(math.IsNaN(a.value) && math.IsNaN(b.value)) {
				t.Fatalf("sample %d: %v became %v", i, a.value, b.value)
			}
			a.value, b.value = 0, 0
			if a != b {
				t.Fatalf("sample %d: %+v became %+v", i, a, b)
			}
		}
	})
}
