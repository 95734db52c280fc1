package slept

import (
	"time"

	"golang.org/x/sys/unix"
)

// Clock returns how long the machine has slept since it was started: what the clock that counts sleep
// is ahead of the one that does not.
func Clock() time.Duration {
	var with, without unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &with) != nil || unix.ClockGettime(unix.CLOCK_MONOTONIC,
		&without) != nil {
		return 0
	}
	return time.Duration(with.Nano() - without.Nano())
}
