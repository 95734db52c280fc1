package terminal

import "time"

// A terminal does not say that a key is released: one that is held repeats by itself, first after 250 to 660 ms,
// then every 15 to 50 ms. The limits leave room for a slow line.
const (
	// HoldTime is how long a key is held until that counts.
	HoldTime    = time.Second
	firstRepeat = 700 * time.Millisecond
	nextRepeat  = 200 * time.Millisecond
)

// Hold tells from the times of its repeats that one key is held for HoldTime, without a gap and without another key
// between. Text that is pasted comes at once and slow taps have gaps: neither is a hold. The zero value is ready.
type Hold struct {
	key         Key
	first, last time.Time
	told        bool
}

// Press takes the next key, whichever it is, and says whether it has now been held; true once for each hold.
func (h *Hold) Press(p Press) bool {
	gap := p.At.Sub(h.last)
	switch {
	case p.Key != h.key || gap > firstRepeat || gap < 0:
		h.first, h.told = p.At, false
	case gap > nextRepeat: // only the press before can have begun it
		h.first, h.told = h.last, false
	}
	h.key, h.last = p.Key, p.At
	if h.told || p.At.Sub(h.first) < HoldTime {
		return false
	}
	h.told = true
	return true
}
