package alarm

import (
	"encoding/json"
	"fmt"
	"reflect"
	"time"

	"bayledger/agent/site"
)

// rationale is the rationalisation of a site's alarms in the sense of ANSI/ISA-18.2 clause 8.
type rationale struct {
	Kinds []site.KindInfo `json:"kinds"`
	Bays  []ownRationale  `json:"bays,omitempty"`
}

// ownRationale is what one bay has of its own.
type ownRationale struct {
	Bay string `json:"bay"`
	// DeadBandM is 0 where it follows from the band and the noise.
	DeadBandM float64                  `json:"dead_band_m,omitempty"`
	Delays    map[site.Kind]site.Delay `json:"delays_ns,omitempty"`
}

// Rationale is what the alarms of a site rest on, as JSON that is the same for the same site: the
// table of kinds (consequence, response, severity rule, delays, owner), and the dead bands and
// delays that bays have of their own.
func Rationale(s *site.Site) ([]byte, error) {
	r := rationale{Kinds: site.Kinds}
	for b := range s.Bays() {
		own := ownRationale{Bay: b.ID, Delays: b.Delays}
		if b.DeadBandM > 0 {
			own.DeadBandM = b.DeadBandM
		}
		if own.DeadBandM > 0 || len(own.Delays) > 0 {
			r.Bays = append(r.Bays, own)
		}
	}
	text, err := json.Marshal(r)
	if err != nil {
		return nil, fmt.Errorf("alarm: write the rationalisation: %w", err)
	}
	return text, nil
}

// Changes names what differs between two rationales: kinds, and bays with what they have of their
// own. It is empty when either cannot be read, as before there was one.
func Changes(before, after []byte) (what []string) {
	var old, now rationale
	if json.Unmarshal(before, &old) != nil || json.Unmarshal(after, &now) != nil {
		return nil
	}
	rows := map[site.Kind]site.KindInfo{}
	for _, k := range old.Kinds {
		rows[k.Kind] = k
	}
	for _, k := range now.Kinds {
		if !reflect.DeepEqual(rows[k.Kind], k) {
			what = append(what, string(k.Kind))
		}
		delete(rows, k.Kind)
	}
	for _, k := range old.Kinds {
		if _, gone := rows[k.Kind]; gone {
			what = append(what, string(k.Kind)+" is gone")
		}
	}
	bays := map[string]ownRationale{}
	for _, b := range old.Bays {
		bays[b.Bay] = b
	}
	for _, b := range now.Bays {
		what = append(what, b.against(bays[b.Bay])...)
		delete(bays, b.Bay)
	}
	for _, b := range old.Bays {
		if _, gone := bays[b.Bay]; gone {
			what = append(what, ownRationale{Bay: b.Bay}.against(b)...)
		}
	}
	return what
}

// against says how b differs from what was there before, in the order of the table.
func (b ownRationale) against(old ownRationale) (what []string) {
	if b.DeadBandM != old.DeadBandM {
		what = append(what, fmt.Sprintf("bay %s: dead band %s, was %s", b.Bay, deadBandWords(b.DeadBandM), deadBandWords(old.DeadBandM)))
	}
	for _, k := range site.Kinds {
		now, has := b.Delays[k.Kind]
		was, had := old.Delays[k.Kind]
		if has != had || now != was {
			what = append(what, fmt.Sprintf("bay %s: delays of %s %s, were %s", b.Bay, k.Kind, delayWords(now, has), delayWords(was, had)))
		}
	}
	return what
}

func deadBandWords(m float64) string {
	if m == 0 {
		return "by band and noise"
	}
	return fmt.Sprintf("%.4g m", m)
}

func delayWords(d site.Delay, own bool) string {
	if !own {
		return "the table's"
	}
	word := func(d time.Duration) string {
		if d < 0 {
			return "the table's"
		}
		return d.String()
	}
	return fmt.Sprintf("on %s, off %s", word(d.On), word(d.Off))
}
