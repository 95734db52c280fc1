package lockfile

import (
	"errors"
	"fmt"
	"os/exec"
	"syscall"

	"golang.org/x/sys/windows"
)

// File is a lock that is held. It is opened without sharing and deleted by the system when its last handle
// closes, so it ends with the processes that have it, however they end.
type File struct{ h syscall.Handle }

const (
	deleteOnClose    = 0x04000000           // FILE_FLAG_DELETE_ON_CLOSE
	sharingViolation = syscall.Errno(32)    // ERROR_SHARING_VIOLATION
	deletePending    = syscall.Errno(0x12f) // ERROR_DELETE_PENDING
	deleteAccess     = 0x00010000           // DELETE
)

// Take takes the lock at path; *HeldError, which cannot say who, when another has it.
func Take(path, who string) (*File, error) {
	h, err := openAlone(path, syscall.OPEN_ALWAYS)
	if errors.Is(err, sharingViolation) || errors.Is(err, deletePending) {
		return nil, &HeldError{}
	}
	if err != nil {
		return nil, fmt.Errorf("lock %s: %w", path, err)
	}
	var n uint32
	syscall.WriteFile(h, []byte(who), &n, nil)
	return &File{h}, nil
}

func openAlone(path string, disposition uint32) (syscall.Handle, error) {
	p, err := syscall.UTF16PtrFromString(path)
	if err != nil {
		return syscall.InvalidHandle, err
	}
	return syscall.CreateFile(p, syscall.GENERIC_READ|syscall.GENERIC_WRITE|deleteAccess, 0, nil, disposition,
		syscall.FILE_ATTRIBUTE_NORMAL|deleteOnClose, 0)
}

// Remove lets go; the system removes the file.
func (l *File) Remove() { syscall.CloseHandle(l.h) }

// Leave lets go; a process that inherited the lock has it still.
func (l *File) Leave() { syscall.CloseHandle(l.h) }

// Inherit lets a process that is about to be started hold the lock, too, until it ends. What is returned is called
// once it has been started: the handle is put into it then. One that is handed over at the start would stay
// with a child that never came to run, because its parent was killed while it made it.
func (l *File) Inherit(c *exec.Cmd) (started func() error) {
	return func() error {
		p, err := windows.OpenProcess(windows.PROCESS_DUP_HANDLE, false, uint32(c.Process.Pid))
		if err != nil {
			return fmt.Errorf("hand over a lock: %w", err)
		}
		defer windows.CloseHandle(p)
		var theirs windows.Handle
		if err := windows.DuplicateHandle(windows.CurrentProcess(), windows.Handle(l.h), p, &theirs, 0, false,
			windows.DUPLICATE_SAME_ACCESS); err != nil {
			return fmt.Errorf("hand over a lock: %w", err)
		}
		return nil
	}
}

// Held reports that a process holds the lock at path now.
func Held(path string) bool {
	p, err := syscall.UTF16PtrFromString(path)
	if err != nil {
		return false
	}
	h, err := syscall.CreateFile(p, syscall.GENERIC_READ,
		syscall.FILE_SHARE_READ|syscall.FILE_SHARE_WRITE|syscall.FILE_SHARE_DELETE, nil, syscall.OPEN_EXISTING,
		syscall.FILE_ATTRIBUTE_NORMAL, 0)
	if err == nil {
		syscall.CloseHandle(h)
	}
	return errors.Is(err, sharingViolation)
}
