package event

import (
	"time"

	"provoke/internal/units/rf"
)

// ClockSet says that the wall clock of this machine was set while the run went on, by a person or by the
// network: the times of the records before and after it are not of one clock. Durations and the order of
// records do not rest on it.
type ClockSet struct {
	Forward rf.Duration `json:"forward,omitempty"`
	Back    rf.Duration `json:"back,omitempty"`
}

// ClockSetBy returns the event of a step; a negative one goes back.
func ClockSetBy(step time.Duration) ClockSet {
	if step < 0 {
		return ClockSet{Back: rf.Duration(-step)}
	}
	return ClockSet{Forward: rf.Duration(step)}
}

// Kind returns "clock-set".
func (ClockSet) Kind() string { return "clock-set" }

// Words tells it in a sentence.
func (c ClockSet) Words() string {
	if c.Back > 0 {
		return "the clock of this machine was set by −" + c.Back.String()
	}
	return "the clock of this machine was set by +" + c.Forward.String()
}
