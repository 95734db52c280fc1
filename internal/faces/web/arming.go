package web

import (
	"sync"
	"time"
)

// armedFor is how long an arming step may wait for its yes: the bench may be another one later.
const armedFor = 2 * time.Minute

// arming is a run that was checked and shown, and waits for a person's yes. ID names its page, which
// may be looked at; Nonce begins the run and works once.
type arming struct {
	ID       string
	Nonce    string
	Prepared Prepared
	Wishes   Wishes
	Until    time.Time
}

// armings keeps them, a bounded number.
type armings struct {
	now func() time.Time

	mu   sync.Mutex
	list map[string]*arming // by ID
}

const keptArmings = 32

func newArmings(now func() time.Time) *armings { return &armings{now: now, list: map[string]*arming{}} }

// add keeps an arming and gives it its names and its end.
func (a *armings) add(x arming) *arming {
	a.mu.Lock()
	defer a.mu.Unlock()
	for n, y := range a.list {
		if a.now().After(y.Until) {
			delete(a.list, n)
		}
	}
	for n := range a.list {
		if len(a.list) < keptArmings {
			break
		}
		delete(a.list, n)
	}
	x.ID, x.Nonce, x.Until = secret(), secret(), a.now().Add(armedFor)
	a.list[x.ID] = &x
	return &x
}

// clear forgets every arming that waits.
func (a *armings) clear() {
	a.mu.Lock()
	defer a.mu.Unlock()
	clear(a.list)
}

// look returns an arming that waits and has not expired; nil otherwise.
func (a *armings) look(id string) *arming {
	a.mu.Lock()
	defer a.mu.Unlock()
	if x := a.list[id]; x != nil && !a.now().After(x.Until) {
		return x
	}
	return nil
}

// take returns the arming of a nonce and uses it up; nil when it was used or has expired.
func (a *armings) take(nonce string) *arming {
	a.mu.Lock()
	defer a.mu.Unlock()
	for id, x := range a.list {
		if same(x.Nonce, nonce) {
			delete(a.list, id)
			if a.now().After(x.Until) {
				return nil
			}
			return x
		}
	}
	return nil
}

// absentFor is how long a page that attends a run may be away: a reload takes less.
const absentFor = 5 * time.Second

// wardens end a run that was begun as attended when no page attends it any more.
type wardens struct {
	end func(run int, why string)

	mu    sync.Mutex
	key   string // of the run that is attended; empty for none
	run   int
	pages int
	timer *time.Timer
}

func newWardens(end func(int, string)) *wardens { return &wardens{end: end} }

// attend begins to watch over a run and returns its key. A page has to come within the time allowed.
func (w *wardens) attend(run int) string {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.key, w.run, w.pages = secret(), run, 0
	w.arm()
	return w.key
}

// arm lets the time allowed run; the caller holds the lock.
func (w *wardens) arm() {
	key, run := w.key, w.run
	if w.timer != nil {
		w.timer.Stop()
	}
	w.timer = time.AfterFunc(absentFor, func() {
		w.mu.Lock()
		gone := w.key == key && w.pages == 0
		if gone {
			w.key = ""
		}
		w.mu.Unlock()
		if gone {
			w.end(run, "the page that attended the run was closed")
		}
	})
}

// waitFor reports that a key is that of the run which is attended.
func (w *wardens) waitFor(key string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return key != "" && key == w.key
}

// watch says that a page with this key is there, until the function that it returns is called.
func (w *wardens) watch(key string) func() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if key == "" || key != w.key {
		return func() {}
	}
	w.pages++
	w.timer.Stop()
	return func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.pages--; w.pages == 0 && w.key == key {
			w.arm()
		}
	}
}
