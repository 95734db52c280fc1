package watcher

import "time"

// Slept returns how long the machine has slept since it was started, as far as its system tells.
func Slept() time.Duration { return sleepClock() }

// sleepClock is replaced in tests.
var sleepClock = asleep
