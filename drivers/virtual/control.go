package virtual

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"

	"bayledger/agent/site"
)

// CommandHelp lists the commands of the control line.
const CommandHelp = `fault KIND PLACE [SIZE] [for DURATION]   trouble begins now; PLACE is a bay, A1+A2, site or a unit
clear [PLACE]                            every fault there, or everywhere, ends now
kinds                                    the kinds of fault with place, size and what they do
onsets                                   every fault so far with its true onset, JSON Lines
truth [BAY]                              the true account since the start, JSON Lines, litres and mm
supply                                   the true account of the supply line
read [POINT]                             what the registers show, decoded to SI
hand BAY LITRES [MINUTES]                somebody waters by hand
setpoint BAY MM                          somebody moves the set point
open BAY DURATION, shut BAY DURATION     somebody holds the valve by hand
lift BAY DURATION, drain BAY DURATION    the level sensor hangs in the air, the drain is open
shut-supply DURATION                     the supply is shut upstream
now                                      the model's time
help                                     this text
`

// Command does one command of the control line at the present moment of the clock and returns
// what it has to say, whole lines. The error is a mistake in the command.
func (s *Slave) Command(line string) (string, error) {
	f := s.field
	f.Advance(s.clk.Now())
	words := strings.Fields(line)
	if len(words) == 0 {
		return "", nil
	}
	name, args := words[0], words[1:]
	arg := func(i int) string {
		if i < len(args) {
			return args[i]
		}
		return ""
	}
	switch name {
	case "help":
		return CommandHelp, nil
	case "now":
		return f.Now().Format(time.RFC3339Nano) + "\n", nil
	case "kinds":
		return faultTable(), nil
	case "fault":
		return "", s.faultCommand(args)
	case "clear":
		n := f.Clear(arg(0))
		return fmt.Sprintf("%d ended\n", n), nil
	case "onsets":
		return onsetLines(f.Onsets()), nil
	case "truth":
		return f.truthLines(arg(0))
	case "supply":
		a := f.Supply()
		return jsonLine(map[string]any{"time": a.Time, "drawn_l": litres(a.Drawn), "registered_l": litres(a.Registered),
			"leaked_l": litres(a.Leaked), "used_l": litres(a.Used)}), nil
	case "read":
		return f.readLines(arg(0))
	case "hand":
		v, err := strconv.ParseFloat(arg(1), 64)
		if err != nil {
			return "", fmt.Errorf("write hand BAY LITRES; %q is not a number", arg(1))
		}
		minutes := 10.0
		if arg(2) != "" {
			if minutes, err = strconv.ParseFloat(arg(2), 64); err != nil || !(minutes > 0) {
				return "", fmt.Errorf("write hand BAY LITRES MINUTES; %q is not a time", arg(2))
			}
		}
		return "", f.Do(Act{Kind: HandWater, Bay: arg(0), At: f.Now(), Until: f.Now().Add(time.Duration(minutes * float64(time.Minute))), Value: v * 1e-3})
	case "setpoint":
		v, err := strconv.ParseFloat(arg(1), 64)
		if err != nil {
			return "", fmt.Errorf("write setpoint BAY MM; %q is not a number", arg(1))
		}
		return "", f.Do(Act{Kind: MoveSetPoint, Bay: arg(0), Value: v * 1e-3})
	case "open", "shut", "lift", "drain":
		d, err := time.ParseDuration(arg(1))
		if err != nil || d <= 0 {
			return "", fmt.Errorf("write %s BAY DURATION; %q is not a duration such as 5m", name, arg(1))
		}
		kind := map[string]ActKind{"open": ManualOpen, "shut": ManualShut, "lift": LiftSensor, "drain": OpenDrain}[name]
		return "", f.Do(Act{Kind: kind, Bay: arg(0), At: f.Now(), Until: f.Now().Add(d)})
	case "shut-supply":
		d, err := time.ParseDuration(arg(0))
		if err != nil || d <= 0 {
			return "", fmt.Errorf("write shut-supply DURATION; %q is not a duration such as 5m", arg(0))
		}
		return "", f.Do(Act{Kind: ShutSupply, At: f.Now(), Until: f.Now().Add(d)})
	}
	return "", fmt.Errorf("%q is not a command; help lists them", name)
}

func (s *Slave) faultCommand(args []string) error {
	if len(args) < 2 {
		return errors.New("write fault KIND PLACE [SIZE] [for DURATION]")
	}
	f := Fault{Kind: FaultKind(args[0]), From: s.field.Now()}
	if err := f.SetPlace(args[1]); err != nil {
		return err
	}
	rest := args[2:]
	if len(rest) > 0 && rest[0] != "for" {
		size, err := strconv.ParseFloat(rest[0], 64)
		if err != nil {
			return fmt.Errorf("%q is not a size", rest[0])
		}
		f.Size, rest = size, rest[1:]
	}
	if len(rest) > 0 {
		if len(rest) != 2 || rest[0] != "for" {
			return fmt.Errorf("%q is not understood; write for DURATION", strings.Join(rest, " "))
		}
		d, err := time.ParseDuration(rest[1])
		if err != nil || d <= 0 {
			return fmt.Errorf("%q is not a duration such as 2h", rest[1])
		}
		f.To = f.From.Add(d)
	}
	return s.field.SetFault(f)
}

// ParseFault reads KIND:PLACE:FROM:TO[:SIZE]. FROM and TO are durations after start (1h40m) or
// moments as 20260715T014000Z; an empty one is the start, or no end.
func ParseFault(text string, start time.Time) (Fault, error) {
	parts := strings.Split(text, ":")
	if len(parts) < 2 || len(parts) > 5 {
		return Fault{}, fmt.Errorf("fault %q: write KIND:PLACE:FROM:TO[:SIZE], for example leak:A2:6h::40", text)
	}
	parts = append(parts, "", "", "")
	f := Fault{Kind: FaultKind(parts[0])}
	if err := f.SetPlace(parts[1]); err != nil {
		return Fault{}, fmt.Errorf("fault %q: %w", text, err)
	}
	var err error
	if f.From, err = moment(parts[2], start); err == nil {
		f.To, err = moment(parts[3], start)
	}
	if err != nil {
		return Fault{}, fmt.Errorf("fault %q: %w", text, err)
	}
	if parts[4] != "" {
		if f.Size, err = strconv.ParseFloat(parts[4], 64); err != nil {
			return Fault{}, fmt.Errorf("fault %q: %q is not a size", text, parts[4])
		}
	}
	return f, nil
}

func moment(text string, start time.Time) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if d, err := time.ParseDuration(text); err == nil {
		return start.Add(d), nil
	}
	t, err := time.Parse("20060102T150405Z", text)
	if err != nil {
		return time.Time{}, fmt.Errorf("%q is neither a duration after the start such as 1h40m nor a moment such as 20260715T014000Z", text)
	}
	return t, nil
}

// faultTable prints FaultKinds for people.
func faultTable() string {
	var b strings.Builder
	for _, i := range FaultKinds {
		size := "no size"
		if i.Size != "" {
			size = fmt.Sprintf("size in %s, %s if not given", i.Size, num(i.Default))
		}
		fmt.Fprintf(&b, "%-23s %-8s  %s (%s)\n", i.Kind, i.Where, i.Says, size)
	}
	return b.String()
}

// FaultHelp is the table of faults for a help text.
func FaultHelp() string { return faultTable() }

func litres(m3 float64) float64 { return round9(m3 * 1e3) }

// round9 drops what no scale could show, so that lines are short.
func round9(x float64) float64 {
	v, err := strconv.ParseFloat(strconv.FormatFloat(x, 'f', 6, 64), 64)
	if err != nil {
		return x
	}
	return v
}

func jsonLine(v any) string {
	b, err := json.Marshal(v)
	if err != nil { // only numbers, strings and times: a NaN is our own mistake and is shown
		return fmt.Sprintf("{\"error\":%q}\n", err)
	}
	return string(b) + "\n"
}

func onsetLines(all []Onset) string {
	var b strings.Builder
	for _, o := range all {
		m := map[string]any{"fault": o.Fault.Kind, "place": o.Fault.Place(), "size": o.Fault.size(), "from": o.Fault.From}
		for key, t := range map[string]time.Time{"to": o.Fault.To, "begun": o.Begun, "effect": o.Effect} {
			if !t.IsZero() {
				m[key] = t
			}
		}
		b.WriteString(jsonLine(m))
	}
	return b.String()
}

func (f *Field) truthLines(bay string) (string, error) {
	var b strings.Builder
	for _, c := range f.cfg.bays() {
		if bay != "" && c.ID != bay {
			continue
		}
		a, err := f.Truth(c.ID)
		if err != nil {
			return "", err
		}
		b.WriteString(jsonLine(map[string]any{"time": a.Time, "bay": a.Bay,
			"filled_l": litres(a.Filled), "registered_l": litres(a.Registered), "rain_l": litres(a.Rain), "hand_l": litres(a.Hand),
			"evaporated_l": litres(a.Evaporated), "overflowed_l": litres(a.Overflowed), "displaced_l": litres(a.Displaced),
			"leaked_l": litres(a.Leaked), "seeped_l": litres(a.Seeped), "held_l": litres(a.Held),
			"chamber_mm": round9(a.ChamberM * 1e3), "bay_mm": round9(a.BayM * 1e3)}))
	}
	if b.Len() == 0 {
		return "", fmt.Errorf("there is no bay %q", bay)
	}
	return b.String(), nil
}

func (f *Field) readLines(point string) (string, error) {
	var b strings.Builder
	for _, r := range f.Registers() {
		if point != "" && r.Point != point {
			continue
		}
		v, q, why := f.Read(r.Point)
		if q != site.Good {
			fmt.Fprintf(&b, "%s %s %s\n", r.Point, q, why)
			continue
		}
		fmt.Fprintf(&b, "%s %s\n", r.Point, strconv.FormatFloat(v, 'g', 9, 64))
	}
	if b.Len() == 0 {
		return "", fmt.Errorf("there is no point %q", point)
	}
	return b.String(), nil
}

// ServeControl answers the control line on the listener until ctx ends: a command a line, then
// what it has to say, then a line "ok" or "error: ...". The listener must be on loopback: who
// can reach it can break the pump house.
func (s *Slave) ServeControl(ctx context.Context, l net.Listener) error {
	if a, ok := l.Addr().(*net.TCPAddr); !ok || !a.IP.IsLoopback() {
		l.Close()
		return fmt.Errorf("virtual pump house: the control line must be on loopback, not on %s", l.Addr())
	}
	return s.accept(ctx, l, func(c net.Conn) error {
		lines := bufio.NewScanner(c)
		for lines.Scan() {
			text, err := s.Command(lines.Text())
			end := "ok\n"
			if err != nil {
				end = "error: " + strings.ReplaceAll(err.Error(), "\n", "; ") + "\n"
			}
			if _, err := c.Write([]byte(text + end)); err != nil {
				return fmt.Errorf("control line: %w", err)
			}
		}
		return lines.Err()
	})
}
