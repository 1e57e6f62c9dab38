package agent

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"time"

	"bayledger/agent/alarm"
	"bayledger/agent/notice"
	"bayledger/agent/page"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/agent/words"
	"bayledger/historian/journal"
)

// linkFor is how long the link of a notice can be used.
const linkFor = 12 * time.Hour

// openNotices makes a notifier for every person of the site file and returns the names of their
// places among the events.
func (a *Agent) openNotices(ctx context.Context, p *parts) (names []string, err error) {
	for _, who := range p.cfg.People {
		name := "notice-" + who.ID
		q, err := a.journal.EventQueue(ctx, name)
		if err != nil {
			return nil, err
		}
		names = append(names, name)
		n := notice.New(who, p.cfg.Site, noticeEvents{q}, a.standing, noticeWords{a, p.cfg}, noticeStore{a.journal, name}, a.clk, a.part("notice"))
		p.sinks = append(p.sinks, sink{id: name, run: n.Run, events: q.Backlog, waits: true,
			state: func() page.Sink {
				return page.Sink{ID: name, Name: words.Of(p.cfg.Site).Say("notices to %s", who.ID), Up: n.Trouble() == ""}
			},
			trouble: n.Trouble,
		})
	}
	return names, nil
}

// standing are the alarms that stand on their own in the newest picture, and those that are over
// and were never answered.
func (a *Agent) standing() []notice.Standing {
	v := a.View()
	if v == nil {
		return nil
	}
	var out []notice.Standing
	for _, al := range v.Alarms {
		if al.Told || al.Phase == alarm.ReturnedUnacknowledged {
			out = append(out, notice.Standing{Event: al.Now, Acked: al.Phase == alarm.Acknowledged, Present: al.Present, Asked: al.Asked})
		}
	}
	return out
}

// noticeWords puts events into words with the ways in which the person can answer them here.
type noticeWords struct {
	a   *Agent
	cfg *sitefile.Config
}

// Message implements notice.Words. What is told after an outage has the numbers of now.
func (w noticeWords) Message(e site.Event, who, lead string) (short, long string) {
	a := w.a
	if v := a.View(); v != nil && e.State != site.Cleared {
		for _, al := range v.Alarms {
			if al.Present && al.Event.ID == e.ID {
				e = al.Now
			}
		}
	}
	say := words.Of(w.cfg.Site)
	ways := []string{say.Say("bayledger ack %d on the watch's machine", e.Seq)}
	if base := reachable(a.cfg.Page); base != "" && a.users != nil {
		ways = append([]string{base + "/alarms"}, ways...)
		link, err := page.AckLink(a.users, base, fmt.Sprint(e.Seq), who, a.clk.Now().Add(linkFor))
		if err != nil {
			a.part("notice").Warn("no link for a notice", "err", err.Error())
		} else {
			ways = append([]string{link}, ways...)
		}
	}
	return alarm.Message(w.cfg.Site, e, lead, ways...)
}

// Line implements notice.Words.
func (w noticeWords) Line(e site.Event) string { return alarm.Line(w.cfg.Site, e) }

// Notes implements notice.Words: whoever reads the morning line is reminded of the work that keeps
// alarms quiet, and of procedures that wait.
func (w noticeWords) Notes() (notes []string) {
	v := w.a.View()
	if v == nil {
		return nil
	}
	say := words.Of(w.cfg.Site)
	for _, x := range v.Work {
		notes = append(notes, say.Speak(x.Says()))
	}
	notes = append(notes, v.Procedures.Waiting()...)
	if v.Closed {
		notes = append(notes, say.Say("The season is closed: only what can still hurt is told."))
	}
	return notes
}

// AnswerWays are the ways in which alarms can be answered at a site with such a page.
func AnswerWays(o page.Options) []string {
	ways := []string{"bayledger ack on the watch's machine"}
	switch base := reachable(o); {
	case o.UsersFile == "":
	case base == "":
		ways = append(ways, "the page, by whoever can reach "+o.Listen+"; with page.url notices would hold a link that answers")
	default:
		ways = append([]string{"the link in the notice", "the page at " + base}, ways...)
	}
	return ways
}

// reachable is the page's address as people elsewhere reach it, or "" when they cannot or nobody
// has said how.
func reachable(o page.Options) string {
	if o.URL != "" {
		return strings.TrimSuffix(o.URL, "/")
	}
	host, port, err := net.SplitHostPort(o.Listen)
	if err != nil || o.Loopback() || port == "0" {
		return ""
	}
	if ip, err := netip.ParseAddr(host); host == "" || err == nil && ip.IsUnspecified() {
		return ""
	}
	scheme := "http://"
	if o.TLS() {
		scheme = "https://"
	}
	return scheme + o.Listen
}

// noticeEvents is a person's place among the journal's events as the notifier wants it.
type noticeEvents struct{ *journal.EventQueue }

// Next implements notice.Events.
func (q noticeEvents) Next(ctx context.Context, limit int) ([]notice.Event, error) {
	stored, err := q.EventQueue.Next(ctx, limit)
	out := make([]notice.Event, len(stored))
	for i, e := range stored {
		out[i] = notice.Event{Pos: e.Pos, Event: e.Event}
	}
	return out, err
}

// noticeStore keeps a notifier's memory among the journal's snapshots, always in the same place.
type noticeStore struct {
	j    *journal.Journal
	name string
}

const noticeStateVersion = 1

// Load implements notice.Store.
func (s noticeStore) Load(ctx context.Context) ([]byte, error) {
	kept, err := s.j.Snapshots(ctx, s.name)
	if err != nil || len(kept) == 0 {
		return nil, err
	}
	if v := kept[0].Version; v != noticeStateVersion {
		return nil, fmt.Errorf("version %d is not %d", v, noticeStateVersion)
	}
	return kept[0].Data, nil
}

// Save implements notice.Store.
func (s noticeStore) Save(ctx context.Context, b []byte) error {
	return s.j.PutSnapshot(ctx, journal.Snapshot{Name: s.name, Version: noticeStateVersion, Data: b})
}
