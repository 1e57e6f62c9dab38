package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"bayledger/agent/clock"
	"bayledger/agent/relay"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/drivers/modbus"
	"bayledger/historian/influx"
)

// liveResult is what check --live found of one thing the site file names.
type liveResult struct {
	// What is link, unit, point, historian, broker, mail, webhook, clock, disk or page.
	What string `json:"what"`
	ID   string `json:"id,omitempty"`
	OK   bool   `json:"ok"`
	// Says is what was found, Fix what to do about it.
	Says string `json:"says"`
	Fix  string `json:"fix,omitempty"`
}

// liveWithin bounds one question to a server.
const liveWithin = 15 * time.Second

// liveChecks tries everything the site file names, the servers at the same time as the field.
// progress is told what takes long.
func liveChecks(ctx context.Context, cfg *sitefile.Config, progress io.Writer) []liveResult {
	parts := []func(context.Context) []liveResult{
		func(ctx context.Context) []liveResult { return liveField(ctx, cfg, progress) },
		func(ctx context.Context) []liveResult { return liveHistorians(ctx, cfg) },
		func(ctx context.Context) []liveResult { return liveBroker(ctx, cfg) },
		func(ctx context.Context) []liveResult { return livePeople(ctx, cfg) },
		func(context.Context) []liveResult { return []liveResult{liveClock(clock.This().Look())} },
		func(context.Context) []liveResult { return liveDisk(cfg.Journal.Dir, cfg.Journal.MinFreeBytes) },
		func(context.Context) []liveResult { return livePage(cfg) },
	}
	found := make([][]liveResult, len(parts))
	var wg sync.WaitGroup
	for i, part := range parts {
		wg.Go(func() { found[i] = part(ctx) })
	}
	wg.Wait()
	return slices.Concat(found...)
}

// fieldTurn is how often every point is asked while the field is tried.
const fieldTurn = 2 * time.Second

// liveField reads every point with the daemon's own driver, which on a serial line listens first
// and never writes.
func liveField(ctx context.Context, cfg *sitefile.Config, progress io.Writer) []liveResult {
	s := *cfg.Site
	s.Points = slices.Clone(s.Points)
	for i := range s.Points {
		s.Points[i].Interval = fieldTurn
	}
	d, err := modbus.New(cfg.Modbus, &s, clock.Real{}, slog.New(slog.DiscardHandler))
	if err != nil {
		return []liveResult{{What: "link", Says: err.Error(), Fix: "correct the site file"}}
	}
	var patience time.Duration
	waits := map[string]bool{}
	for _, l := range cfg.Modbus.Links {
		turn := l.Listen + 3*fieldTurn
		for _, dev := range l.Devices {
			turn += 3 * dev.Timeout
			for _, p := range dev.Points {
				waits[p.Point] = true
			}
		}
		patience = max(patience, turn)
		if l.Listen > 0 {
			fmt.Fprintf(progress, "listening on %s for %s before the first request ...\n", l.ID, site.FormatDuration(l.Listen))
		}
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	var mu sync.Mutex
	last := map[string]site.Sample{}
	d.Start(ctx, func(samples []site.Sample, done func()) {
		defer done()
		mu.Lock()
		defer mu.Unlock()
		for _, x := range samples {
			if old, have := last[x.Point]; have && old.Quality != site.Bad {
				continue // it has answered
			}
			last[x.Point] = x
			if x.Quality != site.Bad {
				delete(waits, x.Point)
			}
		}
		if len(waits) == 0 {
			cancel()
		}
	})
	// Nothing on the field is an error of Wait's.
	_ = d.Wait()
	links, devices := d.Stats()
	return fieldResults(cfg, links, devices, last)
}

// fieldResults says of each line, unit and point how it answered. What a dead line or unit
// explains is not said again of what hangs on it.
func fieldResults(cfg *sitefile.Config, links []modbus.LinkStats, devices []modbus.DeviceStats, last map[string]site.Sample) (out []liveResult) {
	for i, l := range links {
		o := cfg.Modbus.Links[i]
		r := liveResult{What: "link", ID: l.Link, OK: true, Says: "usable"}
		switch {
		case l.OtherMaster != "":
			r.OK, r.Says = false, "another master speaks on this line: "+l.OtherMaster
			r.Fix = "a Modbus line has one master: give the devices a line of their own, put a gateway with two sides between, or read the controller as a TCP device"
		case l.Connects == 0:
			r.OK, r.Says = false, "cannot be opened: "+orDash(l.Last)
			r.Fix = "is the address " + o.Address + " right, the device switched on, and in this network? try: ping"
			if o.Path != "" {
				r.Fix = "is the adapter plugged in, is " + o.Path + " its name (ls -l /dev/serial/by-id), are you in the group dialout, and is the daemon stopped? A serial port has one user"
			}
		}
		out = append(out, r)
		if !r.OK {
			continue
		}
		for _, d := range devices {
			if d.Link != l.Link {
				continue
			}
			answered := d.Requests - d.Timeouts - d.BadFrames
			u := liveResult{What: "unit", ID: d.Device, OK: answered > 0, Says: fmt.Sprintf("unit %d answers, within %d ms", d.Unit, d.ReplyP90.Milliseconds())}
			switch {
			case d.Requests == 0:
				u.OK, u.Says, u.Fix = false, "nothing was asked of it", "the line was not free in time: try again"
			case answered == 0 && d.BadFrames > 0:
				u.OK, u.Says = false, fmt.Sprintf("unit %d: only damaged answers (%s)", d.Unit, orDash(d.Last))
				u.Fix = "compare baud, parity and stop bits with the device's manual; look at the line's termination"
			case answered == 0:
				u.OK, u.Says = false, fmt.Sprintf("unit %d does not answer (%s)", d.Unit, orDash(d.Last))
				u.Fix = "is it switched on, is its address the unit number of the site file, are A and B swapped? bayledger probe asks it alone"
			case d.Timeouts+d.BadFrames > 0:
				u.Says += fmt.Sprintf(", but %d of %d requests failed", d.Timeouts+d.BadFrames, d.Requests)
				u.Fix = "look at the line's termination and at the unit's timeout in the site file"
			}
			out = append(out, u)
			if u.OK {
				out = append(out, pointResults(cfg, o, d.Device, last)...)
			}
		}
	}
	return out
}

func pointResults(cfg *sitefile.Config, l modbus.Link, device string, last map[string]site.Sample) (out []liveResult) {
	for _, dev := range l.Devices {
		if dev.ID != device {
			continue
		}
		for _, m := range dev.Points {
			p := cfg.Site.Point(m.Point)
			if p == nil {
				continue
			}
			x, have := last[m.Point]
			r := liveResult{What: "point", ID: m.Point, OK: have && x.Quality != site.Bad}
			info, _ := p.Quantity.Info()
			switch {
			case !have:
				r.Says, r.Fix = "was not read in time", "try again"
			case r.OK:
				r.Says = fmt.Sprintf("%.4g %s, before calibration (%s)", x.Value*info.WireScale, info.WireUnit, registerWords(m))
				if x.Quality == site.Uncertain {
					r.Says += ", uncertain: " + string(x.Why)
				}
			default:
				r.Says = fmt.Sprintf("no value: %s (%s)", x.Why, registerWords(m))
				r.Fix = pointFix(x.Why)
			}
			out = append(out, r)
		}
	}
	return out
}

// pointFix says what to do about a point that gives no value.
func pointFix(why site.Why) string {
	switch why {
	case site.WhyException:
		return "the unit refuses this register: compare table and address with its manual (one notation counts from 0, another from 40001); bayledger probe shows what it has"
	case site.WhyOutOfRange, site.WhyDecode, site.WhyNotFinite:
		return "type, order of the words, or unit in the site file is wrong: bayledger probe shows each way of reading it"
	case site.WhySentinel, site.WhyLoopFault, site.WhyLoopGap:
		return "the device itself says that its sensor is broken or not connected: look at the sensor's cable"
	case site.WhyBarometerOut:
		return "the level sensor is not vented and needs the barometer it names: mend that first"
	}
	return "look at the unit's other points, then try again"
}

func liveHistorians(ctx context.Context, cfg *sitefile.Config) (out []liveResult) {
	for _, o := range cfg.Influx {
		ctx, cancel := context.WithTimeout(ctx, liveWithin)
		r := liveResult{What: "historian", ID: o.Name, OK: true, Says: "a marker was written and read back"}
		back, note, err := influx.Probe(ctx, o, cfg.Site.ID, time.Now())
		switch {
		case err != nil:
			r.OK, r.Says = false, err.Error()
			r.Fix = "look at url, bucket and token of the site file; 401 and 403 are the token, 404 is the bucket, refused is the address or the server"
		case !back:
			r.Says = "a marker was written; not read back: " + note
		}
		out = append(out, r)
		cancel()
	}
	return out
}

func liveBroker(ctx context.Context, cfg *sitefile.Config) []liveResult {
	if cfg.MQTT == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, liveWithin)
	defer cancel()
	r := liveResult{What: "broker", ID: cfg.MQTT.Broker, OK: true, Says: "a message went there and came back"}
	if err := relay.Probe(ctx, *cfg.MQTT, cfg.Site.ID, time.Now()); err != nil {
		r.OK, r.Says = false, err.Error()
		r.Fix = "look at broker, username, password and ca of the site file, and at the broker's own log"
	}
	return []liveResult{r}
}

// livePeople tries every way out as far as it goes without telling anybody anything.
func livePeople(ctx context.Context, cfg *sitefile.Config) (out []liveResult) {
	for _, p := range cfg.People {
		probe, can := p.Route.(interface{ Probe(context.Context) error })
		if !can {
			continue
		}
		r := liveResult{What: "notice", ID: p.ID, OK: true, Says: p.Route.Name() + " would be taken; nothing was sent"}
		ctx, cancel := context.WithTimeout(ctx, liveWithin)
		if err := probe.Probe(ctx); err != nil {
			r.OK, r.Says = false, p.Route.Name()+": "+err.Error()
			r.Fix = "look at the section notice of the site file; a refused login is username or password, a refused receiver is the address"
		}
		cancel()
		out = append(out, r)
	}
	return out
}

func liveClock(l clock.Look) liveResult {
	r := liveResult{What: "clock", OK: true, Says: "somebody vouches for it"}
	switch l.Kernel {
	case clock.Unknown:
		r.Says = "the kernel may not be asked here whether it is set; it shows " + l.Wall.UTC().Format(time.RFC3339)
		r.OK = !l.SyncFile.IsZero()
		r.Fix = "compare it with your watch; under the package's own service it can be asked"
	case clock.Unsynchronised:
		r.OK, r.Says = false, "nobody has set it since the start; it shows "+l.Wall.UTC().Format(time.RFC3339)
		r.Fix = "timedatectl set-ntp true, and let UDP port 123 out or name a time server of your own; readings are kept and dated later, but nothing is forwarded until then"
	}
	if r.OK {
		r.Fix = ""
	}
	return r
}

const (
	// slowSync is when a card no longer keeps up with a commit every second.
	slowSync = 200 * time.Millisecond
	syncs    = 20
)

// liveDisk writes beside the journal as the journal does, and removes it again.
func liveDisk(dir string, reserve int64) []liveResult {
	r := liveResult{What: "disk", ID: dir}
	refuse := func(says, fix string) []liveResult {
		r.Says, r.Fix = says, fix
		return []liveResult{r}
	}
	var disk unix.Statfs_t
	if err := unix.Statfs(dir, &disk); err != nil {
		return refuse("the journal's folder: "+err.Error(), "make it, for the daemon's user: sudo install -d -m 750 -o bayledger -g bayledger "+dir)
	}
	free := int64(disk.Bavail) * int64(disk.Bsize)
	f, err := os.CreateTemp(dir, "check-*")
	if err != nil {
		return refuse("nothing can be written: "+err.Error(), "run this as the daemon's user: sudo -u bayledger bayledger check --live ...; a read-only card is worn out")
	}
	defer os.Remove(f.Name())
	defer f.Close()
	var took []time.Duration
	page := make([]byte, 8192)
	for range syncs {
		began := time.Now()
		_, err := f.Write(page)
		if err = errors.Join(err, f.Sync()); err != nil {
			return refuse("cannot be written: "+err.Error(), "make room, or replace the card")
		}
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	worst := took[len(took)-1]
	r.OK = free > reserve && took[syncs/2] < slowSync
	r.Says = fmt.Sprintf("%.1f GB free; a durable write takes %.1f ms, at worst %.1f ms", float64(free)/1e9, took[syncs/2].Seconds()*1000, worst.Seconds()*1000)
	switch {
	case free <= reserve:
		r.Fix = fmt.Sprintf("make room: with less than %.1f GB free the journal gives up forwarded history", float64(reserve)/1e9)
	case !r.OK:
		r.Fix = "the card is slow or worn: replace it, or lengthen journal.commit in the site file"
	}
	return []liveResult{r}
}

// livePage looks at what the page needs beside its address, which a daemon that runs holds.
func livePage(cfg *sitefile.Config) []liveResult {
	if !cfg.Page.TLS() {
		return nil
	}
	r := liveResult{What: "page", ID: cfg.Page.Listen, OK: true, Says: "certificate and key fit each other"}
	pair, err := tls.LoadX509KeyPair(cfg.Page.CertFile, cfg.Page.KeyFile)
	switch {
	case err != nil:
		r.OK, r.Says, r.Fix = false, err.Error(), "look at page.cert_file and page.key_file of the site file, and who may read them"
	case pair.Leaf != nil && time.Until(pair.Leaf.NotAfter) < 14*24*time.Hour:
		r.OK, r.Says = false, "the certificate ends on "+pair.Leaf.NotAfter.UTC().Format(time.DateOnly)
		r.Fix = "renew it, then: systemctl restart bayledger"
	}
	return []liveResult{r}
}

// liveText prints what was tried, what failed last, so that it stands above the prompt.
func liveText(w *plainWriter, results []liveResult) {
	w.line("tried")
	var rows [][]string
	failed := 0
	for _, r := range results {
		mark := "ok"
		if !r.OK {
			mark = "FAILED"
			failed++
		}
		rows = append(rows, []string{"  " + mark, strings.TrimSpace(r.What + " " + r.ID), r.Says})
	}
	w.table(rows)
	if failed == 0 {
		w.line("all %d answer", len(results))
		return
	}
	w.line("")
	w.line("%d of %d failed", failed, len(results))
	for _, r := range results {
		if !r.OK {
			w.line("  %s: %s", strings.TrimSpace(r.What+" "+r.ID), r.Says)
			w.line("    -> %s", r.Fix)
		}
	}
}

var errNotAllAnswer = errors.New("not everything the site file names answers")

// journalHeld reports whether a daemon has the journal open: its field cannot then be tried on a
// serial line.
func journalHeld(dir string) bool {
	f, err := os.Open(filepath.Join(dir, "lock"))
	if err != nil {
		return false
	}
	defer f.Close()
	return unix.Flock(int(f.Fd()), unix.LOCK_SH|unix.LOCK_NB) != nil
}
