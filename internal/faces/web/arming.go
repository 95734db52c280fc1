package web

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"provoke/internal/run/engine"
)

// armedFor is how long an arming step may wait for its yes: the bench may be another one later.
const armedFor = 2 * time.Minute

// arming is a run that was checked and shown, and waits for a person's yes. ID names its page, which
// may be looked at; Nonce begins the run, once.
type arming struct {
	ID       string
	Nonce    string
	Prepared Prepared
	Wishes   Wishes
	Job      string       // that was shown when it was prepared
	Before   int          // newest run of that job then; 0 for none
	Hold     *engine.Move // where a fixing loop begins by hand; nil where it follows by itself
	Left     int          // frequencies that a run that is gone on with has left; 0 where nobody knows
	Until    time.Time

	saying sync.Mutex // one yes at a time: the second of a double click waits for the first
	said   time.Time  // when the yes came; zero before
	run    int        // that it began; 0 for none
	to     string     // page of that run
	why    error      // why it began none
}

// armings keeps them, a bounded number.
type armings struct {
	now func() time.Time

	mu   sync.Mutex
	list map[string]*arming // by ID
}

const keptArmings = 32

func newArmings(now func() time.Time) *armings { return &armings{now: now, list: map[string]*arming{}} }

// keptFor is how long an arming is remembered after its end, to tell what came of it.
const keptFor = 10 * time.Minute

// add keeps an arming and gives it its names and its end.
func (a *armings) add(x *arming) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for n, y := range a.list {
		if a.now().After(y.Until.Add(keptFor)) {
			delete(a.list, n)
		}
	}
	for len(a.list) >= keptArmings {
		oldest := ""
		for n, y := range a.list {
			if oldest == "" || y.Until.Before(a.list[oldest].Until) {
				oldest = n
			}
		}
		delete(a.list, oldest)
	}
	x.ID, x.Nonce, x.Until = secret(), secret(), a.now().Add(armedFor)
	a.list[x.ID] = x
}

// clear forgets every arming that waits.
func (a *armings) clear() {
	a.mu.Lock()
	defer a.mu.Unlock()
	clear(a.list)
}

// look returns the arming of an address; nil where none is known.
func (a *armings) look(id string) *arming {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.list[id]
}

// of returns the arming of a nonce; nil where none is known.
func (a *armings) of(nonce string) *arming {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, x := range a.list {
		if same(x.Nonce, nonce) {
			return x
		}
	}
	return nil
}

// yes begins the run of an arming, once, and returns the address of its page. The same yes again, as of a double
// click, leads to the same page and begins nothing.
func (x *arming) yes(now time.Time, begin func() (run int, to string, err error)) (string, error) {
	x.saying.Lock()
	defer x.saying.Unlock()
	switch {
	case x.said.IsZero() && now.After(x.Until):
		return "", errors.New("this arming step has expired: nothing was switched on; check and arm again")
	case x.said.IsZero():
		x.said = now
		x.run, x.to, x.why = begin()
		return x.to, x.why
	case x.run > 0 && now.Sub(x.said) < armedFor:
		return x.to, nil
	}
	return "", x.used()
}

// used says what came of an arming that waits for no yes any more.
func (x *arming) used() error {
	if x.run > 0 {
		return fmt.Errorf("this arming step has begun run %d already, and begins no other: check and arm again", x.run)
	}
	return fmt.Errorf("this arming step was used and began no run: %w; check and arm again", x.why)
}

// over says why an arming page cannot be shown any more; nil while it waits for its yes.
func (x *arming) over(now time.Time) error {
	x.saying.Lock()
	defer x.saying.Unlock()
	switch {
	case !x.said.IsZero():
		return x.used()
	case now.After(x.Until):
		return errors.New("this arming step has expired: nothing was switched on; check and arm again")
	}
	return nil
}

// absentFor is how long a browser that watches a run may have no page here: to go from one to the next takes less.
const absentFor = 5 * time.Second

// wardens end a run that was begun as watched when the browser that watches it has no page of this server any more. Any
// page counts, whichever it is, by its stream; and so does every request that is being answered, so that a page which
// takes long, or one without scripts that loads itself again, is no absence.
type wardens struct {
	end    func(run int, why string)
	absent time.Duration

	mu      sync.Mutex
	session string // of the browser that watches; empty for none
	run     int
	there   map[string]int // streams and requests of every browser
	timer   *time.Timer
}

func newWardens(end func(int, string)) *wardens {
	return &wardens{end: end, absent: absentFor, there: map[string]int{}}
}

// attend lets a browser watch over a run.
func (w *wardens) attend(run int, session string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.session, w.run = session, run
	if w.there[session] == 0 {
		w.arm()
	}
}

// arm lets the time allowed run; the caller holds the lock.
func (w *wardens) arm() {
	session, run := w.session, w.run
	if w.timer != nil {
		w.timer.Stop()
	}
	w.timer = time.AfterFunc(w.absent, func() {
		w.mu.Lock()
		gone := w.session == session && w.run == run && w.there[session] == 0
		if gone {
			w.session = ""
		}
		w.mu.Unlock()
		if gone {
			w.end(run, "the last page of the browser that watched the run was closed")
		}
	})
}

// by reports that a browser watches a run.
func (w *wardens) by(session string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return session != "" && session == w.session
}

// over returns the run that is watched, and by whom; an empty session for nobody.
func (w *wardens) over() (run int, session string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.run, w.session
}

// watch says that a browser is there, until the function that it returns is called.
func (w *wardens) watch(session string) func() {
	if session == "" {
		return func() {}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.there[session]++
	return func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.there[session]--; w.there[session] > 0 {
			return
		}
		delete(w.there, session)
		if w.session == session {
			w.arm()
		}
	}
}

// watched says beforehand what closing the last page does to the run that is being done; empty where none is.
func (s *Server) watched(session string) string {
	st := s.cfg.Runner.State()
	run, by := s.wardens.over()
	switch {
	case !st.Underway:
		return ""
	case by == "" || run != st.Run:
		return "Nobody watches this run by a page: it goes on when every page is closed."
	case by == session:
		return fmt.Sprintf("You watch this run: RF goes off %.0f s after this browser’s last page here is closed.",
			s.wardens.absent.Seconds())
	}
	return "Another browser watches this run: RF goes off when its last page is closed."
}
