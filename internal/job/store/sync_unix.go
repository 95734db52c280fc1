//go:build unix

package store

import "os"

// syncFolder puts a new file's name on the disk.
func syncFolder(path string) {
	if d, err := os.Open(path); err == nil {
		d.Sync()
		d.Close()
	}
}
