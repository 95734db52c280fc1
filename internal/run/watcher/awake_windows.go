package watcher

import (
	"errors"
	"runtime"

	"golang.org/x/sys/windows"
)

var setExecutionState = windows.NewLazySystemDLL("kernel32.dll").NewProc("SetThreadExecutionState")

// inhibit tells the system that a thread of this process needs it. That lasts as long as the thread, so
// it is one that does nothing else.
func inhibit() (words string, release func(), err error) {
	const continuous, systemRequired = 0x80000000, 0x00000001 // ES_CONTINUOUS, ES_SYSTEM_REQUIRED
	granted, stop, done := make(chan bool, 1), make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		runtime.LockOSThread() // and never unlocked: the thread ends with this function
		was, _, _ := setExecutionState.Call(continuous | systemRequired)
		granted <- was != 0
		<-stop
		setExecutionState.Call(continuous)
	}()
	end := func() { close(stop); <-done }
	if !<-granted {
		end()
		return "", nil, errors.New("the system did not grant it")
	}
	return "; closing the lid and the power button may still suspend", end, nil
}
