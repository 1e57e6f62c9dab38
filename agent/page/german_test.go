package page

import (
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/alarm"
	"bayledger/agent/procedure"
	"bayledger/agent/site"
	"bayledger/agent/words"
)

var (
	markup      = regexp.MustCompile(`(?s)<[^>]*>`)
	commonWords = regexp.MustCompile(`(?i)[^\n]*\b(the|and|of|is|are|not|with|by|to|from|last|since|at|over|bay|level|water|log|open)\b[^\n]*`)
)

// germanView is the bad morning at a German club.
func germanView() *View {
	v := aBadView()
	v.Site.Language = "de"
	v.Watch.ClockNote = ""
	say := words.Of(v.Site)
	for i := range v.Alarms { // as the desk tells them there
		if v.Alarms[i].Phase == alarm.Shelved {
			v.Alarms[i].Why = "zurückgestellt bis Mi 08:00 von ann: neues Sieb bestellt"
		}
		for _, e := range []*site.Event{&v.Alarms[i].Event, &v.Alarms[i].Now} {
			row, _ := say.Kind(e.Kind)
			e.Because, e.FirstAction = row.Says, say.Fill(row.FirstAction, v.Site, e.Bay)
			if e.OrKind != "" {
				e.WouldDecide = "steigt der Wasserstand nicht mehr, ist es der Zähler"
			}
		}
	}
	v.Procedures = underWay(v.Site)
	return v
}

// underWay is a winter close at the step in which the sensors come out, and a wiring proof that was
// stopped.
func underWay(s *site.Site) procedure.Picture {
	b, at := procedure.New(s, nil), aMorning.Add(-time.Hour)
	say := func(a procedure.Answer) {
		a.Who = "ann"
		if p := b.Picture(); len(p.Runs) > 0 {
			a.Run, a.Step = p.Runs[0].ID, p.Runs[0].Now.Step
		}
		rec, err := a.Record(b.Picture(), at)
		if err != nil {
			panic(err)
		}
		b.Record(rec)
		for end := at.Add(5 * time.Minute); at.Before(end); at = at.Add(10 * time.Second) {
			for _, p := range s.Points {
				value := 0.062
				if p.Quantity != site.Level {
					value = 280e3
				}
				b.Sample(site.Sample{Point: p.ID, Time: at, Value: value})
			}
			b.Tick(at)
		}
	}
	say(procedure.Answer{Do: "start", Kind: procedure.WiringProof})
	say(procedure.Answer{Do: "stop", Why: "es regnet"})
	say(procedure.Answer{Do: "start", Kind: procedure.WinterClose})
	say(procedure.Answer{Do: "answer", Text: "ja"})
	say(procedure.Answer{Do: "answer", Text: "ja"})
	return b.Picture()
}

// TestGerman goes through the pages of a German club: dates, figures and words are German.
func TestGerman(t *testing.T) {
	h := &aHistory{records: []site.Record{
		{Kind: site.RecDip, Bay: "A1", Time: aMorning.Add(-time.Minute), Value: 0.063, Value2: 0.062, Who: "ann"},
		{Kind: site.RecSurface, Bay: "A1", Time: aMorning.Add(-time.Minute), Text: "dry", Who: "ann"},
		{Kind: site.RecUtility, Time: aMorning.Add(-time.Hour), Value: 1842.6, Value2: nan, Who: "ann"},
	}}
	c := aClub(t, germanView(), func(_ *Options, d *Deps) {
		d.History = h
		d.Able = func(*site.Site, string) []site.Ability {
			return []site.Ability{{Kind: site.ValveWeeping, Needs: "a flow meter"}}
		}
	})
	ann := c.as(t, "ann")
	for path, has := range map[string][]string{
		"/":        {`<html lang="de">`, "A3 und B2 brauchen Sie.", "Di 14.7.", "MESZ", "Ventil schließt nicht", "Becken A3: Ventil schließt nicht", "19 mm darüber", "16,4 °C", "Handventil von Becken A3 schließen oder die Zuleitung absperren (the red wheel"},
		"/bays/A2": {"Becken A2", "2 mm unter dem Sollwert von 62 mm.", "0,29 ± 0,02", "gestern", "Mo 18:41 bis 00:41", "ein Durchflusszähler", "Ventil tropft", "−6,0 ± 15 L"},
		"/alarms":  {"Wasser läuft ins Becken, obwohl das Ventil zu sein sollte.", "2 Alarme sind offen.", "Wenn niemand etwas tut: Das Becken füllt sich", "Erklärt: Becken A3: Überfüllt.", "Zurückgestellt bis Mi 08:41.", "Netzspannung ist Sache des Elektrikers"},
		"/round":   {"Morgenrunde", "Handmessung, Sensor und Sollwert stimmen überein.", "Sollwert um 2,5 mm anheben, auf 64,5 mm.", "Heute spielte er sich trocken", "Letzte Handmessung 63 mm um 06:40 von ann."},
		"/reports": {"Bericht: 13. Juli bis 19. Juli 2026", "Zuletzt: 1842,60 m³ um 05:41 von ann.", "Der letzte Tag ist noch nicht um", "0,37"},
		"/procedures": {"Abläufe", "Winterschluss", "Sensoren heraus", "Jeden Pegelsensor herausziehen.", "Ein Pegelschacht ist für Kinder gefährlich tief", "Wird beobachtet.", "Noch im Wasser: A1, A2, A3, B1, B2 und B3.", "A1: zeigt noch 62 mm Wasser",
			"Die Werte dieses Herbstes: gesehen (Überwachung). Aufgeschrieben.", "Sie sind heraus und trocken gelagert", "Verdrahtungsprüfung</a>, 05:46: abgebrochen: es regnet"},
		"/login":   {"Anmelden", "Passwort"},
		"/nothing": {"Nicht gefunden", "Unter dieser Adresse gibt es nichts."},
		"/bays/Z9": {"Es gibt kein Becken &#34;Z9&#34;."},
	} {
		body := strings.ReplaceAll(get(t, c.Server, path, ann).Body.String(), "\u00a0", " ")
		for _, text := range has {
			require.Contains(t, body, text, path)
		}
		require.NotContains(t, body, "%!", path)
		body = strings.ReplaceAll(body[strings.Index(body, "<body"):], "the red wheel in the pump house", "") // the club's own words
		if found := commonWords.FindString(markup.ReplaceAllString(body, " \n ")); found != "" {
			t.Errorf("%s: %q is English", path, found)
		}
	}
	// The record that is printed.
	id := germanView().Procedures.Records[0].ID
	html, text := get(t, c.Server, "/procedures/record?id="+id, ann).Body.String(), get(t, c.Server, "/procedures/record?form=text&id="+id, ann).Body.String()
	require.Contains(t, html, `<html lang="de">`)
	for _, body := range []string{markup.ReplaceAllString(html[strings.Index(html, "<body"):], " \n "), text} {
		for _, has := range []string{"Verdrahtungsprüfung", "Anlagendatei", "begonnen von ann", "14.7.2026 05:41 MESZ", "Unterschrift"} {
			require.Contains(t, body, has)
		}
		require.NotRegexp(t, commonWords, body)
	}
	// Programs are answered in English.
	w := get(t, c.Server, "/api/v1/events?bay=Z9", ann)
	require.Equal(t, http.StatusNotFound, w.Code)
	require.Contains(t, w.Body.String(), `There is no bay \"Z9\".`)
	w = c.post(t, "/bays/A1/dip", map[string][]string{"level": {"viel"}, "back": {"/round"}}, ann)
	require.Contains(t, w.Body.String(), "&#34;viel&#34; ist keine Höhe; schreiben Sie zum Beispiel 63 mm.")
}
