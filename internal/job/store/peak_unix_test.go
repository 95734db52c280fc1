//go:build unix

package store

import (
	"os"
	"runtime"
	"runtime/debug"
	"syscall"
)

// peakOf returns the most memory that a process had, in bytes (wait4's ru_maxrss: kB, but bytes on macOS).
func peakOf(p *os.ProcessState) int64 {
	u, ok := p.SysUsage().(*syscall.Rusage)
	switch {
	case !ok:
		return 0
	case runtime.GOOS == "darwin":
		return int64(u.Maxrss)
	}
	return int64(u.Maxrss) << 10
}

// forgetPeak makes what a child inherits small: its figure begins with the parent's highest (exec of a
// process made by vfork keeps it, Linux).
func forgetPeak() {
	debug.FreeOSMemory()
	os.WriteFile("/proc/self/clear_refs", []byte("5"), 0)
}
