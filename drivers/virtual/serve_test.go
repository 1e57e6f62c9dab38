package virtual

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"

	"bayledger/agent/clock"
	"bayledger/agent/servertest"
	"bayledger/agent/site"
)

// unhex reads bytes written in hexadecimal with spaces.
func unhex(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	require.NoError(t, err)
	return b
}

// standing is a pump house after a night, and a clock that stands at that moment: what peers
// read can be compared with Read.
func standing(t *testing.T) (*Field, *Slave, *clock.Stepped) {
	t.Helper()
	c := Default()
	c.Step = Span(3 * time.Second)
	c.Weather.Showers = []Shower{{From: c.Start.Add(time.Hour), To: c.Start.Add(2 * time.Hour), DepthM: 0.005}}
	c.Acts = []Act{{Kind: ManualOpen, Bay: "A2", At: c.Start.Add(12 * time.Hour), Until: c.Start.Add(13 * time.Hour)},
		{Kind: ManualOpen, Bay: "B3", At: c.Start.Add(12 * time.Hour), Until: c.Start.Add(13 * time.Hour)}}
	f := newField(t, c)
	clk := clock.NewStepped(c.Start.Add(12*time.Hour+3*time.Minute), nil)
	return f, NewSlave(f, clk, slog.New(slog.DiscardHandler), nil), clk
}

// serve runs one way in for the length of the test and waits for it at the end.
func serve(t *testing.T, run func(context.Context) error) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- run(ctx) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-done)
	})
}

func listen(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	return l
}

// Requests and answers byte by byte. Layout: Modbus Application Protocol V1.1b3, 6.1 to 6.4,
// 6.21 and 7; one mistake at a time where the specification is of two minds about their order.
func TestAnswers(t *testing.T) {
	_, s, _ := standing(t)
	for _, r := range []struct {
		name      string
		unit      byte
		pdu, want string
	}{
		{"coils: A2's valve is the middle one of three, the last byte is filled with zeros", 1, "01 00 00 00 03", "01 01 02"},
		{"discrete inputs: B3's valve is open", 2, "02 00 00 00 03", "02 01 04"},
		{"holding: set points 80, 72, 86 mm in tenths", 1, "03 00 00 00 03", "03 06 03 20 02 d0 03 5c"},
		{"a register between two points reads as nought", 1, "04 00 03 00 01", "04 02 00 00"},
		{"function 05 is refused", 1, "05 00 00 ff 00", "85 01"},
		{"function 06 is refused", 1, "06 00 01 00 03", "86 01"},
		{"function 0f is refused", 1, "0f 00 00 00 03 01 07", "8f 01"},
		{"function 10 is refused", 1, "10 00 01 00 02 04 00 0a 01 02", "90 01"},
		{"function 16 is refused", 1, "16 00 04 00 f2 00 25", "96 01"},
		{"function 11 is refused", 1, "11", "91 01"},
		{"another service of 2b is refused", 1, "2b 0d 00 00", "ab 01"},
		{"address past the end", 1, "03 00 03 00 01", "83 02"},
		{"first address right, the last past the end", 1, "03 00 00 00 04", "83 02"},
		{"a table the unit has not", 11, "03 00 00 00 01", "83 02"},
		{"no register asked for", 1, "03 00 00 00 00", "83 03"},
		{"126 registers", 1, "04 00 00 00 7e", "84 03"},
		{"2001 coils", 1, "01 00 00 07 d1", "81 03"},
		{"a request with a byte too many", 1, "03 00 00 00 01 00", "83 03"},
		{"identification, individual, unknown object", 1, "2b 0e 04 09", "ab 02"},
		{"identification, illegal code", 1, "2b 0e 07 00", "ab 03"},
		{"identification, one object", 10, "2b 0e 04 00", "2b 0e 04 82 00 00 01 00 09" + hex.EncodeToString([]byte("bayledger"))},
		{"a unit that is not there keeps silent", 99, "03 00 00 00 01", ""},
	} {
		require.Equal(t, unhex(t, r.want), append([]byte{}, s.answer(r.unit, unhex(t, r.pdu))...), r.name)
	}
	basic := s.answer(1, unhex(t, "2b 0e 01 00"))
	require.Equal(t, byte(3), basic[6], "three basic objects")
	require.Contains(t, string(basic), "virtual pump house")
	require.Equal(t, basic, s.answer(1, unhex(t, "2b 0e 01 77")), "an unknown object of a stream starts again at the first")
	require.Contains(t, string(s.answer(11, unhex(t, "2b 0e 02 00"))), "weather station")
}

// The check of an RTU frame: values of the serial line specification 6.2.2 (MS-6), the catalogue
// of CRCs (MS-7), and frames of pymodbus (check values, 6.2).
func TestCRC(t *testing.T) {
	require.Equal(t, uint16(0x1241), crc([]byte{0x02, 0x07}))
	require.Equal(t, uint16(0x4b37), crc([]byte("123456789")))
	require.Equal(t, uint16(0x34c1), crc(unhex(t, "11 83 02")))
	for _, frame := range []string{"11 03 00 6b 00 03 76 87", "01 04 00 08 00 01 b0 08", "01 2b 0e 01 00 70 77", "01 11 c0 2c",
		"01 0f 00 13 00 0a 02 cd 01 72 cb", "01 10 00 01 00 02 04 00 0a 01 02 92 30"} {
		b := unhex(t, frame)
		got, rest := nextFrame(b)
		require.Equal(t, b, got, frame)
		require.Empty(t, rest)
		// Found behind noise, and whole only when the last byte is there.
		got, _ = nextFrame(append([]byte{0xff, 0x00, 0x81}, b...))
		require.Equal(t, b, got, frame)
		got, rest = nextFrame(b[:len(b)-1])
		require.Nil(t, got, frame)
		require.NotEmpty(t, rest, "it may still come: %s", frame)
		b[len(b)-1] ^= 1
		got, _ = nextFrame(b)
		require.Nil(t, got, "a damaged frame is no frame: %s", frame)
	}
}

func FuzzNextFrame(f *testing.F) {
	f.Add([]byte{0x11, 0x03, 0x00, 0x6b, 0x00, 0x03, 0x76, 0x87})
	f.Add([]byte{0x01, 0x10, 0, 1, 0, 2, 0xff, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		for {
			frame, rest := nextFrame(b)
			require.LessOrEqual(t, len(frame)+len(rest), len(b))
			if frame == nil {
				require.Less(t, len(rest), 300, "what cannot become a frame is not kept")
				return
			}
			require.Equal(t, crc(frame[:len(frame)-2]), binary.LittleEndian.Uint16(frame[len(frame)-2:]))
			b = rest
		}
	})
}

func FuzzAnswer(f *testing.F) {
	field, err := New(Default())
	if err != nil {
		f.Fatal(err)
	}
	s := NewSlave(field, clock.NewStepped(field.Now(), nil), slog.New(slog.DiscardHandler), io.Discard)
	f.Add(byte(1), []byte{3, 0, 0, 0, 3})
	f.Add(byte(2), []byte{0x2b, 0x0e, 4, 0})
	f.Fuzz(func(t *testing.T, unit byte, pdu []byte) {
		reply := s.answer(unit, pdu)
		if len(reply) == 0 {
			return
		}
		require.LessOrEqual(t, len(reply), 253)
		require.Equal(t, pdu[0], reply[0]&0x7f|pdu[0]&0x80)
	})
}

// peers is what an independent master must find at the standing pump house: the raw registers
// of every form, and what they mean.
func requireLevel(t *testing.T, f *Field, point string, mm float64) {
	t.Helper()
	v, q, _ := f.Read(point)
	require.Equal(t, site.Good, q)
	require.InDelta(t, v*1000, mm, 1e-4, point)
	require.InDelta(t, f.bays[f.index[point[:2]]].chamberM*1000, mm, 4, "%s: and the sensor shows the water", point)
}

var mbpollLine = regexp.MustCompile(`(?m)^\[(\d+)\]:\s+(-?[0-9.]+)`)

// mbpoll runs mbpoll once and returns the values by address.
func mbpoll(t *testing.T, args ...string) map[int]float64 {
	t.Helper()
	out, err := exec.Command(servertest.Program(t, "mbpoll"), args...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	values := map[int]float64{}
	for _, m := range mbpollLine.FindAllStringSubmatch(string(out), -1) {
		a, err := strconv.Atoi(m[1])
		require.NoError(t, err)
		values[a], err = strconv.ParseFloat(m[2], 64)
		require.NoError(t, err)
	}
	require.NotEmpty(t, values, "%s", out)
	return values
}

func TestMbpollOverTCP(t *testing.T) {
	f, s, _ := standing(t)
	l := listen(t)
	serve(t, func(ctx context.Context) error { return s.ServeTCP(ctx, l) })
	port := strconv.Itoa(l.Addr().(*net.TCPAddr).Port)
	ask := func(unit, table, from, count string, more ...string) map[int]float64 {
		return mbpoll(t, append(append([]string{"-m", "tcp", "-p", port, "-a", unit, "-t", table, "-0", "-r", from, "-c", count, "-o", "10", "-1", "-q"}, more...), "127.0.0.1")...)
	}
	v := ask("1", "3:float", "0", "1", "-B")
	requireLevel(t, f, "A1-level", v[0])
	v = ask("1", "3:int", "14", "1", "-B")
	total, _, _ := f.Read("A2-meter")
	require.InDelta(t, total*1e4, v[14], 0.01, "pulses of 0.1 L")
	require.Equal(t, map[int]float64{0: 0, 1: 1, 2: 0}, ask("1", "0", "0", "3"), "A2's valve is commanded open")
	require.Equal(t, map[int]float64{0: 800, 1: 720, 2: 860}, ask("1", "4", "0", "3"))
	v = ask("2", "4:float", "101", "1") // low word first, mbpoll's own order
	flow, _, _ := f.Read("B1-flow")
	require.InDelta(t, flow*6e4, v[101], 1e-3)
	v = ask("11", "3", "4", "1")
	rain, _, _ := f.Read("rain")
	require.Equal(t, math.Round(rain/0.0002), v[4])
	require.InDelta(t, 5*0.97/0.2, v[4], 1.01)
}

// pymodbusScript reads the default pump house and prints what it found as JSON.
const pymodbusScript = `
import json, sys, types
# Debian's package needs python3-serial-asyncio for its asynchronous client, which is not used.
sys.modules.setdefault("serial_asyncio", types.SimpleNamespace(create_serial_connection=None))
kind, where, baud = sys.argv[1], sys.argv[2], int(sys.argv[3])
if kind == "tcp":
    from pymodbus.client import ModbusTcpClient
    host, port = where.rsplit(":", 1)
    client = ModbusTcpClient(host, port=int(port), timeout=20)
else:
    from pymodbus.client import ModbusSerialClient
    client = ModbusSerialClient(where, baudrate=baud, parity="N", timeout=20)
assert client.connect(), "cannot connect"
def regs(r):
    assert not r.isError(), r
    return r.registers
out = {
    "inputs": regs(client.read_input_registers(0, 27, slave=1)),
    "holding": regs(client.read_holding_registers(100, 48, slave=2)),
    "setpoints": regs(client.read_holding_registers(0, 3, slave=1)),
    "supply": regs(client.read_input_registers(0, 5, slave=10)),
    "weather": regs(client.read_input_registers(0, 8, slave=11)),
    "coils": client.read_coils(0, 3, slave=1).bits[:3],
    "discrete": client.read_discrete_inputs(0, 3, slave=2).bits[:3],
}
bad = client.read_holding_registers(900, 2, slave=1)
out["beyond"] = bad.exception_code
bad = client.write_register(0, 700, slave=1)
out["write"] = bad.exception_code
from pymodbus.mei_message import ReadDeviceInformationRequest
info = client.execute(ReadDeviceInformationRequest(1, 0, unit=1))
out["vendor"] = info.information[0].decode()
client.close()
print(json.dumps(out))
`

type pymodbusFound struct {
	Inputs, Holding, Setpoints, Supply, Weather []uint16
	Coils, Discrete                             []bool
	Beyond, Write                               int
	Vendor                                      string
}

func pymodbus(t *testing.T, kind, where string, baud int) (found pymodbusFound) {
	t.Helper()
	python := "/usr/bin/python3" // Debian's package is seen by Debian's interpreter only
	cmd := exec.Command(python, "-c", pymodbusScript, kind, where, strconv.Itoa(baud))
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, "pymodbus (is python3-pymodbus installed? sh deploy/test.sh): %s", stderr.String())
	require.NoError(t, json.Unmarshal(out, &found), "%s", out)
	return found
}

// requireFound compares every register a peer found with what the model says.
func requireFound(t *testing.T, f *Field, found pymodbusFound) {
	t.Helper()
	table := func(r *Register) ([]uint16, int) {
		switch {
		case r.Unit == 1 && r.Table == Input:
			return found.Inputs, 0
		case r.Unit == 2 && r.Table == Holding:
			return found.Holding, 100
		case r.Unit == 1 && r.Table == Holding:
			return found.Setpoints, 0
		case r.Unit == 10:
			return found.Supply, 0
		case r.Unit == 11:
			return found.Weather, 0
		}
		return nil, 0
	}
	compared := 0
	for _, r := range f.Registers() {
		words, from := table(&r)
		if words == nil {
			continue
		}
		var w [2]uint16
		copy(w[:r.Coding.words()], words[int(r.Address)-from:])
		v, q, _ := r.Decode(w)
		want, wantQ, _ := f.Read(r.Point)
		require.Equal(t, wantQ, q, r.Point)
		require.InDelta(t, want, v, 1e-12, r.Point)
		compared++
	}
	require.Equal(t, len(f.points)-6, compared, "all but the six valves")
	requireLevel(t, f, "A1-level", float64(math.Float32frombits(uint32(found.Inputs[0])<<16|uint32(found.Inputs[1]))))
	requireLevel(t, f, "B1-level", float64(int16(found.Holding[0]))/10)
	requireLevel(t, f, "B3-level", (float64(found.Holding[40])-4000)/16000*250)
	require.Equal(t, []bool{false, true, false}, found.Coils)
	require.Equal(t, []bool{false, false, true}, found.Discrete)
	require.Equal(t, illegalAddress, found.Beyond)
	require.Equal(t, illegalFunction, found.Write)
	require.Equal(t, "bayledger", found.Vendor)
}

func TestPymodbusOverTCP(t *testing.T) {
	f, s, _ := standing(t)
	l := listen(t)
	serve(t, func(ctx context.Context) error { return s.ServeTCP(ctx, l) })
	requireFound(t, f, pymodbus(t, "tcp", l.Addr().String(), 0))
}

// pair makes two pseudo-terminals joined by socat, and returns their names.
func pair(t *testing.T) (ours, theirs string) {
	t.Helper()
	dir := t.TempDir()
	ours, theirs = filepath.Join(dir, "a"), filepath.Join(dir, "b")
	cmd := exec.Command(servertest.Program(t, "socat"), "pty,raw,echo=0,link="+ours, "pty,raw,echo=0,link="+theirs)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		require.NoError(t, cmd.Process.Kill())
		_ = cmd.Wait() // killed: its status says so and nothing else
	})
	ready := func() bool {
		_, errA := os.Stat(ours)
		_, errB := os.Stat(theirs)
		return errA == nil && errB == nil
	}
	require.Eventually(t, ready, 20*time.Second, 10*time.Millisecond, "socat made no terminals")
	return ours, theirs
}

func TestRTUOnALine(t *testing.T) {
	f, s, _ := standing(t)
	ours, theirs := pair(t)
	port, err := serial.Open(ours, &serial.Mode{BaudRate: 19200, DataBits: 8})
	require.NoError(t, err)
	serve(t, func(ctx context.Context) error { return s.ServeRTU(ctx, port) })
	requireFound(t, f, pymodbus(t, "serial", theirs, 19200))
	v := mbpoll(t, "-m", "rtu", "-b", "19200", "-P", "none", "-a", "2", "-t", "4", "-0", "-r", "120", "-c", "1", "-o", "10", "-1", "-q", theirs)
	requireLevel(t, f, "B2-level", v[120]/10)
}

// A third opinion: simonvetter/modbus over TCP and over RTU frames on TCP.
func TestSimonvetter(t *testing.T) {
	f, s, _ := standing(t)
	for kind, run := range map[string]func(context.Context, net.Listener) error{"tcp": s.ServeTCP, "rtuovertcp": s.ServeRTUOverTCP} {
		l := listen(t)
		serve(t, func(ctx context.Context) error { return run(ctx, l) })
		c, err := modbus.NewClient(&modbus.ClientConfiguration{URL: kind + "://" + l.Addr().String(), Timeout: 10 * time.Second, Speed: 115200})
		require.NoError(t, err)
		require.NoError(t, c.Open())
		require.NoError(t, c.SetUnitId(1))
		level, err := c.ReadFloat32(20, modbus.INPUT_REGISTER)
		require.NoError(t, err)
		requireLevel(t, f, "A3-level", float64(level))
		coils, err := c.ReadCoils(0, 3)
		require.NoError(t, err)
		require.Equal(t, []bool{false, true, false}, coils)
		require.ErrorIs(t, c.WriteCoil(0, true), modbus.ErrIllegalFunction)
		_, err = c.ReadRegister(77, modbus.HOLDING_REGISTER)
		require.ErrorIs(t, err, modbus.ErrIllegalDataAddress)
		require.NoError(t, c.SetUnitId(2))
		require.NoError(t, c.SetEncoding(modbus.BIG_ENDIAN, modbus.LOW_WORD_FIRST))
		total, err := c.ReadUint32(103, modbus.HOLDING_REGISTER)
		require.NoError(t, err)
		want, _, _ := f.Read("B1-meter")
		require.InDelta(t, want*1e4, float64(total), 0.01)
		require.NoError(t, c.Close())
	}
}

// A silent unit gives no answer; the others on the connection still do.
func TestSilentUnit(t *testing.T) {
	f, s, _ := standing(t)
	require.NoError(t, f.SetFault(Fault{Kind: UnitSilent, Unit: 2}))
	l := listen(t)
	serve(t, func(ctx context.Context) error { return s.ServeTCP(ctx, l) })
	c, err := net.Dial("tcp", l.Addr().String())
	require.NoError(t, err)
	defer c.Close()
	_, err = c.Write(append(unhex(t, "00 01 00 00 00 06 02 03 00 64 00 01"), unhex(t, "00 02 00 00 00 06 01 03 00 00 00 01")...))
	require.NoError(t, err)
	require.NoError(t, c.SetReadDeadline(time.Now().Add(20*time.Second)))
	got := make([]byte, 11)
	_, err = io.ReadFull(c, got)
	require.NoError(t, err)
	require.Equal(t, unhex(t, "00 02 00 00 00 05 01 03 02 03 20"), got, "the first answer is that of the second request")
}

// What is no Modbus TCP ends the connection and nothing else.
func TestNonsenseEndsTheConnection(t *testing.T) {
	_, s, _ := standing(t)
	l := listen(t)
	serve(t, func(ctx context.Context) error { return s.ServeTCP(ctx, l) })
	for _, text := range []string{"47 45 54 20 2f 20 48 54 54", "00 01 00 00 00 01 01 03", "00 01 00 00 ff ff 01 03", "00 01 00 07 00 06 01 03"} {
		c, err := net.Dial("tcp", l.Addr().String())
		require.NoError(t, err)
		_, err = c.Write(unhex(t, text))
		require.NoError(t, err)
		require.NoError(t, c.SetReadDeadline(time.Now().Add(20*time.Second)))
		_, err = c.Read(make([]byte, 1))
		require.Error(t, err)
		require.False(t, os.IsTimeout(err), "%s: the connection hangs", text)
		c.Close()
	}
}

// A request brings the model up to the clock, on each kind of clock.
func TestARequestAdvancesTheModel(t *testing.T) {
	c := Default()
	f := newField(t, c)
	clk := clock.NewStepped(c.Start, nil)
	s := NewSlave(f, clk, slog.New(slog.DiscardHandler), nil)
	ask := unhex(t, "04 00 00 00 02")
	first := s.answer(1, ask)
	require.Equal(t, c.Start, f.Now())
	work := clk.Work()
	require.NoError(t, clk.Wait(t.Context(), c.Start.Add(95*time.Minute+300*time.Millisecond)))
	defer work()
	require.NotEqual(t, first, s.answer(1, ask))
	require.Equal(t, c.Start.Add(95*time.Minute), f.Now())
	require.Equal(t, s.answer(1, ask), s.answer(1, ask), "one step, one reading")

	fast := NewSlave(newField(t, c), clock.NewScaled(c.Start, 1e5), slog.New(slog.DiscardHandler), nil)
	require.Eventually(t, func() bool {
		fast.answer(1, ask)
		return fast.field.Now().After(c.Start.Add(time.Hour))
	}, 20*time.Second, time.Millisecond)
}

// The witness has a line for every point served whole, before the peer has the answer.
func TestWitness(t *testing.T) {
	f, s, _ := standing(t)
	var out bytes.Buffer
	s = NewSlave(f, s.clk, s.log, &out)
	s.answer(1, unhex(t, "04 00 00 00 0c")) // A1's level, flow, meter, temperature, A2's level
	s.answer(1, unhex(t, "04 00 01 00 02")) // half of a level, and the flow
	s.answer(2, unhex(t, "02 00 02 00 01"))
	s.answer(2, unhex(t, "02 00 09 00 01")) // refused: nothing was served
	var got []string
	level, _, _ := f.Read("A1-level")
	for line := range strings.Lines(out.String()) {
		cells := strings.Split(strings.TrimSpace(line), ",")
		require.Len(t, cells, 4)
		require.Equal(t, f.Now().Format(time.RFC3339Nano), cells[0])
		got = append(got, cells[1]+" "+cells[2])
		if cells[1] == "A1-level" {
			v, err := strconv.ParseFloat(cells[3], 64)
			require.NoError(t, err)
			require.Equal(t, level, v)
		}
	}
	require.Equal(t, []string{"A1-level 1", "A1-flow 1", "A1-meter 1", "A1-watertemp 1", "A2-level 1", "A1-flow 2", "B3-valve 1"}, got)

	s = NewSlave(f, s.clk, s.log, brokenWriter{})
	require.Equal(t, unhex(t, "84 04"), s.answer(1, unhex(t, "04 00 00 00 02")), "what cannot be witnessed is not served")
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, io.ErrShortWrite }

// A total rolls over at its modulus on the wire and nowhere else.
func TestTotalsRollOver(t *testing.T) {
	c := Default()
	c.Courts[1].Bays[1].Meter.TotalM3 = 999.9999 // B2: seven digits of 0.1 L
	at := c.Start.Add(time.Minute)
	c.Acts = []Act{{Kind: ManualOpen, Bay: "B2", At: at, Until: at.Add(time.Hour)}}
	f := newField(t, c)
	v, _, _ := f.Read("B2-meter")
	require.InDelta(t, 999.9999, v, 1e-9)
	f.Advance(at.Add(10 * time.Minute))
	v, _, _ = f.Read("B2-meter")
	require.Greater(t, v, 0.1)
	require.Less(t, v, 0.3)
	require.InDelta(t, truth(t, f, "B2").Registered-1e-4, v, 1.1e-4)
}

// The register map as people see it names every point once.
func TestRegisterMap(t *testing.T) {
	f := newField(t, Default())
	var out bytes.Buffer
	require.NoError(t, f.WriteRegisters(&out))
	require.Equal(t, 1+len(f.Registers()), strings.Count(out.String(), "\n"))
	seen := map[string]bool{}
	for _, r := range f.Registers() {
		require.Equal(t, "", site.CheckID(r.Point))
		require.False(t, seen[r.Point], r.Point)
		seen[r.Point] = true
		require.Contains(t, out.String(), " "+r.Point+" ")
		info, ok := r.Quantity.Info()
		require.True(t, ok)
		require.True(t, r.Bay != "" && info.PerBay || r.Bay == "" && info.PerSite, r.Point)
		v, q, _ := f.Read(r.Point)
		require.Equal(t, site.Good, q, r.Point)
		require.True(t, v >= info.Min && v <= info.Max, "%s %v", r.Point, v)
	}
	_, q, why := f.Read("A9-level")
	require.Equal(t, site.Bad, q)
	require.Equal(t, site.WhyException, why)
}

// Each yields what Samples and Read say at every moment, and ends where it should.
func TestEach(t *testing.T) {
	c := Default()
	f, g := newField(t, c), newField(t, c)
	n := 0
	for samples := range f.Each(c.Start.Add(10*time.Minute), 30*time.Second) {
		n++
		g.Advance(c.Start.Add(time.Duration(n) * 30 * time.Second))
		require.Len(t, samples, len(g.points))
		for i, s := range samples {
			v, q, _ := g.Read(g.points[i].Point)
			require.Equal(t, []any{g.points[i].Point, g.Now(), v, q}, []any{s.Point, s.Time, s.Value, s.Quality})
		}
	}
	require.Equal(t, 20, n)
	for range f.Each(c.Start.Add(time.Hour), time.Minute) {
		break
	}
	require.Equal(t, c.Start.Add(11*time.Minute), f.Now())
}

// The control line: what it is told it does, mistakes are said, and it lives on loopback only.
func TestControlLine(t *testing.T) {
	f, s, _ := standing(t)
	l := listen(t)
	serve(t, func(ctx context.Context) error { return s.ServeControl(ctx, l) })
	c, err := net.Dial("tcp", l.Addr().String())
	require.NoError(t, err)
	defer c.Close()
	require.NoError(t, c.SetDeadline(time.Now().Add(20*time.Second)))
	say := func(line string) string {
		t.Helper()
		_, err := fmt.Fprintln(c, line)
		require.NoError(t, err)
		var got strings.Builder
		one := make([]byte, 1)
		for {
			_, err := io.ReadFull(c, one)
			require.NoError(t, err)
			got.Write(one)
			text := got.String()
			last := text[strings.LastIndexByte(strings.TrimSuffix(text, "\n"), '\n')+1:]
			if last == "ok\n" || strings.HasPrefix(last, "error: ") && strings.HasSuffix(last, "\n") {
				return text
			}
		}
	}
	require.Equal(t, CommandHelp+"ok\n", say("help"))
	require.Equal(t, "ok\n", say(""))
	require.Equal(t, "2026-07-16T04:03:00Z\nok\n", say("now"))
	require.Equal(t, "ok\n", say("fault valve-stuck-open B2"))
	require.Equal(t, "ok\n", say("fault seepage A1+A2 25 for 2h"))
	require.Equal(t, FaultHelp()+"ok\n", say("kinds"))
	f.Advance(f.Now().Add(time.Minute))
	require.Contains(t, say("onsets"), `"fault":"valve-stuck-open"`)
	require.Equal(t, "1 ended\nok\n", say("clear B2"))
	require.Contains(t, say("truth B2"), `"bay":"B2"`)
	require.Equal(t, 7, strings.Count(say("truth"), "\n"))
	require.Contains(t, say("supply"), `"drawn_l":`)
	require.Regexp(t, `^A1-setpoint 0\.08\d*\nok\n$`, say("read A1-setpoint"))
	require.Equal(t, len(f.points)+1, strings.Count(say("read"), "\n"))
	require.Equal(t, "ok\n", say("setpoint A1 77"))
	require.Equal(t, "ok\n", say("hand A1 40 5"))
	require.Equal(t, "ok\n", say("open A3 5m"))
	require.Equal(t, "ok\n", say("shut A3 5m"))
	f.Advance(f.Now().Add(6 * time.Minute))
	require.InDelta(t, 0.040, truth(t, f, "A1").Hand, 1e-9)
	require.InDelta(t, 0.077, f.bays[0].ctl.setPointM, 1e-12)
	for _, bad := range []string{"dance", "fault", "fault gremlin A1", "fault leak Z1", "fault leak A1 much", "fault leak A1 5 for ever", "fault leak A1 5 forever",
		"truth Z1", "read Z1", "setpoint A1 high", "setpoint Z1 80", "hand A1 much", "hand A1 5 -1", "open A3 long", "shut Z9 5m"} {
		require.True(t, strings.HasPrefix(say(bad), "error: "), bad)
	}

	open, err := net.Listen("tcp", "0.0.0.0:0")
	require.NoError(t, err)
	require.ErrorContains(t, s.ServeControl(t.Context(), open), "loopback")
}

// A line that goes away ends the serving with an error, and does not spin.
func TestLineGone(t *testing.T) {
	_, s, _ := standing(t)
	master, line, err := pty.Open()
	require.NoError(t, err)
	port, err := serial.Open(line.Name(), &serial.Mode{BaudRate: 19200, DataBits: 8})
	require.NoError(t, err)
	require.NoError(t, line.Close())
	done := make(chan error, 1)
	go func() { done <- s.ServeRTU(context.Background(), port) }()
	_, err = master.Write(unhex(t, "01 03 00 00 00 03 05 cb"))
	require.NoError(t, err)
	got := make([]byte, 11)
	_, err = io.ReadFull(master, got)
	require.NoError(t, err)
	require.Equal(t, unhex(t, "01 03 06 03 20 02 d0 03 5c"), got[:9])
	require.NoError(t, master.Close())
	select {
	case err := <-done:
		require.ErrorContains(t, err, "serial line")
	case <-time.After(30 * time.Second):
		require.Fail(t, "it goes on serving a line that is gone")
	}
}
