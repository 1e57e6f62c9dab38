package site

// Numbered is a sample with its sequence number in the journal.
type Numbered struct {
	Seq    int64
	Sample Sample
}

// SeqRange is a span of sequence numbers: above After, up to and including Upto. Upto 0 means
// everything that is there and will come.
type SeqRange struct{ After, Upto int64 }

// Place says where a point belongs. Court and Bay are empty for the site's own points.
type Place struct {
	Quantity   Quantity
	Court, Bay string
}

// Places maps a point's id to its place. It may know points that have left the site file.
type Places map[string]Place

// Places of the site's points.
func (s *Site) Places() Places {
	all := make(Places, len(s.Points))
	for _, p := range s.Points {
		place := Place{Quantity: p.Quantity, Bay: p.Bay}
		if b := s.Bay(p.Bay); b != nil {
			place.Court = b.Court
		}
		all[p.ID] = place
	}
	return all
}
