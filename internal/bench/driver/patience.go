package driver

import (
	"time"

	"provoke/internal/files/catalog"
)

// How long an instrument is waited for while RF is switched off: as long as its bench entry or its
// command table says, but never less than the one and never more than the other.
const (
	LeastPatience = time.Second
	MostPatience  = 6 * time.Second
)

// firstTry is the share of the patience that "off" is waited for before it is said a second time.
const firstTry = 0.7

// Patience is the longest wait for one exchange with the instruments of a bench that can end RF, or show
// it, while it is being silenced.
func Patience(b *catalog.Bench) time.Duration {
	own, _ := TablesOf(b)
	patience := LeastPatience
	take := func(role Role, c catalog.Connection, counts catalog.CountsIn) {
		if c.Present() {
			patience = max(patience, patienceWith(role, c, counts, own))
		}
	}
	take(RoleSource, b.Source.Connection, b.Source.CountsIn)
	if b.Amplifier != nil {
		take(RoleAmplifier, b.Amplifier.Connection, "")
	}
	if b.Analyser != nil {
		take(RoleAnalyser, b.Analyser.Connection, "")
	}
	return patience
}

// patienceWith is that of one instrument.
func patienceWith(role Role, c catalog.Connection, counts catalog.CountsIn, own []Table) time.Duration {
	stated := c.Timeout
	if stated <= 0 {
		if t, err := tableFor(role, c.Table, counts, own); err == nil {
			stated = t.Timeout
		}
	}
	return min(max(stated.Std(), LeastPatience), MostPatience)
}
