package event

import (
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// The kinds of this file are of the fixing loop: runs of kind plan.Fixing, in which the onset at a few frequencies is
// followed while the product is changed.

// Fixing says what such a run follows.
type Fixing struct {
	// Of is the run from whose findings the frequencies were taken; 0 where somebody named them.
	Of int       `json:"of,omitempty"`
	At []Tracked `json:"at"`
	// Alone is after how long without a sign of the person RF goes off.
	Alone rf.Duration `json:"alone"`
}

// Tracked is a frequency that is followed.
type Tracked struct {
	Point plan.Point `json:"point"`
	// Expected is the onset that the run before found, against the point's target; nil for none.
	Expected *rf.Gain `json:"expected,omitempty"`
}

// HandsIn says that RF was read back as off for hands to go to the product.
type HandsIn struct {
	By   string      `json:"by"`  // "key", "page", "foot switch", "nobody was there"
	How  string      `json:"how"` // on what it rests that RF is off
	Took rf.Duration `json:"took"`
	// Measured: a meter was read that saw nothing.
	Measured bool `json:"measured,omitempty"`
}

// HandsOut says that hands went out again, and what they did. It is written before RF comes on.
type HandsOut struct {
	By string `json:"by"`
	// Try counts the tries from 1; 0 where nothing was changed.
	Try int `json:"try,omitempty"`
	// What was changed, as typed or picked, or "change N".
	What string `json:"what,omitempty"`
	// Out: it was taken back out; otherwise it was put in.
	Out bool `json:"out,omitempty"`
}

// Did says in words what hands did.
func (h HandsOut) Did() string {
	switch {
	case h.What == "":
		return "nothing changed"
	case h.Out:
		return h.What + " taken out"
	}
	return h.What + " put in"
}

// Reference is a mark from which changes of the onset are counted.
type Reference struct {
	Text string `json:"text,omitempty"`
}

// Kind returns "hands-in".
func (HandsIn) Kind() string { return "hands-in" }

// Kind returns "hands-out".
func (HandsOut) Kind() string { return "hands-out" }

// Kind returns "reference".
func (Reference) Kind() string { return "reference" }
