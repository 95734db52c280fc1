package web

import (
	"sync"
	"time"
)

// armedFor is how long an arming step may wait for its yes: the bench may be another one later.
const armedFor = 2 * time.Minute

// arming is a run that was checked and shown, and waits for a person's yes. The nonce works once.
type arming struct {
	Nonce    string
	Prepared Prepared
	Wishes   Wishes
	Until    time.Time
}

// armings keeps them, a bounded number.
type armings struct {
	now func() time.Time

	mu   sync.Mutex
	list map[string]*arming
}

const keptArmings = 32

func newArmings(now func() time.Time) *armings { return &armings{now: now, list: map[string]*arming{}} }

// add keeps an arming and gives it its nonce and its end.
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
	x.Nonce, x.Until = secret(), a.now().Add(armedFor)
	a.list[x.Nonce] = &x
	return &x
}

// look returns an arming that has not expired; nil otherwise.
func (a *armings) look(nonce string) *arming {
	a.mu.Lock()
	defer a.mu.Unlock()
	x := a.list[nonce]
	if x == nil || a.now().After(x.Until) {
		return nil
	}
	return x
}

// take returns an arming and uses its nonce up; nil when it was used or has expired.
func (a *armings) take(nonce string) *arming {
	x := a.look(nonce)
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.list[nonce] == nil {
		return nil
	}
	delete(a.list, nonce)
	return x
}

// absentFor is how long a page that attends a run may be away: a reload takes less.
const absentFor = 5 * time.Second

// wardens end a run that was begun as attended when no page attends it any more.
type wardens struct {
	end func(why string)

	mu    sync.Mutex
	key   string // of the run that is attended; empty for none
	pages int
	timer *time.Timer
}

func newWardens(end func(string)) *wardens { return &wardens{end: end} }

// attend begins to watch over a run and returns its key. A page has to come within the time allowed.
func (w *wardens) attend() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.key, w.pages = secret(), 0
	w.arm()
	return w.key
}

// leave ends the watch: the run has ended, or did not begin.
func (w *wardens) leave() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.key = ""
	if w.timer != nil {
		w.timer.Stop()
	}
}

// arm lets the time allowed run; the caller holds the lock.
func (w *wardens) arm() {
	key := w.key
	if w.timer != nil {
		w.timer.Stop()
	}
	w.timer = time.AfterFunc(absentFor, func() {
		w.mu.Lock()
		gone := w.key == key && key != "" && w.pages == 0
		if gone {
			w.key = ""
		}
		w.mu.Unlock()
		if gone {
			w.end("the page that attended the run was closed")
		}
	})
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
