package site

// Ability says whether a kind of trouble can be found with the instruments there are.
type Ability struct {
	Kind Kind `json:"kind"`
	Can  bool `json:"can"`
	// How says with what, or how much less well than with full instruments; empty when there is
	// nothing to add.
	How string `json:"how,omitempty"`
	// Needs names the instruments that would let it; empty when it can.
	Needs string `json:"needs,omitempty"`
	// Sharper names the instruments that would let it be found sooner or more surely, when it can
	// be found at all; empty when none would.
	Sharper string `json:"sharper,omitempty"`
}
