package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// ErrGone is wrapped when the job's file was removed or replaced while it was open.
var ErrGone = errors.New("was removed or replaced while the job was open")

// Rescue writes what the job holds into a new file beside the place of its own, where that was removed or
// replaced under a program that writes it, and returns its name: an open file lives on until it is
// closed. It is for after RF is off, since it may take a while. The name is empty where nothing is lost.
func (j *Job) Rescue() (string, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed || !errors.Is(j.dead, ErrGone) {
		return "", nil
	}
	stem := strings.TrimSuffix(j.path, filepath.Ext(j.path))
	to := stem + "-rescued.provoke"
	for n := 2; n < 100; n++ {
		if _, err := os.Lstat(to); errors.Is(err, os.ErrNotExist) {
			break
		}
		to = fmt.Sprintf("%s-rescued-%d.provoke", stem, n)
	}
	if err := copyInto(j.write, to); err != nil {
		return "", fmt.Errorf("rescue what %s held: %w", shown(j.path), err)
	}
	return to, nil
}
