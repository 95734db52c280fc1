//go:build !unix

package selftest

// stopSignal stops a process, contSignal lets it go on; nil where a system cannot.
var stopSignal, contSignal func(pid int) error
