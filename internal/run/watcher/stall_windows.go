package watcher

import "errors"

// Stall cannot be done here.
func (w *Watcher) Stall() error { return errors.New("a process cannot be stopped on this system") }
