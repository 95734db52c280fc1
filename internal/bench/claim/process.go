package claim

import (
	"fmt"
	"os"
)

// Process is one process and no later one under the same number.
type Process struct {
	ID int
	// Started is when it was started, as its system tells it; empty where that cannot be found out.
	Started string `json:",omitempty"`
}

// ThisProcess returns the process that asks.
func ThisProcess() Process { return ProcessOf(os.Getpid()) }

// ProcessOf returns the process that has a number now.
func ProcessOf(id int) Process {
	p := Process{ID: id}
	p.Started, _ = startOf(id)
	return p
}

// Lives reports that the process is there still. One whose start is not known is taken to live.
func (p Process) Lives() bool {
	started, err := startOf(p.ID)
	return p.Started == "" || err == nil && started == p.Started
}

// Kill ends the process at once, if it is the one that is meant. The error says why it was not killed.
func (p Process) Kill() error {
	if p.Started == "" {
		return fmt.Errorf("process %d is not killed: when it was started cannot be checked on this system", p.ID)
	}
	x, err := os.FindProcess(p.ID) // holds on to the process, so that its number is not given anew meanwhile
	if err != nil {
		return fmt.Errorf("process %d is not killed: %w", p.ID, err)
	}
	defer x.Release()
	started, err := startOf(p.ID)
	switch {
	case err != nil:
		return fmt.Errorf("process %d is not killed: it cannot be looked at: %w", p.ID, err)
	case started != p.Started:
		return fmt.Errorf("process %d is not killed: it is another one, started at %s and not at %s", p.ID, started,
			p.Started)
	}
	return x.Kill()
}
