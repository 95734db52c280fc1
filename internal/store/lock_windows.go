package store

import (
	"errors"
	"fmt"
	"syscall"
)

// lockFile is held by the one process that writes a job. It is opened without sharing and deleted
// by the system when its handle closes, so it ends with the process, however that ends.
type lockFile struct{ h syscall.Handle }

const (
	deleteOnClose    = 0x04000000           // FILE_FLAG_DELETE_ON_CLOSE
	sharingViolation = syscall.Errno(32)    // ERROR_SHARING_VIOLATION
	deletePending    = syscall.Errno(0x12f) // ERROR_DELETE_PENDING
	deleteAccess     = 0x00010000           // DELETE
)

// takeLock takes the lock at path. ErrHeld is wrapped when another process has it.
func takeLock(path, who string) (*lockFile, error) {
	h, err := openAlone(path, syscall.OPEN_ALWAYS)
	if errors.Is(err, sharingViolation) || errors.Is(err, deletePending) {
		return nil, heldBy("")
	}
	if err != nil {
		return nil, fmt.Errorf("lock %s: %w", path, err)
	}
	var n uint32
	syscall.WriteFile(h, []byte(who), &n, nil)
	return &lockFile{h}, nil
}

func openAlone(path string, disposition uint32) (syscall.Handle, error) {
	p, err := syscall.UTF16PtrFromString(path)
	if err != nil {
		return syscall.InvalidHandle, err
	}
	return syscall.CreateFile(p, syscall.GENERIC_READ|syscall.GENERIC_WRITE|deleteAccess, 0, nil, disposition, syscall.FILE_ATTRIBUTE_NORMAL|deleteOnClose, 0)
}

func (l *lockFile) release() { syscall.CloseHandle(l.h) }

// isHeld reports that a process holds the lock at path now.
func isHeld(path string) bool {
	p, err := syscall.UTF16PtrFromString(path)
	if err != nil {
		return false
	}
	h, err := syscall.CreateFile(p, syscall.GENERIC_READ, syscall.FILE_SHARE_READ|syscall.FILE_SHARE_WRITE|syscall.FILE_SHARE_DELETE, nil, syscall.OPEN_EXISTING, syscall.FILE_ATTRIBUTE_NORMAL, 0)
	if err == nil {
		syscall.CloseHandle(h)
	}
	return errors.Is(err, sharingViolation)
}

// syncFolder has nothing to do: Windows keeps names with their file.
func syncFolder(string) {}
