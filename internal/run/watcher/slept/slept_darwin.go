package slept

import (
	"time"

	"golang.org/x/sys/unix"
)

// Clock returns how long the machine has slept since it was started: what the clock that counts sleep is ahead of
// the one that does not. Both are the raw ones: CLOCK_MONOTONIC is set with the clock of the day here, and would
// show a correction as sleep (clock_gettime(3)).
func Clock() time.Duration {
	const monotonicRaw, uptimeRaw = 4, 8 // CLOCK_MONOTONIC_RAW, CLOCK_UPTIME_RAW
	var with, without unix.Timespec
	if unix.ClockGettime(monotonicRaw, &with) != nil || unix.ClockGettime(uptimeRaw, &without) != nil {
		return 0
	}
	return time.Duration(with.Nano() - without.Nano())
}
