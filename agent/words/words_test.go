package words

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// What fills a phrase takes the site's units and the language's form. Sources: a decimal comma and a
// day before its month, DIN 5008 (from memory); the gallon of 231 cubic inches and the inch of 25.4 mm,
// NIST SP 811 appendix B, worked out by hand.
func TestWhatFillsAPhrase(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	night := time.Date(2026, 7, 3, 23, 40, 0, 0, time.UTC) // 01:40 of Saturday the 4th there
	for _, row := range []struct {
		name       string
		with       any
		metric, us string
		german     string
		phrase     string // %s where empty
	}{
		{name: "a flow through a valve", with: site.Rate(26e-3 / 60), metric: "26 L/min", us: "6.9 gal/min", german: "26 L/min"},
		{name: "what a fast loss is unsure of", with: site.RateU{U: 92e-3 / 3600, Of: 5.1e-3 / 60}, metric: "1.5 L/min", us: "24 gal/h", german: "1,5 L/min"},
		{name: "a slow loss", with: site.Rate(6.25e-3 / 3600), metric: "6.2 L/h", us: "1.7 gal/h", german: "6,2 L/h"},
		{name: "a level", with: site.Depth(0.0635), metric: "64 mm", us: "2.50 in", german: "64 mm"},
		{name: "a little water", with: site.Water(0.0042), metric: "4.2 L", us: "1.1 gal", german: "4,2 L"},
		{name: "a pressure", with: site.Press(200e3), metric: "200 kPa", us: "29 psi", german: "200 kPa"},
		{name: "a level nobody knows", with: site.Depth(site.Unknown()), metric: "unknown", us: "unknown", german: "unbekannt"},
		{name: "seconds", with: site.Lasted(29 * time.Second), metric: "29 s", us: "29 s", german: "29 s"},
		{name: "minutes, rounded", with: site.Lasted(95*time.Minute + 30*time.Second), metric: "96 min", us: "96 min", german: "96 min"},
		{name: "hours", with: site.Lasted(150 * time.Minute), metric: "2.5 h", us: "2.5 h", german: "2,5 h"},
		{name: "days", with: site.Lasted(60 * time.Hour), metric: "2.5 days", us: "2.5 days", german: "2,5 Tage"},
		{name: "an hour", with: site.Clock(night), metric: "01:40", us: "01:40", german: "01:40"},
		{name: "a day of the week", with: site.Day(night), metric: "Sat 01:40", us: "Sat 01:40", german: "Sa 01:40"},
		{name: "a moment of the same day", with: site.Moment{At: night, Now: night.Add(time.Hour)}, metric: "01:40", us: "01:40", german: "01:40"},
		{name: "a moment of another day", with: site.Moment{At: night, Now: night.Add(24 * time.Hour)}, metric: "Sat 4 Jul 01:40", us: "Sat 4 Jul 01:40", german: "Sa 4.7. 01:40"},
		{name: "why a reading is bad", with: site.WhyTimeout, metric: "no-reply", us: "no-reply", german: "keine Antwort"},
		{name: "a kind of trouble", with: site.Leak, metric: "leak", us: "leak", german: "Leck"},
		{name: "a phrase in a phrase", with: site.Say("%d times in a row", 3), metric: "3 times in a row", us: "3 times in a row", german: "3-mal hintereinander"},
		{name: "a list", with: site.List{site.Say("the chamber of %s", "A1"), site.Say("the supply line")}, metric: "the chamber of A1, the supply line", us: "the chamber of A1, the supply line",
			german: "den Pegelschacht von A1, die Zuleitung"},
		{name: "a number below nought", with: -1.25, phrase: "%.1f", metric: "-1.2", us: "-1.2", german: "−1,2"},
		{name: "a number with its sign", with: 0.5, phrase: "%+.1f mm", metric: "+0.5 mm", us: "+0.5 mm", german: "+0,5 mm"},
	} {
		t.Run(row.name, func(t *testing.T) {
			phrase := row.phrase
			if phrase == "" {
				phrase = "%s"
			}
			for want, v := range map[*string]Voice{&row.metric: {English, site.MetricDisplay, berlin}, &row.us: {English, site.USDisplay, berlin}, &row.german: {German, site.MetricDisplay, berlin}} {
				require.Equal(t, *want, v.Speak(site.Say(phrase, row.with)), v.Language)
			}
		})
	}
}

// A text that nothing fills is said as it stands, whatever signs are in it: what a person typed, what
// a server answered.
func TestATextIsNoFormat(t *testing.T) {
	for _, language := range Languages {
		require.Equal(t, "100 % sure, %s", Voice{Language: language}.Speak(site.Say("100 % sure, %s")))
	}
}

// Quantities in the site's units: a sign only where there is something, temperatures and their differences, and a
// depth that is measured closely.
func TestQuantities(t *testing.T) {
	zone := time.UTC
	metric, us, german := Voice{Language: English, Zone: zone}, Voice{Language: English, Display: site.USDisplay, Zone: zone}, Voice{Language: German, Zone: zone}
	for _, row := range []struct {
		phrase             string
		value              any
		metric, us, german string
	}{
		{"%s", site.Close(0.0364), "36.4 mm", "1.433 in", "36,4 mm"},
		{"%+s", site.Close(0.006), "+6.0 mm", "+0.236 in", "+6,0 mm"},
		{"%+s", site.Close(-0.006), "-6.0 mm", "-0.236 in", "\u22126,0 mm"},
		{"%+s", site.Close(0.00001), "0.0 mm", "0.000 in", "0 mm"},
		{"%+s", site.Depth(0.012), "+12 mm", "+0.47 in", "+12 mm"},
		{"%s", site.Celsius(-1.5), "-1.5 degrees C", "29 degrees F", "\u22121,5 °C"},
		{"%s", site.Kelvin(2.5), "2.5 degrees C", "4 degrees F", "2,5 °C"},
	} {
		for voice, want := range map[Voice]string{metric: row.metric, us: row.us, german: row.german} {
			require.Equal(t, want, voice.Say(row.phrase, row.value))
		}
	}
}
