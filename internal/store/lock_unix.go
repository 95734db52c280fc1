//go:build unix

package store

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

// lockFile is held by the one process that writes a job. The kernel drops the lock when the
// process ends, however it ends; the file that stays behind then holds nobody.
type lockFile struct{ f *os.File }

// takeLock takes the lock at path, or says who has it. errLocked is wrapped when it is held.
func takeLock(path, who string) (*lockFile, error) {
	for range 100 { // the file may be removed by its last holder between opening and locking
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o666)
		if err != nil {
			return nil, err
		}
		if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
			holder := make([]byte, 200)
			n, _ := f.Read(holder)
			since := ""
			if info, err := f.Stat(); err == nil && n > 0 { // it was written when the lock was taken
				since = info.ModTime().Format(" since 2006-01-02 15:04:05")
			}
			f.Close()
			if errors.Is(err, syscall.EWOULDBLOCK) {
				return nil, heldBy(string(holder[:n]) + since)
			}
			return nil, fmt.Errorf("lock %s: %w", path, err)
		}
		mine, err1 := f.Stat()
		there, err2 := os.Stat(path)
		if err1 == nil && err2 == nil && os.SameFile(mine, there) {
			f.Truncate(0)
			f.WriteAt([]byte(who), 0)
			return &lockFile{f}, nil
		}
		f.Close()
	}
	return nil, fmt.Errorf("lock %s: it keeps changing under this program", path)
}

// release removes the file while the lock is still held, then lets go.
func (l *lockFile) release() {
	os.Remove(l.f.Name())
	l.f.Close()
}

// isHeld reports that a process holds the lock at path now.
func isHeld(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	return errors.Is(syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB), syscall.EWOULDBLOCK)
}

// syncFolder puts a new file's name on the disk.
func syncFolder(path string) {
	if d, err := os.Open(path); err == nil {
		d.Sync()
		d.Close()
	}
}
