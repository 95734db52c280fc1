package watcher

import (
	"context"
	"time"

	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// Silencing says how a bench is silenced from outside a run.
type Silencing struct {
	At   rf.Frequency // where the probe looks for RF; absent means the middle of the source's band
	Why  string
	Deaf bool // without the analyser: a run that holds the bench measures with it
	// Identified is told who the instruments are, by their id, once they were lowered; nil: nobody asks.
	Identified func(map[string]string)
}

// Silence brings the instruments of a bench to off and reads that back, whoever drives them. The error
// tells which instruments could not be opened; the report says whether RF is known to be off.
func Silence(ctx context.Context, b *catalog.Bench, s Silencing) (guard.Report, error) {
	x := gearOf(b, nil)
	defer x.close()
	if s.Deaf {
		x.analyser = nil
	}
	opening, cancel := context.WithTimeout(ctx, verifyWithin)
	defer cancel()
	missing := x.strike(opening)
	if s.Identified != nil {
		s.Identified(x.identified())
	}
	g := x.guard(b, func() rf.Frequency { return s.At }, 0, 0)
	g.Suspect() // whoever ran before may have left a command on its way
	return g.Silence(ctx, s.Why), missing
}

// A watcher that has tried for a while paces itself: an instrument that does not confirm is not talked to
// twenty times a second for minutes, and who asks for the bench does not wait for long.
const (
	paced     = time.Second     // the pause between two passes
	pacedTurn = 3 * time.Second // until it looks whether somebody asks for the bench
)
