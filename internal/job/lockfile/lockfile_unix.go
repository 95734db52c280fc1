//go:build unix

package lockfile

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"syscall"
)

// File is a lock that is held. The kernel drops it when the last process that has it ends, however that
// ends; the file that stays behind then holds nobody.
type File struct{ f *os.File }

// Take takes the lock at path and writes who into it; *HeldError when another has it.
func Take(path, who string) (*File, error) {
	for range 100 { // the file may be removed by its last holder between opening and locking
		f, err := open(path)
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
				return nil, &HeldError{string(holder[:n]) + since}
			}
			return nil, fmt.Errorf("lock %s: %w", path, err)
		}
		mine, err1 := f.Stat()
		there, err2 := os.Stat(path)
		if err1 == nil && err2 == nil && os.SameFile(mine, there) {
			f.Truncate(0)
			f.WriteAt([]byte(who), 0)
			return &File{f}, nil
		}
		f.Close()
	}
	return nil, fmt.Errorf("lock %s: it keeps changing under this program", path)
}

// open opens the file, or makes it. One that is there is not opened to be made: in a folder that many share,
// some systems forbid that for the file of another user.
func open(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if errors.Is(err, os.ErrNotExist) {
		return os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o666)
	}
	return f, err
}

// Remove removes the file while the lock is still held, then lets go.
func (l *File) Remove() {
	os.Remove(l.f.Name())
	l.f.Close()
}

// Leave lets go; a process that inherited the lock has it still.
func (l *File) Leave() { l.f.Close() }

// Inherit lets a process that is about to be started hold the lock, too, until it ends. What is returned is called
// once it has been started.
func (l *File) Inherit(c *exec.Cmd) (started func() error) {
	c.ExtraFiles = append(c.ExtraFiles, l.f)
	return func() error { return nil }
}

// Held reports that a process holds the lock at path now.
func Held(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	return errors.Is(syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB), syscall.EWOULDBLOCK)
}
