package watcher

import (
	"time"

	"golang.org/x/sys/unix"
)

// asleep returns how long the machine has slept since it was started: what the clock that counts sleep
// is ahead of the one that does not.
func asleep() time.Duration {
	const monotonic, uptime = 6, 8 // CLOCK_MONOTONIC counts sleep here, CLOCK_UPTIME_RAW does not (clock_gettime(3))
	var with, without unix.Timespec
	if unix.ClockGettime(monotonic, &with) != nil || unix.ClockGettime(uptime, &without) != nil {
		return 0
	}
	return time.Duration(with.Nano() - without.Nano())
}
