package watcher

import "time"

// StandStill makes it look as if the process had stood still.
func (w *Watcher) StandStill(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.last = time.Now().Add(-d)
}

// Kill kills the watcher's process.
func (w *Watcher) Kill() { w.cmd.Process.Kill() }

// SetSleepClock replaces the clock of the machine's sleep and returns what brings it back.
func SetSleepClock(f func() time.Duration) (back func()) {
	was := sleepClock
	sleepClock = f
	return func() { sleepClock = was }
}
