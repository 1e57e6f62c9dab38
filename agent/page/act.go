package page

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"bayledger/agent/access"
	"bayledger/agent/alarm"
	"bayledger/agent/site"
	"bayledger/agent/words"
)

// routesAct are the addresses that change something. Each change is one operator record, which
// is also its audit: who, when, what.
func (s *Server) routesAct(mux *http.ServeMux) {
	if s.deps.Access == nil || s.deps.Record == nil {
		return
	}
	post := func(pattern string, f func(r *http.Request, v *View) (rec site.Record, said string, err error)) {
		mux.HandleFunc("POST "+pattern, func(w http.ResponseWriter, r *http.Request) {
			v := s.deps.View()
			if v == nil || v.Site == nil {
				s.fail(w, r, nothingYet)
				return
			}
			if err := r.ParseForm(); err != nil {
				s.fail(w, r, bad("The form could not be read."))
				return
			}
			rec, said, err := f(r, v)
			if err == nil {
				rec.Who = userOf(r).Name
				err = s.put(r, rec)
			}
			if err != nil {
				s.fail(w, r, err)
				return
			}
			back := localPath(r.PostFormValue("back"))
			sep := "?"
			if strings.Contains(back, "?") {
				sep = "&"
			}
			http.Redirect(w, r, back+sep+"said="+said, http.StatusSeeOther)
		})
	}
	post("/alarms/ack", s.ack)
	post("/alarms/shelve", s.shelve)
	post("/alarms/unshelve", s.unshelve)
	post("/work", s.work)
	post("/bays/{bay}/dip", s.dip)
	post("/bays/{bay}/surface", s.surface)
	post("/bays/{bay}/water", s.handWatered)
	post("/bays/{bay}/setpoint", s.setPoint)
	post("/procedures", s.procedure)
	post("/utility", s.utility)
	if s.deps.Calibration != nil {
		post("/bays/{bay}/offset", s.acceptOffset)
	}
	mux.HandleFunc("GET /a/{link}", s.linkForm)
	mux.HandleFunc("POST /a/{link}", s.linkAct)
}

// put hands a record to the agent, which journals it before anything else sees it. A reader who
// goes away must not lose the record.
func (s *Server) put(r *http.Request, rec site.Record) error {
	rec.Time = s.deps.Now().UTC()
	if _, err := s.deps.Record(context.WithoutCancel(r.Context()), rec); err != nil {
		return fmt.Errorf("page: put %s on record: %w", rec.Kind, err)
	}
	return nil
}

// blank is a record without numbers.
func blank(k site.RecordKind) site.Record {
	return site.Record{Kind: k, Value: site.Unknown(), Value2: site.Unknown()}
}

// namedAlarm finds the alarm a form names.
func namedAlarm(r *http.Request, v *View) (alarm.Alarm, error) {
	a, ok := alarm.Find(v.Alarms, r.PostFormValue("id"))
	if !ok {
		return a, refuse(http.StatusNotFound, "This alarm is not open any more.")
	}
	return a, nil
}

func (s *Server) ack(r *http.Request, v *View) (site.Record, string, error) {
	a, err := namedAlarm(r, v)
	rec := blank(site.RecAck)
	rec.Subject, rec.Bay = a.Event.ID, a.Event.Bay
	rec.Value = usefulness(r)
	return rec, "ack", err
}

// usefulness is what a form says of an alarm: 1 useful, 0 not, NaN when nothing is said.
func usefulness(r *http.Request) float64 {
	switch r.PostFormValue("useful") {
	case "yes":
		return 1
	case "no":
		return 0
	}
	return site.Unknown()
}

func (s *Server) shelve(r *http.Request, v *View) (site.Record, string, error) {
	rec := blank(site.RecShelve)
	a, err := namedAlarm(r, v)
	if err != nil {
		return rec, "", err
	}
	hours, err := strconv.ParseFloat(r.PostFormValue("hours"), 64)
	if err != nil || !(hours > 0) || hours > alarm.MaxShelf.Hours() {
		return rec, "", bad("An alarm can be shelved for up to %.0f hours.", alarm.MaxShelf.Hours())
	}
	rec.Text, err = textOf(r, "why", 200)
	if err != nil {
		return rec, "", err
	}
	if rec.Text == "" {
		return rec, "", bad("Say why the alarm is shelved: the next person must know.")
	}
	rec.Subject, rec.Bay = a.Event.ID, a.Event.Bay
	rec.Until = s.deps.Now().UTC().Add(time.Duration(hours * float64(time.Hour))).Truncate(time.Second)
	return rec, "shelve", nil
}

func (s *Server) unshelve(r *http.Request, v *View) (site.Record, string, error) {
	a, err := namedAlarm(r, v)
	rec := blank(site.RecUnshelve)
	rec.Subject, rec.Bay = a.Event.ID, a.Event.Bay
	return rec, "unshelve", err
}

// work keeps a bay, or the whole site, quiet while somebody works there, for so many hours; none
// ends it.
func (s *Server) work(r *http.Request, v *View) (site.Record, string, error) {
	rec := blank(site.RecMaintenance)
	if rec.Bay = r.PostFormValue("bay"); rec.Bay != "" && v.Site.Bay(rec.Bay) == nil {
		return rec, "", noBay(rec.Bay)
	}
	hours, err := strconv.ParseFloat(r.PostFormValue("hours"), 64)
	if err != nil || !(hours >= 0) || hours > alarm.MaxShelf.Hours() {
		return rec, "", bad("Work can keep a place quiet for up to %.0f hours.", alarm.MaxShelf.Hours())
	}
	if rec.Text, err = textOf(r, "why", 200); err != nil {
		return rec, "", err
	}
	rec.Until = s.deps.Now().UTC().Add(time.Duration(hours * float64(time.Hour))).Truncate(time.Second)
	if hours == 0 {
		return rec, "workover", nil
	}
	return rec, "work", nil
}

func bayOf(r *http.Request, v *View) (*Bay, *site.Bay, error) {
	id := r.PathValue("bay")
	b := v.Bay(id)
	if b == nil {
		return nil, nil, noBay(id)
	}
	return b, v.Site.Bay(id), nil
}

// dip takes a level read by hand, in the site's unit, above the liner at the bay's lowest point:
// the datum of every level.
func (s *Server) dip(r *http.Request, v *View) (site.Record, string, error) {
	rec := blank(site.RecDip)
	b, sb, err := bayOf(r, v)
	if err != nil {
		return rec, "", err
	}
	m, err := depthOf(r.PostFormValue("level"), v.Site.Display)
	if err != nil {
		return rec, "", err
	}
	if top := sb.DepthM(); m < 0 || m > top+0.1 {
		return rec, "", bad("A dip of %s cannot be: the fill of %s is %s deep. It is the height of the water above the liner.",
			words.Of(v.Site).Depth(m), bayName(v.Site, b.Bay), words.Of(v.Site).Depth(top))
	}
	rec.Bay, rec.Value = b.Bay, m
	// What the sensor showed at the dip, so that the difference needs no search later.
	rec.Value2 = v.levelOf(b)
	if !b.Settled {
		rec.Text = notAtRest
	}
	return rec, "dip", nil
}

func (s *Server) surface(r *http.Request, v *View) (site.Record, string, error) {
	rec := blank(site.RecSurface)
	b, _, err := bayOf(r, v)
	if err != nil {
		return rec, "", err
	}
	rec.Bay, rec.Text = b.Bay, r.PostFormValue("plays")
	switch rec.Text {
	case "dry", "right", "soft":
		return rec, "surface", nil
	}
	return rec, "", bad("How the surface plays is dry, right or soft.")
}

// mostByHandM3 bounds what one entry can say was watered by hand: an hour of a fire hose.
const mostByHandM3 = 20

func (s *Server) handWatered(r *http.Request, v *View) (site.Record, string, error) {
	rec := blank(site.RecHandWatering)
	b, _, err := bayOf(r, v)
	if err != nil {
		return rec, "", err
	}
	name, size := v.Site.Display.WaterUnit()
	n, err := numberOf(r.PostFormValue("amount"), name)
	if err != nil || !(n > 0) || n*size > mostByHandM3 {
		return rec, "", bad("Write how much water was given, for example 200 %s.", name)
	}
	rec.Bay, rec.Value = b.Bay, n*size
	return rec, "water", nil
}

// setPoint notes that a person moved the set point at their own controller, where no point reads
// it.
func (s *Server) setPoint(r *http.Request, v *View) (site.Record, string, error) {
	rec := blank(site.RecSetPoint)
	b, sb, err := bayOf(r, v)
	if err != nil {
		return rec, "", err
	}
	if v.Site.Find(b.Bay, site.SetPoint) != nil {
		return rec, "", bad("The set point of %s is read from its controller; move it there.", bayName(v.Site, b.Bay))
	}
	m, err := depthOf(r.PostFormValue("level"), v.Site.Display)
	if err != nil {
		return rec, "", err
	}
	if m <= 0 || m > sb.DepthM() {
		return rec, "", bad("A set point of %s cannot be: the fill is %s deep.", words.Of(v.Site).Depth(m), words.Of(v.Site).Depth(sb.DepthM()))
	}
	rec.Bay, rec.Value = b.Bay, m
	return rec, "setpoint", nil
}

// textOf reads a line of text of a form.
func textOf(r *http.Request, name string, most int) (string, error) {
	text := strings.TrimSpace(r.PostFormValue(name))
	if !utf8.ValidString(text) || strings.ContainsFunc(text, func(c rune) bool { return c < ' ' || c == 0x7f }) {
		return "", bad("The text must be one line.")
	}
	if utf8.RuneCountInString(text) > most {
		return "", bad("The text is longer than %d characters.", most)
	}
	return text, nil
}

// depthOf reads a depth as a person types it: with or without the site's unit, with a point or a
// comma.
func depthOf(text string, d site.Display) (float64, error) {
	name, size := d.DepthUnit()
	if n, err := numberOf(text, name); err == nil {
		return n * size, nil
	}
	m, err := site.Parse(site.Length, strings.Replace(text, ",", ".", 1))
	if err != nil {
		return 0, bad("%q is not a depth; write for example 63 %s.", text, name)
	}
	return m, nil
}

func numberOf(text, unit string) (float64, error) {
	text = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(text), unit))
	n, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || !site.Known(n) {
		return 0, errors.New("not a number")
	}
	return n, nil
}

// saidWords are what a page says after a change.
var saidWords = map[string]string{
	"ack":       words.Key("You have taken this alarm on."),
	"shelve":    words.Key("The alarm is shelved."),
	"unshelve":  words.Key("The alarm is back."),
	"work":      words.Key("The work is on record: nothing is told of the place until then."),
	"workover":  words.Key("The work is over: what stands there is told again."),
	"dip":       words.Key("The dip is on record."),
	"surface":   words.Key("How the surface plays is on record."),
	"water":     words.Key("The water given by hand is on record and in the account."),
	"setpoint":  words.Key("The set point is on record."),
	"procedure": words.Key("It is on record."),
	"offset":    words.Key("The offset is on record and holds from now on."),
	"utility":   words.Key("The reading of the utility's meter is on record."),
}

// said is what the change a page comes from came to.
func said(sh shell, r *http.Request) string { return sh.Say(saidWords[r.URL.Query().Get("said")]) }

// AckLink returns the address at which somebody can take on an alarm without a log-in, until
// then. base is the page's address as the person reaches it.
func AckLink(st *access.Store, base, alarmID, who string, until time.Time) (string, error) {
	text, err := st.Sign(access.Link{Alarm: alarmID, Who: who, Until: until})
	if err != nil {
		return "", err
	}
	return strings.TrimSuffix(base, "/") + "/a/" + text, nil
}

type linkPage struct {
	shell
	Alarm *alarmCard
	Who   string
	// Done is true once the alarm is taken on, Said once it was called useful or not.
	Done, Said bool
	Link       string
}

// linked finds what a signed link is about. An alarm that is over has no card.
func (s *Server) linked(r *http.Request) (access.Link, alarm.Alarm, bool, error) {
	l, err := s.deps.Access.Verify(r.PathValue("link"))
	if errors.Is(err, access.ErrLink) {
		return l, alarm.Alarm{}, false, refuse(http.StatusGone, "This link is not valid any more. Open the page itself.")
	}
	if err != nil {
		return l, alarm.Alarm{}, false, err
	}
	v := s.deps.View()
	if v == nil || v.Site == nil {
		return l, alarm.Alarm{}, false, nothingYet
	}
	a, ok := alarm.Find(v.Alarms, l.Alarm)
	return l, a, ok, nil
}

// linkForm shows the alarm and a button. It changes nothing, because mail programs open links
// before people do.
func (s *Server) linkForm(w http.ResponseWriter, r *http.Request) {
	l, a, ok, err := s.linked(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p := linkPage{shell: s.shell(r, words.Key("Answer"), "alarms"), Who: l.Who, Link: r.PathValue("link")}
	if ok {
		p.Alarm = new(alarmCardOf(p.voice, s.deps.View(), a))
	}
	s.render(w, r, http.StatusOK, "link", p)
}

func (s *Server) linkAct(w http.ResponseWriter, r *http.Request) {
	l, a, ok, err := s.linked(r)
	if err == nil && !ok {
		err = refuse(http.StatusNotFound, "This alarm is over.")
	}
	if err == nil {
		rec := blank(site.RecAck)
		rec.Subject, rec.Bay, rec.Who, rec.Value = a.Event.ID, a.Event.Bay, l.Who, usefulness(r)
		err = s.put(r, rec)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "link", linkPage{shell: s.shell(r, words.Key("Answer"), "alarms"), Who: l.Who, Link: r.PathValue("link"),
		Done: true, Said: site.Known(usefulness(r))})
}
