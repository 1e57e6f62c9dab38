package alarm

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// What a German site was told it is told again after a restart, word for word, and by a desk that
// replays what led there.
func TestGermanIsToldTheSameAgain(t *testing.T) {
	s := plain(club(t))
	s.Language = string(words.German)
	stuck := find(site.ValveStuckOpen, "A1", func(f *site.Finding) {
		f.Since, f.Carried = night, true
		f.OrKind, f.WouldDecide = site.MeterFault, site.Say("Open the valve of bay %s by hand and see which meter turns.", "A1")
		f.Because = site.Say("Bay %s takes %s %s since %s: %s (± %s) so far%s%s%s.", "A1", site.Rate(26e-3/60), site.Say("although its valve was told to shut"), site.Clock(night),
			site.Water(0.0042), site.Water(0.0004), site.Phrase{}, site.Phrase{}, site.Phrase{})
	})
	d, again := New(s), New(s)
	ev := d.Tick(night, []site.Finding{stuck})
	require.Equal(t, ev, again.Tick(night, []site.Finding{stuck}))
	require.Equal(t, "Becken A1 nimmt 26 L/min auf, obwohl sein Ventil den Befehl zu schließen hat, seit 01:40: bisher 4,2 L (± 0,4 L); der Überlauf führt alles ab, der Platz wird nicht überflutet.", ev[0].Because)
	require.Equal(t, "Das Ventil von Becken A1 von Hand öffnen und sehen, welcher Zähler sich dreht.", ev[0].WouldDecide)
	require.Equal(t, "Handventil von Becken A1 schließen oder die Zuleitung absperren ("+s.ShutOff+").", ev[0].FirstAction)

	b, err := d.Snapshot()
	require.NoError(t, err)
	restored := New(s)
	require.NoError(t, restored.Restore(b))
	require.Equal(t, d.Open()[0].Event, restored.Open()[0].Event)
	require.Equal(t, d.Open()[0].Now, restored.Open()[0].Now, "what held is said again though its phrase is gone")

	over := restored.Tick(night.Add(10*time.Minute), nil)
	require.Len(t, over, 1)
	require.Equal(t, "Vorbei: der Zähler steht seit zwei Impulsdauern still.", over[0].Because)
	require.Equal(t, "Nichts; es ist vorbei.", over[0].FirstAction)
}
