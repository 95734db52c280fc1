// Package slept tells how long a machine has slept, which its monotonic clock leaves out on some systems.
package slept
