//go:build !linux && !darwin && !windows

package watcher

import "errors"

// inhibit knows no way on this system.
func inhibit() (words string, release func(), err error) {
	return "", nil, errors.New("provoke knows no way on this system")
}
