package session

import (
	"provoke/internal/run/engine"
)

// keptLooks is how many looks at the product the desk remembers for pages that listen.
const keptLooks = 2000

// watched is the engine's Watched.
func (d *Desk) watched(l engine.Look) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.looks) >= keptLooks {
		d.looks = append(d.looks[:0], d.looks[keptLooks/2:]...)
	}
	d.looks = append(d.looks, l)
	d.seen++
	newest := append([]engine.Look(nil), d.state.Looks...) // the old one is lent out
	for i, x := range newest {
		if x.Monitor == l.Monitor {
			newest[i] = l
			d.state.Looks = newest
			return
		}
	}
	d.state.Looks = append(newest, l)
}

// Looks returns the looks after a number that are still remembered.
func (d *Desk) Looks(after uint64) ([]engine.Look, uint64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	first := d.seen - uint64(len(d.looks)) // number of the look before the first remembered
	from := max(after, first) - first
	if from >= uint64(len(d.looks)) {
		return nil, d.seen
	}
	return append([]engine.Look(nil), d.looks[from:]...), d.seen
}
