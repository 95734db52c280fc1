package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// beside are the ends of the names that belong to a job file and go where it goes: its write-ahead log, and what a
// watcher left to be journalled.
var beside = []string{"-wal", "-watcher"}

// Move gives a job another name, with all that lies beside it. What an abrupt end left in the write-ahead log is first
// brought into the file; a file that cannot be opened, as one that is damaged, is moved as it lies. It wraps ErrHeld
// where somebody writes the job, and nothing is moved then, nor onto a name that is taken.
func Move(from, to string) error {
	if err := move(from, to); err != nil {
		return fmt.Errorf("move job %s to %s: %w", shown(from), shown(to), err)
	}
	return nil
}

func move(from, to string) (err error) {
	if Taken(to) {
		return errors.New("the name is taken; choose another one")
	}
	if Written(from) {
		return ErrHeld
	}
	if j, err := Open(from); err == nil {
		if err := j.Close(); err != nil {
			return err
		}
	} else if errors.Is(err, ErrHeld) {
		return err
	}
	lock, err := takeLockPatiently(from)
	if err != nil {
		return plainPath(err)
	}
	defer lock.Remove()
	var moved []string
	for _, end := range append([]string{""}, beside...) {
		err := os.Rename(from+end, to+end)
		if end != "" && errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			for _, end := range moved { // all of it or nothing: a log without its job is lost
				os.Rename(to+end, from+end)
			}
			var link *os.LinkError
			if errors.As(err, &link) {
				err = link.Err
			}
			return err
		}
		moved = append(moved, end)
	}
	os.Remove(from + "-shm") // an index into the log, made anew when the job is opened
	syncFolder(filepath.Dir(from))
	return nil
}

// Taken reports that a job of this name is there, or something that would be taken for a part of it.
func Taken(path string) bool {
	for _, end := range append([]string{""}, beside...) {
		if _, err := os.Lstat(path + end); !errors.Is(err, os.ErrNotExist) {
			return true
		}
	}
	return false
}
