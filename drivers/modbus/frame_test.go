package modbus

import (
	"encoding/hex"
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	require.NoError(t, err)
	return b
}

// TestSpecificationExamples: requests and answers of the application protocol V1.1b3, 6.1 to
// 6.4 and 7, through the library and our line, as bytes on the wire.
func TestSpecificationExamples(t *testing.T) {
	rows := []struct {
		name            string
		table           Table
		address, n      int
		request, answer string // PDUs
		want            string // data; empty for an exception
	}{
		{"6.1 coils 20 to 38", Coils, 19, 19, "01 0013 0013", "01 03 CD 6B 05", "CD 6B 05"},
		{"6.2 inputs 197 to 218", Discrete, 196, 22, "02 00C4 0016", "02 03 AC DB 35", "AC DB 35"},
		{"6.3 registers 108 to 110", Holding, 107, 3, "03 006B 0003", "03 06 022B 0000 0064", "022B 0000 0064"},
		{"6.4 input register 9", Input, 8, 1, "04 0008 0001", "04 02 000A", "000A"},
		{"7 exception to coil 1186", Coils, 0x04A1, 1, "01 04A1 0001", "81 02", ""},
	}
	for _, r := range rows {
		for _, kind := range []LinkKind{TCP, RTUOverTCP} {
			t.Run(r.name+" "+string(kind), func(t *testing.T) {
				answer := unhex(t, r.answer)
				w := &canned{}
				l := rtuLink("")
				if kind == TCP {
					l = tcpLink("")
					// Messaging guide V1.0b, 3.1.3: transaction, protocol 0, length, unit.
					w.answer = append([]byte{0, 1, 0, 0, 0, byte(len(answer) + 1), 1}, answer...)
				} else {
					w.answer = rtuFrame(append([]byte{1}, answer...)...)
				}
				got, err := oursOn(t, l, w, 20*time.Millisecond).read(r.table, r.address, r.n)
				want := unhex(t, r.request)
				if kind == TCP {
					require.Equal(t, append([]byte{0, 1, 0, 0, 0, 6, 1}, want...), w.sent)
				} else {
					require.Equal(t, rtuFrame(append([]byte{1}, want...)...), w.sent)
				}
				if r.want == "" {
					x, ok := errors.AsType[*ExceptionError](err)
					require.True(t, ok)
					require.EqualValues(t, 2, x.Code)
					return
				}
				require.NoError(t, err)
				require.Equal(t, unhex(t, r.want), got)
			})
		}
	}
}

// canned gives one answer to whatever is sent.
type canned struct {
	sent, answer []byte
	asked        bool
}

func (c *canned) Write(b []byte) (int, error) {
	c.sent, c.asked = append([]byte{}, b...), true
	return len(b), nil
}

func (c *canned) Read(b []byte) (int, error) {
	if !c.asked || len(c.answer) == 0 {
		return 0, os.ErrDeadlineExceeded
	}
	n := copy(b, c.answer)
	c.answer = c.answer[n:]
	return n, nil
}
func (c *canned) SetReadDeadline(time.Time) error  { return nil }
func (c *canned) SetWriteDeadline(time.Time) error { return nil }
func (c *canned) Close() error                     { return nil }

// TestCheckSums: frames whose check others have published or computed. Serial line V1.02, 6.2.2
// and page 41; pymodbus test_framer.py; CRC-16/MODBUS of the catalogue; the rest computed
// bit by bit.
func TestCheckSums(t *testing.T) {
	for _, frame := range []string{
		"02 07 41 12",
		"11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA", "11 83 02 C1 34", "01 01 00 13 00 13 8C 02",
		"01 02 00 C4 00 16 B8 39", "01 03 00 6B 00 03 74 17", "01 04 00 08 00 01 B0 08", "01 04 02 00 0A 39 37",
		"01 2B 0E 01 00 70 77", "01 81 02 C1 91", "01 83 02 C0 F1", "12 34 23 45 34 56 45 67 E2 DB",
	} {
		b := unhex(t, frame)
		require.True(t, sound(b), frame)
		require.Equal(t, b, rtuFrame(b[:len(b)-2]...), "the test's own check agrees: %s", frame)
		b[0] ^= 1
		require.False(t, sound(b), frame)
	}
	require.EqualValues(t, 0x4B37, crc16([]byte("123456789")))
}

// TestOnlyReadsAreSent gives the one way to a line every function code there is.
func TestOnlyReadsAreSent(t *testing.T) {
	may := map[byte]bool{1: true, 2: true, 3: true, 4: true, 0x2B: true}
	for _, kind := range []LinkKind{TCP, RTUOverTCP} {
		for fc := range 256 {
			w := &canned{}
			l := tcpLink("")
			frame := []byte{0, 1, 0, 0, 0, 6, 1, byte(fc), 0, 0, 0, 1}
			if kind == RTUOverTCP {
				l, frame = rtuLink(""), rtuFrame(1, byte(fc), 0, 0, 0, 1)
			}
			_, err := oursOn(t, l, w, 10*time.Millisecond).Send(frame)
			if may[byte(fc)] {
				require.NotErrorIs(t, err, ErrWrite)
				require.NotEmpty(t, w.sent)
				continue
			}
			require.ErrorIs(t, err, ErrWrite, "function %d", fc)
			require.Empty(t, w.sent, "function %d left the building", fc)
		}
	}
}

func FuzzScan(f *testing.F) {
	f.Fuzz(func(t *testing.T, head, got []byte) {
		if len(head) < 6 || !mayRead(head[1]) {
			return
		}
		request := rtuFrame(head[:6]...)
		if head[1] == fcIdentification {
			request = rtuFrame(head[0], head[1], meiIdentify, 1, 0)
		}
		frame, _ := scan(request, got)
		if frame == nil {
			return
		}
		require.True(t, sound(frame))
		require.Equal(t, request[0], frame[0])
		require.NoError(t, checkAnswer(request[1:len(request)-2], frame[1:len(frame)-2]))
		require.NotEqual(t, request, frame)
	})
}

func FuzzTCPFrame(f *testing.F) {
	f.Fuzz(func(t *testing.T, answer []byte) {
		w := &canned{answer: answer}
		u := oursOn(t, tcpLink(""), w, 10*time.Millisecond)
		b, err := u.read(Holding, 0, 1)
		if err == nil {
			require.Len(t, b, 2)
		}
	})
}

func FuzzSniffer(f *testing.F) {
	f.Fuzz(func(t *testing.T, a, b []byte) {
		s := &sniffer{any: true}
		s.answer = func(_, fc byte, _, n int, data []byte) {
			want := 2 * n
			if fc <= fcDiscrete {
				want = (n + 7) / 8
			}
			require.Len(t, data, want)
		}
		s.feed(a, nil)
		s.feed(b, nil)
		s.pause()
		require.Empty(t, s.buf)
	})
}

// TestAnswersThatAreNone: what is and what is not an answer to a request PDU, by the lengths and
// contents of V1.1b3, 6.1 to 6.5, 6.21 and 7.
func TestAnswersThatAreNone(t *testing.T) {
	rows := []struct {
		name, request, answer string
		ok                    bool
	}{
		{"6.5 coil 173 on", "05 00AC FF00", "05 00AC FF00", true},
		{"6.5 another coil", "05 00AC FF00", "05 00AD FF00", false},
		{"6.5 the other value", "05 00AC FF00", "05 00AC 0000", false},
		{"6.5 cut", "05 00AC FF00", "05 00AC FF", false},
		{"6.5 with a byte behind", "05 00AC FF00", "05 00AC FF00 00", false},
		{"6.5 refused", "05 00AC FF00", "85 02", true},
		{"refusal of another function", "05 00AC FF00", "81 02", false},
		{"refusal of three bytes", "05 00AC FF00", "85 02 00", false},
		{"a write of a register for that of a coil", "05 00AC FF00", "06 00AC FF00", false},
		{"6.1", "01 0013 0013", "01 03 CD6B05", true},
		{"6.1 with a byte too few", "01 0013 0013", "01 02 CD6B", false},
		{"6.1 whose count does not fit", "01 0013 0013", "01 02 CD6B05", false},
		{"6.3", "03 006B 0003", "03 06 022B 0000 0064", true},
		{"6.3 of another quantity", "03 006B 0003", "03 04 022B 0000", false},
		{"6.3 answered by 6.4", "03 006B 0003", "04 06 022B 0000 0064", false},
		{"6.21", "2B 0E 01 00", "2B 0E 01 83 00 00 01 00 03 616263", true},
		{"6.21 cut inside its text", "2B 0E 01 00", "2B 0E 01 83 00 00 01 00 03 6162", false},
		{"6.21 of another interface", "2B 0E 01 00", "2B 0D 01 83 00 00 01 00 03 616263", false},
		{"one byte", "03 006B 0003", "03", false},
	}
	for _, r := range rows {
		request, answer := unhex(t, r.request), unhex(t, r.answer)
		if err := checkAnswer(request, answer); r.ok {
			require.NoError(t, err, r.name)
		} else {
			require.ErrorIs(t, err, ErrFrame, r.name)
		}
		if size, exact := answerSize(request, answer); r.ok && len(answer) > 2 {
			require.True(t, exact, r.name)
			require.Equal(t, len(answer), size, r.name)
		}
	}
}
