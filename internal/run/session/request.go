package session

import (
	"errors"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/job/fixing"
	"provoke/internal/model/chain"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// Errors of a desk that a page words.
var (
	ErrUnderway = errors.New("a run is being done already; stop it, or wait for its end")
	ErrIdle     = errors.New("no run is being done by this program now")
)

// Request says what run is asked for.
type Request struct {
	PlanFile string // or sweep file, with its folder
	// Again is a run of the job whose every frequency is exposed again; 0 for none.
	Again int
	// Resume goes on with the newest run of the job instead of beginning one.
	Resume bool
	// Fix makes it a fixing loop; nil for a run of the plan.
	Fix *fixing.Asked
}

// Wishes is what the person says about a run when it begins.
type Wishes struct {
	Label, Changed, Operator, Room, Temperature, Humidity string
	// Alone accepts that nothing but this program can switch RF off while it lives.
	Alone bool
}

// State is what a desk is doing.
type State struct {
	// Underway: a run is being done by this program.
	Underway bool
	Run      int // the run being done, or the last one done here; 0 before the first
	Status   engine.Status
	At       time.Time // when Status was told
	// Began is when the run began here.
	Began time.Time
	// Chain is the bench of the run that is being done, and Fixture what its clamp is closed around; nil between runs.
	Chain   *chain.Chain
	Fixture catalog.Fixture
	// Low and High are the ends of the frequencies that the run is to expose.
	Low, High rf.Frequency
	// Looks are the newest look of every monitor.
	Looks []engine.Look
	// Failed is why the last run that was begun here did not do its work; empty otherwise.
	Failed string
}
