package watcher

import (
	"time"

	"provoke/internal/run/watcher/slept"
)

// Slept returns how long the machine has slept since it was started, as far as its system tells.
func Slept() time.Duration { return sleepClock() }

// sleepClock is replaced in tests.
var sleepClock = slept.Clock
