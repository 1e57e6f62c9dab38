package modbus

import (
	"context"
	"io"
	"math"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

func probeOf(t *testing.T, l Link) *Probe {
	t.Helper()
	p, err := NewProbe(t.Context(), ProbeOptions{Link: l, Timeout: 100 * time.Millisecond})
	require.NoError(t, err)
	t.Cleanup(func() { p.Close() })
	return p
}

func TestProbeFindsUnitsAndRegistersAroundHoles(t *testing.T) {
	for _, kind := range []LinkKind{TCP, RTUOverTCP} {
		f := numbered(t)
		f.rtu = kind != TCP
		f.act = func(c io.ReadWriteCloser, _ int, head, pdu, _ []byte) bool {
			if unit := head[len(head)-1]; unit != 3 {
				return true // nobody there
			}
			if pdu[0] == 0x2B {
				return false
			}
			if from, n := int(pdu[2]), int(pdu[4]); from <= 17 && 17 < from+n {
				c.Write(f.frame(head, []byte{pdu[0] | 0x80, 2}))
				return true
			}
			return false
		}
		l := tcpLink(f.listen())
		if f.rtu {
			l = rtuLink(l.Address)
			l.Late = 0
		}
		p := probeOf(t, l)
		var found []int
		for id := 1; id <= 4; id++ {
			alive, err := p.Alive(id)
			require.NoError(t, err)
			if alive {
				found = append(found, id)
			}
		}
		require.Equal(t, []int{3}, found)
		got, err := p.Registers(3, Holding, 0, 40)
		require.NoError(t, err)
		require.Len(t, got, 39)
		require.NotContains(t, got, 17)
		require.EqualValues(t, 1039, got[39])
		objects, err := p.Identify(3)
		require.NoError(t, err)
		require.Empty(t, objects, "a device without identification has none")
	}
}

// TestIdentification reads the golden answer of pymodbus' test_mei_messages.py.
func TestIdentification(t *testing.T) {
	golden := append([]byte{0x2B, 0x0E, 1, 0x83, 0, 0, 3, 0, 7}, "Company\x01\x07Product\x02\x07v2.1.12"...)
	for _, kind := range []LinkKind{TCP, RTUOverTCP} {
		f := numbered(t)
		f.rtu = kind != TCP
		f.act = func(c io.ReadWriteCloser, _ int, head, _, _ []byte) bool {
			c.Write(f.frame(head, golden))
			return true
		}
		l := tcpLink(f.listen())
		if f.rtu {
			l = rtuLink(l.Address)
		}
		objects, err := probeOf(t, l).Identify(1)
		require.NoError(t, err)
		require.Equal(t, []Object{{0, "vendor name", "Company"}, {1, "product code", "Product"}, {2, "revision", "v2.1.12"}}, objects)
	}
}

func TestProbeRefusesAnothersLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		sent := 0
		go func() {
			b := make([]byte, 16)
			for {
				n, err := far.Read(b)
				sent += n
				if err != nil {
					return
				}
			}
		}()
		go func() {
			pause := time.NewTimer(50 * time.Second)
			<-pause.C
			far.Write(rtuFrame(7, 4, 0, 0, 0, 2))
		}()
		l := rtuLink("")
		l.Listen = time.Minute
		_, err := newProbe(t.Context(), ProbeOptions{Link: l, Timeout: time.Second}, func(context.Context, Link) (port, error) { return near, nil })
		require.ErrorIs(t, err, ErrOtherMaster)
		require.ErrorContains(t, err, "07 04 00 00 00 02")
		synctest.Wait()
		far.Close()
		synctest.Wait()
		require.Zero(t, sent)
	})
}

func TestRankPutsTheRightReadingFirst(t *testing.T) {
	bits := math.Float32bits(63.48)
	rows := []struct {
		name      string
		registers map[int]uint16
		shown     string
		d         site.Dimension
		changed   map[int]bool
		address   int
		form      Type
		order     Order
		unit      string
	}{
		{"tenths of a millimetre", map[int]uint16{0: 17, 1: 635, 2: 4000}, "63.5 mm", site.Length, nil, 1, Uint16, ABCD, "0.1 mm"},
		{"a float", map[int]uint16{4: uint16(bits >> 16), 5: uint16(bits), 6: 9}, "63.5 mm", site.Length, nil, 4, Float32, ABCD, "1 mm"},
		{"a float with its words swapped", map[int]uint16{4: uint16(bits), 5: uint16(bits >> 16), 6: 9}, "63.5 mm", site.Length, nil, 4, Float32, CDAB, "1 mm"},
		{"bytes swapped", map[int]uint16{8: 0x7B02, 9: 3}, "63.5 mm", site.Length, nil, 8, Uint16, BADC, "0.1 mm"},
		{"a total of 32 bits", map[int]uint16{0: 0x0001, 1: 0x86A1, 2: 12}, "100001 L", site.Cubic, nil, 0, Uint32, ABCD, "1 L"},
		{"below zero", map[int]uint16{3: 0xFFEC, 4: 20}, "-2.0 C", site.Temperature, nil, 3, Int16, ABCD, "0.1 C"},
		{"two alike, one moves", map[int]uint16{1: 635, 7: 635}, "63.5 mm", site.Length, map[int]bool{7: true}, 7, Uint16, ABCD, "0.1 mm"},
	}
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) {
			got, err := Rank(r.registers, r.shown, r.d, r.changed)
			require.NoError(t, err)
			require.NotEmpty(t, got)
			require.Equal(t, r.address, got[0].Address, "%+v", got)
			require.Equal(t, r.order, got[0].Order)
			require.Equal(t, r.unit, got[0].Unit)
			require.Equal(t, r.form.Registers(), got[0].Type.Registers())
			require.NotEmpty(t, got[0].Reason)
		})
	}
	_, err := Rank(map[int]uint16{0: 0}, "0 mm", site.Length, nil)
	require.ErrorContains(t, err, "tells no register from another")
	_, err = Rank(map[int]uint16{0: 0}, "63.5", site.Length, nil)
	require.ErrorContains(t, err, "unit")
}

func FuzzIdentification(f *testing.F) {
	f.Fuzz(func(t *testing.T, pdu []byte) {
		objects, _, _ := parseIdentification(pdu)
		for _, o := range objects {
			require.NotEmpty(t, o.Name)
		}
	})
}
