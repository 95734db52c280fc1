// Package lockfile is a lock between processes that ends with them: a file that one process has for itself,
// and the processes that it handed it to.
package lockfile

// HeldError says that another process has the lock.
type HeldError struct {
	By string // what that process says of itself, and since when; empty where that cannot be read
}

// Error says so.
func (e *HeldError) Error() string {
	if e.By == "" {
		return "another process holds it"
	}
	return "held by " + e.By
}
