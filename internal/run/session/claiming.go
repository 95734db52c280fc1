package session

import (
	"context"
	"errors"
	"fmt"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// letsGoWithin is how long a run that was asked for its bench has until the bench is silenced beside it: it
// trips within some milliseconds, and reads back. endsWithin is how long it may take to end.
const (
	letsGoWithin = 1500 * time.Millisecond
	endsWithin   = 5 * time.Second
)

// ClaimBench claims a bench for this process before anything is sent to it. A watcher that an earlier run
// left at it, because RF was not known to be off, is relieved: the bench is silenced and read back first.
func ClaimBench(w *terminal.World, b *catalog.Bench, role claim.Role, job string) (*claim.Claim, error) {
	keys := claim.Keys(b, nil)
	var held *claim.HeldError
	for end := time.Now().Add(letsGoWithin); ; time.Sleep(20 * time.Millisecond) {
		c, err := claim.Take(keys, role, job)
		if err == nil || !errors.As(err, &held) {
			return c, err
		}
		left := held.Role == claim.Watches || !held.Process.Lives() // its watcher has not said so yet
		if !left {
			return nil, err
		}
		if !time.Now().Before(end) {
			break
		}
	}
	fmt.Fprintf(w.Stderr, "provoke: note: this bench has %v: silencing it before anything else\n", held.Holder)
	rep, err := silenceBench(w.Ctx, b, watcher.Silencing{Why: "before the bench is used again"}, role,
		func(words string) { fmt.Fprintln(w.Stderr, "provoke: note:", words) })
	if !rep.Quiet {
		return nil, rfUnknown(rep, err)
	}
	fmt.Fprintf(w.Stderr, "provoke: note: RF %s\n", rep.How)
	return claim.Take(keys, role, job)
}

// silenceBench ends whatever run has a bench, brings its instruments to off and reads that back. say is told
// what was found on the way.
func silenceBench(ctx context.Context, b *catalog.Bench, s watcher.Silencing, role claim.Role,
	say func(string)) (guard.Report, error) {
	keys := claim.Keys(b, nil)
	r, err := claim.Ask(keys, role)
	if err != nil {
		say(err.Error() + "; whoever has the bench is not asked to end")
	}
	held := claim.Held(keys)
	s.Deaf = len(ended(r, held, letsGoWithin, say)) > 0
	s.Identified = func(idn map[string]string) { // the same instruments by other addresses
		keys := claim.Keys(b, idn)
		if others := claim.Held(keys); len(others) > 0 && r != nil {
			held = append(held, others...)
			r.Add(keys)
		}
	}
	rep, err := watcher.Silence(ctx, b, s)
	if len(held) > 0 && len(claim.Held(keys)) > 0 {
		s.Identified = nil
		s.Deaf = len(ended(r, held, endsWithin, say)) > 0
		rep, err = watcher.Silence(ctx, b, s) // whoever had it has let go, or never will
	}
	if r == nil {
		return rep, err
	}
	if rep.Quiet {
		r.IsOff()
		for _, h := range held {
			if h.Role == claim.Watches {
				r.Free(2 * time.Second)
				break
			}
		}
	} else {
		r.GiveUp()
	}
	r.Clear()
	return rep, err
}

// ended waits until the runs among the holders have let a bench go, and says what came of it; it returns
// those that have it still. A watcher lets go once it hears that RF is off.
func ended(r *claim.Request, held []claim.Holder, most time.Duration, say func(string)) (still []claim.Holder) {
	var runs []claim.Holder
	for _, h := range held {
		if h.Role != claim.Watches {
			runs = append(runs, h)
		}
	}
	if len(runs) == 0 || r == nil {
		return runs
	}
	began := time.Now()
	free := len(r.Free(most)) == 0
	for _, h := range runs {
		switch {
		case !free && !h.Process.Lives():
			say(fmt.Sprintf("%v had this bench and has ended; its watcher has the bench still, after %v", h,
				rf.Milliseconds(time.Since(began))))
		case !free: // its watcher may have the bench with it
			still = append(still, h)
			say(fmt.Sprintf("%v has this bench: it was told to trip, and has not let it go after %v; the bench is "+
				"silenced beside it, without its analyser", h, rf.Milliseconds(time.Since(began))))
		default:
			say(fmt.Sprintf("%v had this bench: it was tripped, and let it go within %v", h,
				rf.Milliseconds(time.Since(began))))
		}
	}
	return still
}
