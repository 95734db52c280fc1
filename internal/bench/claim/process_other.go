//go:build !linux && !darwin && !windows

package claim

import "errors"

// startOf cannot tell on this system.
func startOf(int) (string, error) { return "", errors.New("this system does not tell") }
