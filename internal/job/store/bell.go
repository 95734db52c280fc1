package store

import (
	"path/filepath"
	"sync"
)

// bell wakes the followers of a job within this process; those of other processes poll.
type bell struct {
	mu sync.Mutex
	ch chan struct{}
}

// bells holds one bell per file, so that a job opened twice in a process shares it.
var bells sync.Map

func bellOf(path string) *bell {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	b, _ := bells.LoadOrStore(path, &bell{ch: make(chan struct{})})
	return b.(*bell)
}

func (b *bell) ring() {
	b.mu.Lock()
	close(b.ch)
	b.ch = make(chan struct{})
	b.mu.Unlock()
}

// next returns a channel that the next ring closes.
func (b *bell) next() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.ch
}
