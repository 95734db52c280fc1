// Package watcher silences a bench from outside the run. It is a second process of the same program:
// started and verified before RF may go on, with connections of its own, fed with signs of life
// through a pipe. When the run's process ends without a word, hangs, is stopped or sleeps with the
// machine, the watcher silences the bench with package guard's one function, reads back, and
// writes what it did beside the job; the next start journals that.
//
// It decides nothing about a run and clears nothing: it can only lower. Start is the run's end of the
// pipe, Serve the watcher's.
//
// The signs of life come from the process and rest on the engine's own: while RF may be on, an engine
// that has not fed its dead-man for longer than it said ends them, though its process is well. A
// goroutine that goes on beating while the engine hangs in a call would prove nothing.
//
// The lines of the pipe: first the Hello as JSON; then ".", a sign of life; "f HZ", where RF is;
// "run N", the run's number; "hung MS", the process lives and its engine has given no sign of life for
// so many milliseconds: act now; "alone ID", the run holds the only connection of this instrument; "done",
// the run has ended and silenced the bench by itself. Back come State lines as JSON: one for every line,
// which is the watcher's own sign of life, since a run whose watcher hangs must not go on. Neither side waits
// for a write: what cannot be written is dropped, and the silence that follows is what the other one sees.
//
// An instrument that takes one connection is the run's while that lives, and the watcher opens nothing there.
// When the run is dead, every pass of silencing dials what is not reached. A run that is stopped, or silent
// beyond its time, is killed first where it holds such a connection.
package watcher

import (
	"slices"
	"strings"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/units/rf"
)

// Times of the pipe.
const (
	// Beat is the time between two signs of life.
	Beat = 100 * time.Millisecond
	// Limit is how long the watcher waits for one before it silences the bench.
	Limit = 1200 * time.Millisecond
	// Standstill is how long the run's process may miss its own beat; after that it raises nothing
	// any more, because the watcher may be about to act.
	Standstill = 900 * time.Millisecond
	// Unanswered is how long the watcher may leave the run's signs of life without an answer.
	Unanswered = 1200 * time.Millisecond
	// Hung is within which RF is off after the dead-man's time when the engine hangs: the guard's
	// Takeover, a beat, and the silencing.
	Hung = time.Second
	// Asleep is how long the machine may sleep before RF is taken for unattended.
	Asleep = time.Second

	deadAfter    = 3 * time.Second // a watcher whose report is older than this is gone
	verifyWithin = 10 * time.Second
	keepsTrying  = 10 * time.Minute // to silence a bench that does not confirm it
)

// Hello is the first line: what is to be watched.
type Hello struct {
	Bench string            // name of the bench file
	Bytes []byte            // of the bench file
	Files map[string][]byte // that it names
	Job   string            // job file, beside which the report is written; empty for none
	Limit rf.Duration
	// Identified is each instrument's answer to *IDN?, by its id on the bench.
	Identified map[string]string
	Run        claim.Process // the one that is watched
	// Keys are the claim of the bench, which the watcher inherits, and Holder is who claimed it.
	Keys   []string
	Holder claim.Holder
}

// State is what the watcher says of itself.
type State struct {
	// Ready: the bench was reached; Paths are the instruments on connections of the watcher's own,
	// Missing what could not be reached on one and why.
	Ready   bool     `json:",omitempty"`
	Paths   []string `json:",omitempty"`
	Missing []string `json:",omitempty"`
	// Alone are the instruments whose only connection the run holds; they are dialled once it is dead.
	Alone []string `json:",omitempty"`
	// Alive answers a line of the run.
	Alive bool `json:",omitempty"`
	// Source and Amplifier say whether RF can be ended through that.
	Source, Amplifier bool `json:",omitempty"`
	// Acted: the watcher has begun to silence the bench, for this cause.
	Acted string `json:",omitempty"`
	// Leaving: the watcher was told to end, and does so once the run is over.
	Leaving bool `json:",omitempty"`
	// Error is why it cannot watch.
	Error string `json:",omitempty"`
}

// Independent reports that the watcher can end RF while the run's process still holds its own
// connections.
func (s State) Independent() bool { return s.Source || s.Amplifier }

// remove takes an instrument from those that are reached: the run holds its only connection.
func (s *State) remove(id string) {
	s.Alone = append(s.Alone, id)
	s.Paths = slices.DeleteFunc(s.Paths, func(p string) bool {
		role, of, _ := strings.Cut(p, " ")
		if of != id {
			return false
		}
		s.Source, s.Amplifier = s.Source && role != "source", s.Amplifier && role != "amplifier"
		return true
	})
}
