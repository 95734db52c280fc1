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
