//go:build linux || aix || solaris

package terminal

import "golang.org/x/sys/unix"

const (
	getTermios = unix.TCGETS
	setTermios = unix.TCSETS
	disabled   = 0 // stands for no character
)
