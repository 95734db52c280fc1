package web

import (
	"context"
	"errors"
	"time"

	"provoke/internal/bench/camera"
	"provoke/internal/bench/dut"
	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/model/chain"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// Errors of a Runner that a page words.
var (
	ErrUnderway = errors.New("a run is being done already; stop it, or wait for its end")
	ErrIdle     = errors.New("no run is being done by this program now")
)

// Runner is the way from a page to the bench. Its methods may be called from several goroutines.
type Runner interface {
	// Prepare reads a plan file with its bench, checks everything and touches no instrument. The
	// error holds a problem.List where a file has problems; what was found out comes with it.
	Prepare(r Request) (Prepared, error)
	// Calibration returns the calibration run of the job that a substitution plan replays.
	Calibration(p *plan.Plan) (*plan.Calibrated, error)
	// Start begins a run of what was prepared and returns its number once it is in the journal. It
	// wraps ErrUnderway when one is being done: there is never a second one.
	Start(p Prepared, w Wishes) (run int, err error)
	// Tell passes on what the person at the bench wants; ErrIdle when no run is being done here.
	Tell(c engine.Command) error
	// Answer answers the prompt of Status.Prompt with a number: a piece that is set or read by hand.
	Answer(number int, text string) error
	// Off switches RF off whatever is going on. A run that is being done here is aborted, and the
	// journal tells what was read back. Otherwise the instruments of the folder's benches are
	// silenced, and the words say what was read back; the error then says what is not known to be
	// off.
	Off(ctx context.Context, why string) (words []string, err error)
	// State says what is going on.
	State() State
	// Looks returns the looks at the DUT after a number, oldest first, and the number of the last. It
	// keeps a bounded number of them.
	Looks(after uint64) ([]engine.Look, uint64)
	// Handed is where pages hand over the pictures of the browser's camera.
	Handed() *camera.Handed
	// Cameras names the camera monitors of the run that is being done here, and Newest is the picture of now of one.
	Cameras() []string
	Newest(monitor string) (shot dut.Shot, ok bool)
	// See switches a camera on to set it up, where it is not on yet, and returns its picture of now, or why there is
	// none. It goes off when nobody has asked for a while, or a run begins. as names the camera as it is set.
	See(as string, m catalog.Monitor) (dut.Shot, error)
	// WithJob calls do with the job open for writing; it is made when it does not exist. Nobody keeps
	// the job beyond the call.
	WithJob(do func(*store.Job) error) error
	// Left is what a second process did that watched a run of this job and outlived it, until the next start has
	// journalled it; nil for nothing.
	Left() *Left
	// Open turns to another job file, which may not exist yet; ErrUnderway while a run is being done here. What
	// was prepared for the job before is not begun any more.
	Open(job string) error
	// Find looks for instruments and asks who they are, and nothing else; ErrUnderway while a run is being done.
	// The list is good whatever the error says.
	Find(ctx context.Context) ([]Found, error)
	// Written reports that some program writes the job now.
	Written() bool
}

// Found is an instrument that was found.
type Found struct{ Address, Identity, Note string }

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

// Prepared is a run that was checked and not begun.
type Prepared struct {
	Request
	Plan     *plan.Plan
	Sweep    *plan.FreeSweep // of a source that sweeps by itself; nil for a plan
	Bench    *catalog.Bench
	Chain    *chain.Chain
	Checked  plan.Checked
	Warnings problem.List
	// Fixing is what a fixing loop follows; nil for other runs.
	Fixing *event.Fixing
	// Own belongs to the Runner.
	Own any
}

// Wishes is what the person says about a run when it begins.
type Wishes struct {
	Label, Changed, Operator, Room, Temperature, Humidity string
	// Alone accepts that nothing but this program can switch RF off while it lives.
	Alone bool
}

// State is what a Runner is doing.
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

// Left is what the watcher of a run did when the program that did the run was gone or hung.
type Left struct {
	Run   int
	At    time.Time
	Begun bool // it has begun to silence the bench; Done: and has said how that ended
	Done  bool
	event.Safed
}

// Hand is something that a person does at this bench and that the program can do for him, such as
// fitting the fix on a simulated product.
type Hand struct {
	Name string // in the imperative: "put the fix in"
	Do   func() (said string, err error)
}
