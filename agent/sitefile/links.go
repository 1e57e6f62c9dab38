package sitefile

import (
	"fmt"
	"net"
	"regexp"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/drivers/modbus"
)

// Link is one line or connection to the field.
type Link struct {
	ID         string        `yaml:"id" required:"yes" eg:"pump-house" doc:"Permanent id of the line."`
	Kind       string        `yaml:"kind" required:"yes" enum:"tcp,serial,rtu-over-tcp" doc:"How frames travel: tcp is Modbus TCP, serial an RS-485 or RS-232 line with RTU frames, rtu-over-tcp RTU frames through a transparent serial server."`
	Address    string        `yaml:"address" eg:"192.0.2.20:502" doc:"Host and port; port 502 when a tcp link names none."`
	Path       string        `yaml:"path" eg:"/dev/serial/by-id/usb-adapter" doc:"Serial device, best under /dev/serial/by-id, where an adapter keeps its name."`
	Baud       int           `yaml:"baud" min:"300" max:"4000000" eg:"9600" doc:"Speed of the line. May be given for rtu-over-tcp too, as the speed behind the serial server."`
	DataBits   int           `yaml:"data_bits" default:"8" min:"5" max:"9" why:"RTU has no other" doc:"Bits of a character."`
	Parity     string        `yaml:"parity" enum:"none,even,odd" doc:"Parity of the line; the devices' manuals say it."`
	StopBits   int           `yaml:"stop_bits" min:"1" max:"2" eg:"1" doc:"Stop bits: 1, or 2 with parity none. Not given: what the parity asks for."`
	RS485      *RS485        `yaml:"rs485" doc:"Direction control by the kernel. USB adapters do it by themselves."`
	Listen     time.Duration `yaml:"listen" min:"0 s" max:"1 h" eg:"60 s" doc:"How long a line is listened to before the first request, because a second master would break the controller. 60 s for serial and rtu-over-tcp when not given; 0 s only for a line that is known to have no other master. Where one is heard, nothing is sent until it has been silent for as long, 60 s at least, and twice as long each time it comes back."`
	ListenOnly bool          `yaml:"listen_only" default:"no" doc:"Never transmit: take the points from another master's traffic."`
	Echo       bool          `yaml:"echo" default:"no" doc:"The adapter hands back what it sends."`
	FrameGap   time.Duration `yaml:"frame_gap" default:"0 s" min:"0 s" max:"1 s" why:"the specification's 3.5 characters" doc:"Silence between frames, for a line that needs more."`
	Late       time.Duration `yaml:"late" min:"0 s" max:"1 min" eg:"1 s" doc:"How long after a time-out an answer may still arrive; the unit is left alone for so long. 1 s on a line when not given."`
	Dial       time.Duration `yaml:"dial_timeout" default:"3 s" min:"10 ms" max:"1 min" doc:"How long making the connection may take."`
	Devices    []Device      `yaml:"devices" required:"yes" doc:"Units that answer on it."`
}

// RS485 is the kernel's direction control.
type RS485 struct {
	RTSOnSend    bool          `yaml:"rts_on_send" default:"yes" doc:"Level of RTS while sending."`
	RTSAfterSend bool          `yaml:"rts_after_send" default:"no" doc:"Level of RTS after sending; the other one."`
	DelayBefore  time.Duration `yaml:"delay_before" default:"0 s" min:"0 s" max:"100 ms" doc:"Whole milliseconds between turning and sending."`
	DelayAfter   time.Duration `yaml:"delay_after" default:"0 s" min:"0 s" max:"100 ms" doc:"Whole milliseconds between sending and turning back."`
	RXDuringTX   bool          `yaml:"receive_while_sending" default:"no" doc:"Leave the receiver on, which is a local echo."`
}

// Device is one unit on a link.
type Device struct {
	ID           string        `yaml:"id" required:"yes" eg:"io-a" doc:"Permanent id of the device; alarms name it."`
	Unit         int           `yaml:"unit" default:"1" min:"0" max:"255" why:"what devices come with" doc:"Unit id (slave address), 1 to 247; on tcp 0 and 255 too."`
	AnyUnit      bool          `yaml:"any_unit" default:"no" doc:"Take an answer that carries another unit id, as some TCP devices send. tcp only."`
	Table        string        `yaml:"table" enum:"coil,discrete,holding,input" doc:"Table of those of its points that name none."`
	Order        string        `yaml:"order" enum:"ABCD,CDAB,BADC,DCBA" doc:"Byte order of those of its points that name none."`
	Timeout      time.Duration `yaml:"timeout" default:"1 s" min:"10 ms" max:"1 min" doc:"How long it may take to answer, beyond the time the frames need on the line."`
	Turnaround   time.Duration `yaml:"turnaround" default:"0 s" min:"0 s" max:"10 s" doc:"Pause it needs between its answer and the next request."`
	MaxRegisters int           `yaml:"max_registers" default:"125" min:"1" max:"125" why:"the protocol's limit" doc:"Most registers it answers at once."`
	MaxBits      int           `yaml:"max_bits" default:"2000" min:"1" max:"2000" why:"the protocol's limit" doc:"Most bits it answers at once."`
	MaxGap       int           `yaml:"max_gap" default:"8" min:"0" max:"125" why:"costs less than a request of its own" doc:"Registers nobody asked for that may be read between two that somebody did. 0 for a device that refuses to have gaps read."`
	GiveUp       int           `yaml:"give_up" default:"2" min:"1" max:"100" doc:"Time-outs in a row after which it is left alone for a while, so that it does not hold up the others."`
}

// links builds the driver's options: every link with its devices, and on each device the points
// that name it.
func (l *loader) links() {
	linkOf := map[string]string{}   // device id -> path
	linkName := map[string]string{} // device id -> id of its link
	paths := map[string]string{}    // the driver's path of a point -> ours
	for i := range l.file.Links {
		f := &l.file.Links[i]
		path := fmt.Sprintf("links[%d]", i)
		link := l.link(path, f)
		at, _ := l.placeOf(path)
		l.cfg.links = append(l.cfg.links, at)
		for j := range f.Devices {
			d := &f.Devices[j]
			at := fmt.Sprintf("%s.devices[%d]", path, j)
			if first, twice := linkOf[d.ID]; twice && d.ID != "" {
				if parent(parent(first)) != path {
					l.bad(at+".id", "a device hangs on one line; give the other one an id of its own", "the device %s stands on two links, also on line %d", d.ID, l.line(first))
				} else {
					l.bad(at+".id", "give each device an id of its own", "the device id %s is already used on line %d", d.ID, l.line(first))
				}
				l.incomplete[d.ID], l.incomplete[f.ID] = true, true
				continue
			}
			linkOf[d.ID], linkName[d.ID] = at, f.ID
			link.Devices = append(link.Devices, l.device(at, d, fmt.Sprintf("%s.devices[%d]", path, len(link.Devices)), paths))
		}
		l.cfg.Modbus.Links = append(l.cfg.Modbus.Links, link)
	}
	ids := make([]string, 0, len(linkOf))
	for id := range linkOf {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	for _, r := range l.readings {
		if _, ok := linkOf[r.device]; ok {
			continue
		}
		fix := "add it under the devices: of a link"
		if near := nearest(r.device, ids); near != "" {
			fix = fmt.Sprintf("did you mean %s?", near)
		}
		l.bad(r.devicePath, fix, "there is no device %q", clip(r.device))
	}
	for i := range l.cfg.Site.Points {
		p := &l.cfg.Site.Points[i]
		p.Link = linkName[p.Device]
	}
	l.overlaps()
	for _, p := range l.cfg.Modbus.Validate() {
		l.fromDriver(p, paths)
	}
	l.unreadPoints()
}

func (l *loader) link(path string, f *Link) modbus.Link {
	link := modbus.DefaultLink(modbus.LinkKind(f.Kind))
	link.ID, link.Address, link.Path = f.ID, f.Address, f.Path
	link.Baud, link.DataBits, link.Parity, link.StopBits = f.Baud, f.DataBits, modbus.Parity(f.Parity), f.StopBits
	if link.Kind != modbus.Serial {
		link.DataBits = 0
	}
	if link.Kind == modbus.TCP && link.Address != "" && !strings.Contains(link.Address, ":") {
		link.Address = net.JoinHostPort(link.Address, "502")
	}
	if link.Kind == modbus.Serial && !l.has(path+".parity") {
		l.bad(path+".parity", "look it up in the devices' manuals; even is the specification's", "parity is missing in a serial link")
	}
	if f.StopBits == 0 && link.Kind == modbus.Serial {
		// A character has eleven bits: what parity leaves free is a stop bit.
		link.StopBits = 1
		if link.Parity == modbus.ParityNone {
			link.StopBits = 2
		}
	}
	if l.has(path + ".listen") {
		link.Listen = f.Listen
	}
	if l.has(path + ".late") {
		link.Late = f.Late
	}
	link.ListenOnly, link.Echo, link.FrameGap, link.Dial = f.ListenOnly, f.Echo, f.FrameGap, f.Dial
	if r := f.RS485; r != nil {
		link.RS485 = &modbus.RS485{RTSOnSend: r.RTSOnSend, RTSAfterSend: r.RTSAfterSend, DelayBefore: r.DelayBefore, DelayAfter: r.DelayAfter, ReceiveWhileSending: r.RXDuringTX}
	}
	return link
}

// device builds one unit with the points that name it. driverPath is where the driver will find
// it, which differs from ours when a doubled device was left out.
func (l *loader) device(path string, f *Device, driverPath string, paths map[string]string) modbus.Device {
	d := modbus.Device{
		ID: f.ID, Unit: f.Unit, AnyUnit: f.AnyUnit, Timeout: f.Timeout, Turnaround: f.Turnaround,
		MaxRegisters: f.MaxRegisters, MaxBits: f.MaxBits, MaxGap: f.MaxGap, GiveUp: f.GiveUp,
	}
	paths[driverPath] = path
	for i := range l.readings {
		r := &l.readings[i]
		if r.device != f.ID {
			continue
		}
		if r.m.Table == "" {
			r.m.Table = modbus.Table(f.Table)
		}
		if r.m.Table == "" {
			l.incomplete[f.ID] = true
			if l.said(r.path+".table") || l.said(path+".table") {
				continue
			}
			l.bad(r.path, "add table: coil, discrete, holding or input, here or at the device", "the point %s does not say in which table its address is", r.m.Point)
			continue
		}
		l.decoding(r, f)
		paths[fmt.Sprintf("%s.points[%d]", driverPath, len(d.Points))] = r.path
		d.Points = append(d.Points, r.m)
	}
	return d
}

// decoding completes what the point leaves to its device and to its table.
func (l *loader) decoding(r *reading, f *Device) {
	dec := &r.m.Decode
	bits := r.m.Table == modbus.Coils || r.m.Table == modbus.Discrete
	if dec.Type == "" {
		switch {
		case bits:
			dec.Type = modbus.Bit
		case l.has(r.path+".bit") || r.q == site.ValveOpen && dec.Invert:
			dec.Type = modbus.BitOf
		default:
			dec.Type = modbus.Uint16
		}
	}
	if dec.Order == "" && dec.Type != modbus.Bit && dec.Type != modbus.BitOf {
		dec.Order = modbus.Order(nameOr(f.Order, string(modbus.ABCD)))
	}
	if (dec.Type == modbus.Bit || dec.Type == modbus.BitOf) && r.q != site.ValveOpen {
		l.bad(r.path, "give it a register of the tables holding or input", "one bit cannot hold the %s of %s", quantityWords(r.q), r.m.Point)
	}
}

func quantityWords(q site.Quantity) string { return strings.ReplaceAll(string(q), "_", " ") }

// overlaps refuses two points read from the same register: one was copied and not changed. A set
// point or a valve command may be shared by several bays.
func (l *loader) overlaps() {
	shared := func(r *reading) bool { return r.q == site.SetPoint || r.q == site.ValveOpen }
	type key struct {
		device string
		table  modbus.Table
	}
	seen := map[key][]*reading{}
	for i := range l.readings {
		r := &l.readings[i]
		if r.m.Table == "" || l.referenced[r.path] {
			continue
		}
		k := key{r.device, r.m.Table}
		for _, o := range seen[k] {
			apart := r.m.Address+max(r.m.Decode.Type.Registers(), 1) <= o.m.Address || o.m.Address+max(o.m.Decode.Type.Registers(), 1) <= r.m.Address
			bits := r.m.Decode.Type == modbus.BitOf && o.m.Decode.Type == modbus.BitOf && r.m.Decode.Bit != o.m.Decode.Bit
			if apart || bits || r.q == o.q && shared(r) && shared(o) {
				continue
			}
			l.bad(r.path+".address", "give each its own address; a 32-bit number takes two registers, a 64-bit one four", "the points %s and %s are read from the same register of %s (the other on line %d)", o.m.Point, r.m.Point, r.device, l.line(o.path))
			break
		}
		seen[k] = append(seen[k], r)
	}
}

var driverPoint = regexp.MustCompile(`^(links\[\d+\]\.devices\[\d+\])(\.points\[\d+\])?(.*)$`)

// inHead are keys of the driver that the file has under head or distance.
var inHead = map[string]bool{".density": true, ".gravity": true, ".mount": true, ".barometer": true, ".barometer_age": true}

// fromDriver gives a problem of the driver's options its place in the file.
func (l *loader) fromDriver(p site.Problem, paths map[string]string) {
	path := p.Path
	if m := driverPoint.FindStringSubmatch(path); m != nil {
		device := paths[m[1]]
		path = device + m[3]
		switch ours, ok := paths[m[1]+m[2]]; {
		case m[2] != "" && ok:
			path = ours + m[3]
			if l.referenced[ours] {
				return // already explained
			}
			if inHead[m[3]] {
				section := ".head"
				if !l.has(ours + section) {
					section = ".distance"
				}
				path = ours + section + m[3]
			}
		case m[3] == ".points" && l.incomplete[l.raw[device+".id"]]:
			return // its points are wrong, not missing
		}
	}
	if link, ok := strings.CutSuffix(path, ".devices"); ok && l.incomplete[l.raw[link+".id"]] {
		return // its devices are wrong, not missing
	}
	if l.said(path) {
		return
	}
	l.bad(path, p.Fix, "%s", p.What)
}

// unreadPoints refuses, in a file with links, a point that none of them reads: it would be shown
// as silent for ever.
func (l *loader) unreadPoints() {
	if len(l.file.Links) == 0 {
		return
	}
	for _, r := range l.unread {
		l.bad(r.path, "add device: and address:, or write the point's key with the word none if there is no such instrument", "the point %s has no register, although the file has links", r.m.Point)
	}
}

// line is the line on which the value at path stands.
func (l *loader) line(path string) int {
	at, _ := l.placeOf(path)
	return at.line
}

// text is the value at path as the file writes it.
func (l *loader) text(path string) string { return l.raw[path] }

// said reports whether something is already known to be wrong with exactly that value.
func (l *loader) said(path string) bool { return l.wrong[path] }
