package slept

import (
	"time"
	"unsafe"

	"golang.org/x/sys/windows"
)

// Clock returns how long the machine has slept since it was started: what the clock that counts sleep
// is ahead of the one that does not.
func Clock() time.Duration {
	var unbiased uint64 // in 100 ns, without sleep
	// Turned into a number in the call itself, or a stack that moves meanwhile leaves it unset (package unsafe, 4).
	if r, _, _ := queryUnbiased.Call(uintptr(unsafe.Pointer(&unbiased))); r == 0 {
		return 0
	}
	return windows.DurationSinceBoot() - time.Duration(unbiased)*100
}

var queryUnbiased = windows.NewLazySystemDLL("kernel32.dll").NewProc("QueryUnbiasedInterruptTime")
