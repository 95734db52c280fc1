// Package event is the closed set of things that can be journalled, with their JSON form and the
// hash that chains them. The journal is the truth: live page, tables and report are folds of these
// events (package result). A format change gets a new version and the old one stays readable.
//
// It keeps no file (package store does) and decides nothing. docs/journal.md gives the form of
// every event so that another program can read it.
package event

import (
	"math"
	"strings"
	"time"

	"provoke/internal/job/plan"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// Version of the event format.
const Version = 1

// Event is one of the types of this package.
type Event interface{ Kind() string }

// Record is an event at its place in a run's journal.
type Record struct {
	Run   int
	Seq   int64     // from 1, without gaps
	At    time.Time // wall clock
	Event Event
	Chain string // hash over the previous record's chain hash and this record
}

// Opened is the first event of every run.
type Opened struct {
	Version     int              `json:"version"`
	Program     string           `json:"program"` // version of provoke
	RunKind     plan.RunKind     `json:"runKind"`
	Mode        plan.Mode        `json:"mode"`
	Fixture     string           `json:"fixture"`
	Label       string           `json:"label"`
	Changed     string           `json:"changed,omitempty"` // what was changed on the DUT since the run before
	Operator    string           `json:"operator,omitempty"`
	Room        string           `json:"room,omitempty"`
	Temperature string           `json:"temperature,omitempty"`
	Humidity    string           `json:"humidity,omitempty"` // relative
	Bench       Attachment       `json:"bench"`
	Plan        Attachment       `json:"plan"`
	Files       []Attachment     `json:"files,omitempty"` // that bench and plan name, under the names as written there
	Curves      []Curve          `json:"curves,omitempty"`
	Equipment   []Equipment      `json:"equipment,omitempty"`
	Profile     Profile          `json:"profile"`
	Modulation  level.Modulation `json:"modulation"`
	Dwell       rf.Duration      `json:"dwell"`
	Resolution  rf.Gain          `json:"resolution"`
	Range       rf.Gain          `json:"range"`
	Edges       rf.Fraction      `json:"edges,omitempty"`
	Search      *Search          `json:"search,omitempty"` // for random thresholds, as stated before the run
	Setup       []Field          `json:"setup,omitempty"`  // distances, heights, decoupling
	Monitors    []Monitor        `json:"monitors,omitempty"`
	Points      int              `json:"points"` // of the grid
	Resumes     bool             `json:"resumes,omitempty"`
	// closed run whose steps this one takes over as its first records
	Continues   int `json:"continues,omitempty"`
	Calibration int `json:"calibration,omitempty"` // run replayed by substitution
	// Again is the run of the job whose every frequency this run exposes too.
	Again int `json:"again,omitempty"`
	// Stretches are the parts of the grid that were stepped through; nil in journals that do not say.
	Stretches []plan.Stretch `json:"stretches,omitzero"`
	// DecisionRule is by which rule what was stood is accepted; empty for simple acceptance.
	DecisionRule plan.DecisionRule `json:"decisionRule,omitempty"`
	// OverTest is who accepted that levels above the one wanted are exposed; empty where none are.
	OverTest string `json:"overTest,omitempty"`
	// Levelling is what a level scatters by that is set anew; zero in journals that do not say.
	Levelling Levelling `json:"levelling,omitzero"`
	// TimeLimit is the time that the plan gave each part of the run; 0 for no limit.
	TimeLimit rf.Duration `json:"timeLimit,omitempty"`
	// Fixing is what a run of the fixing loop follows; nil in others.
	Fixing *Fixing `json:"fixing,omitempty"`
}

// Levelling is the smallest step of the source, and the standard deviation of readings of a steady carrier.
type Levelling struct {
	Step   rf.Gain `json:"step"`
	Spread rf.Gain `json:"spread"`
}

// Search is a search for a random threshold as it was fixed before the run. Method is what a frequency
// that upsets gets; where IfRandom is set only one whose onset does not upset again.
type Search struct {
	Method      plan.Method `json:"method"`
	IfRandom    bool        `json:"ifRandom,omitempty"`
	Trials      int         `json:"trials"`
	Probability rf.Fraction `json:"probability"`
	Step        rf.Gain     `json:"step"`
	Stated      string      `json:"stated"` // rule, length and end in words
}

// SearchOf returns the search of a plan; nil where it looks for no random threshold.
func SearchOf(p *plan.Plan) *Search {
	s := p.Search
	if s.Stated() == "" || !s.Onset || p.Kind == plan.Baseline || p.Kind == plan.Calibration {
		return nil
	}
	out := &Search{Method: s.Method, Trials: s.Trials, Probability: s.Probability, Step: s.Step, Stated: s.Stated()}
	if s.Method == plan.Bracket {
		out.Method, out.IfRandom = s.IfRandom, true
	}
	return out
}

// Attachment names a file kept in the job by its hash.
type Attachment struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
}

// Curve records which figures were used.
type Curve struct {
	Item   string `json:"item"`
	What   string `json:"what"`
	Source string `json:"source,omitempty"`
	SHA256 string `json:"sha256,omitempty"`
}

// Equipment is a line of the equipment list.
type Equipment struct {
	ID          string `json:"id"`
	Description string `json:"description,omitempty"`
	Serial      string `json:"serial,omitempty"`
	Certificate string `json:"certificate,omitempty"`
	Identified  string `json:"identified,omitempty"` // what the instrument answered to *IDN?
	Calibrated  string `json:"calibrated,omitempty"`
	Due         string `json:"due,omitempty"`
}

// Profile records the level profile with its mark.
type Profile struct {
	_          struct{} `tell:"id=ID title=Title verified=Verified mark=Mark,null"`
	ID         string   `json:"id"`
	Title      string   `json:"title,omitempty"`
	Source     string   `json:"source,omitempty"`
	Confidence string   `json:"confidence,omitempty"`
	Means      string   `json:"means,omitempty"`
	Verified   bool     `json:"verified"`
	Checked    string   `json:"checked,omitempty"` // who checked it against the standard's text, in words
}

// Mark returns what is said of a profile that is not verified, as level.Profile has it; "" for one that is, and for
// none.
func (p Profile) Mark() string {
	switch {
	case p.ID == "" || p.Verified:
		return ""
	case p.Checked != "":
		return p.Checked
	}
	return level.Unverified
}

// Names of fields of a set-up by which an archive finds runs.
const (
	SetupProduct   = "product"
	SetupVersion   = "version of the product"
	SetupPort      = "port"
	SetupCable     = "cable"
	SetupCableKind = "kind of cable"
)

// Field is a named fact in words.
type Field struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// Monitor records how the DUT was watched. Its JSON has a "baseline" only where HasBaseline is
// set, and no "hasBaseline"; numbers are in Unit.
type Monitor struct {
	ID          string
	Kind        string
	Unit        string
	Tolerance   float64
	Latency     rf.Duration
	Baseline    float64
	HasBaseline bool
}

// Armed says that the worst case at every rating was shown and accepted.
type Armed struct {
	By      string      `json:"by"`
	Worst   []Worst     `json:"worst"`
	DeadMan rf.Duration `json:"deadMan"`
	// Watcher says how a second process can end RF when the run's own cannot.
	Watcher string `json:"watcher,omitempty"`
	// Limits are what instruments hold by themselves, in words.
	Limits []string `json:"limits,omitempty"`
	// Suspend says whether the machine is kept from going to sleep while RF may be on.
	Suspend string `json:"suspend,omitempty"`
	// Dwell says how a dwell proves its level, and what excess is allowed before a trip, in words.
	Dwell []string `json:"dwell,omitempty"`
	// ReadEvery is how often meters, source and amplifier are read in a dwell, as measured at arming; 0 where
	// nothing is.
	ReadEvery rf.Duration `json:"readEvery,omitempty"`
	// Unproved is what nothing on this bench can observe of the level in a dwell, in words.
	Unproved []string `json:"unproved,omitempty"`
	// Interlock says how often the interlock is asked and how soon RF goes off, in words.
	Interlock string `json:"interlock,omitempty"`
}

// Worst is the worst case of the whole run at one rating.
type Worst struct {
	ID        string       `json:"id"`
	Place     string       `json:"place"`
	Frequency rf.Frequency `json:"frequency"`
	Peak      string       `json:"peak"`
	Rating    string       `json:"rating"`
	Headroom  string       `json:"headroom"`
}

// Watching says that the DUT was watched without RF and what its readings are compared with.
type Watching struct {
	Monitors []Monitor `json:"monitors"`
}

// FirstLight is the comparison of measured and predicted current before going up.
type FirstLight struct {
	Frequency rf.Frequency `json:"frequency"`
	Drive     rf.Power     `json:"drive,omitzero"`
	Predicted rf.Current   `json:"predicted,omitzero"`
	Low       rf.Current   `json:"low,omitzero"`
	High      rf.Current   `json:"high,omitzero"`
	Measured  rf.Current   `json:"measured,omitzero"`
	Passed    bool         `json:"passed"`
	Causes    []string     `json:"causes,omitempty"` // likely causes, worded as guesses
}

// Intent is on disk before anything raises RF for a step.
type Intent struct {
	Step    plan.Step `json:"step"`
	Attempt int       `json:"attempt"`
}

// Reading is one look at the DUT. Its JSON has a "value" only where HasValue is set and the value
// is a finite number, and no "hasValue"; the value is in the unit of its Monitor.
type Reading struct {
	Monitor  string
	After    rf.Duration // since RF came to the level; negative before
	Text     string
	Value    float64
	HasValue bool
	Bad      bool // outside tolerance, an error line, or silence
	Why      string
	RFOn     bool
}

// StepClosed closes a step: what was set, what was measured, what the DUT did, in one record.
type StepClosed struct {
	Step             plan.Step    `json:"step"`
	Attempt          int          `json:"attempt"`
	Outcome          plan.Outcome `json:"outcome"`
	Drive            rf.Power     `json:"drive,omitzero"`   // generator setting, unmodulated carrier
	Current          rf.Current   `json:"current,omitzero"` // measured on the cable, CW, with its bound
	Highest          rf.Current   `json:"highest,omitzero"` // highest that the step measured or asked for
	Forward          rf.Power     `json:"forward,omitzero"` // measured, or predicted when ForwardPredicted
	Reverse          rf.Power     `json:"reverse,omitzero"`
	ForwardPredicted bool         `json:"forwardPredicted,omitempty"`
	Predicted        rf.Current   `json:"predicted,omitzero"` // by the budget at this drive
	Means            string       `json:"means"`              // what the level of this point means
	Class            Class        `json:"class,omitempty"`
	RecoveredAfter   rf.Duration  `json:"recoveredAfter,omitempty"` // from RF off to well; 0 when not upset
	Readings         []Reading    `json:"readings,omitempty"`
	Limited          string       `json:"limited,omitempty"` // why the level was not reached
	OnFor            rf.Duration  `json:"onFor"`
	Note             string       `json:"note,omitempty"`
	// Descent holds the measured current at each offset of a recovery step that was visited, in order.
	Descent []rf.Current `json:"descent,omitempty"`
}

// Class of an upset by when it showed and how it ended.
type Class string

// The classes, from the mildest.
const (
	NoUpset       Class = ""
	DuringOnly    Class = "during, recovers when RF goes" // well again by itself at RF off
	RecoversLater Class = "recovers by itself, later"     // by itself, after a time
	NeedsReset    Class = "needs a reset"
	NotRecovered  Class = "did not recover"
)

// Hold is a pause that may end by itself; Resumed ends it.
type Hold struct {
	Why string `json:"why"`
}

// Resumed ends a Hold or begins again after a crash.
type Resumed struct {
	Why string `json:"why"`
}

// Tripped is latched: a person has to arm again. It is written before anything else about a stop.
type Tripped struct {
	Cause string `json:"cause"`
	By    string `json:"by"` // "guard", "operator", "engine", …
}

// OperatorMark is the operator saying "it upset now".
type OperatorMark struct {
	Text string `json:"text,omitempty"`
}

// Stopping is the first cause of the end of a run that ends before its plan.
type Stopping struct {
	Cause      string `json:"cause"`
	ByOperator bool   `json:"byOperator,omitempty"`
}

// Imported says that a run came from another job, as a bundle that verified. It stands at the end of
// what came; notes may follow.
type Imported struct {
	From     string `json:"from"`     // the bundle's file name
	Manifest string `json:"manifest"` // SHA-256 of the bundle's manifest
	Head     string `json:"head"`     // chain hash of the last record that came
}

// Kind names the record.
func (Imported) Kind() string { return "imported" }

// Safed reports what was done to silence the bench and what was read back.
type Safed struct {
	Cause string      `json:"cause"`
	Steps []SafeStep  `json:"steps"`
	Quiet bool        `json:"quiet"`
	How   string      `json:"how"` // "measured at the floor", "off by the instrument's word only", …
	Took  rf.Duration `json:"took"`
	By    string      `json:"by,omitempty"` // "watcher" when the run's process was gone or hung; else empty
}

// SafeStep is one step of safing and what came of it.
type SafeStep struct {
	What   string `json:"what"`
	Result string `json:"result"`
}

// Note is a remark of a person.
type Note struct {
	By   string `json:"by,omitempty"`
	Text string `json:"text"`
}

// Attached joins a photo or file to a run.
type Attached struct {
	Attachment
	Caption string `json:"caption,omitempty"`
	// Raw: it is kept as proof, and another attachment shows what is to be seen in it.
	Raw bool `json:"raw,omitempty"`
}

// LaboratoryKind is the kind of a run that was not done on this bench: it holds what a laboratory
// reported, as LaboratoryFailures, so that findings here can be held against it.
const LaboratoryKind plan.RunKind = "laboratory"

// LaboratoryFailures is what a laboratory reported, as it was entered. A correction is a new run;
// the newest counts.
type LaboratoryFailures struct {
	Laboratory string              `json:"laboratory,omitempty"`
	Report     string              `json:"report,omitempty"` // number and date of its report
	Failures   []LaboratoryFailure `json:"failures"`
	// Tested is what the laboratory exposed; empty where it does not say. Without it nothing is known
	// of what it found no failure at.
	Tested []LaboratoryRange `json:"tested,omitempty"`
	// Expanded is the laboratory's expanded uncertainty of its level with its K; 0 dB where its report
	// gives none.
	Expanded rf.Gain `json:"expanded,omitempty"`
	K        float64 `json:"k,omitempty"`
}

// Frequencies are those at which the failures are looked for: where one has a range, its middle and its ends.
func (l LaboratoryFailures) Frequencies() (out []rf.Frequency) {
	for _, x := range l.Failures {
		if x.To > x.From {
			out = append(out, rf.Frequency(math.Sqrt(x.From.Hz()*x.To.Hz())).Rounded(), x.From, x.To)
		} else {
			out = append(out, x.From)
		}
	}
	return out
}

// LaboratoryRange is what a laboratory exposed.
type LaboratoryRange struct {
	From       rf.Frequency `json:"from"`
	To         rf.Frequency `json:"to"`
	Level      string       `json:"level"`
	Modulation string       `json:"modulation,omitempty"`
}

// LaboratoryFailure is one line of it. Level is as the report says, with its unit and its meaning
// ("3 V emf", "10 V/m"); nothing is computed from it.
type LaboratoryFailure struct {
	From       rf.Frequency `json:"from"`
	To         rf.Frequency `json:"to,omitempty"` // absent: at one frequency
	Level      string       `json:"level,omitempty"`
	Modulation string       `json:"modulation,omitempty"`
	What       string       `json:"what"` // what happened
	Class      string       `json:"class,omitempty"`
	// Onset: the laboratory lowered its level until the failure was gone, and Level is where it began.
	// Otherwise Level is the one that it tested at, and the onset lies at it or anywhere below.
	Onset bool `json:"onset,omitempty"`
	// Required is the level that has to be stood, where it is not Level.
	Required string `json:"required,omitempty"`
}

// Verdict of a run.
type Verdict string

// The verdicts.
const (
	Done          Verdict = "done"
	DoneUpset     Verdict = "done, with upsets"
	Incomplete    Verdict = "not all points closed"
	Stopped       Verdict = "stopped by the operator, RF off verified"
	TimeUp        Verdict = "time is up, RF off verified"
	TrippedEnd    Verdict = "tripped, RF off verified"
	Failed        Verdict = "failed, RF off verified"
	RFNotKnownOff Verdict = "RF not known to be off"
)

// Unmeasured is the verdict where nothing that measures saw that RF is off: it then rests on the word of an
// instrument or a person, which Safed.How tells, and is not called verified.
func (v Verdict) Unmeasured() Verdict {
	if what, ok := strings.CutSuffix(string(v), " verified"); ok {
		return Verdict(what + ", not measured")
	}
	return v
}

// Kind is the verdict without what its RF off rests on: one of the constants.
func (v Verdict) Kind() Verdict {
	if what, ok := strings.CutSuffix(string(v), ", not measured"); ok {
		return Verdict(what + " verified")
	}
	return v
}

// Closed is the last event of a run.
type Closed struct {
	Verdict Verdict `json:"verdict"`
	Why     string  `json:"why,omitempty"`
	Count   int64   `json:"count"` // records before this one
	Head    string  `json:"head"`  // chain hash of the record before this one
}

// Kind returns "opened".
func (Opened) Kind() string { return "opened" }

// Kind returns "armed".
func (Armed) Kind() string { return "armed" }

// Kind returns "watching".
func (Watching) Kind() string { return "watching" }

// Kind returns "first-light".
func (FirstLight) Kind() string { return "first-light" }

// Kind returns "intent".
func (Intent) Kind() string { return "intent" }

// Kind returns "step-closed".
func (StepClosed) Kind() string { return "step-closed" }

// Kind returns "hold".
func (Hold) Kind() string { return "hold" }

// Kind returns "resumed".
func (Resumed) Kind() string { return "resumed" }

// Kind returns "tripped".
func (Tripped) Kind() string { return "tripped" }

// Kind returns "operator-mark".
func (OperatorMark) Kind() string { return "operator-mark" }

// Kind returns "stopping".
func (Stopping) Kind() string { return "stopping" }

// Kind returns "safed".
func (Safed) Kind() string { return "safed" }

// Kind returns "note".
func (Note) Kind() string { return "note" }

// Kind returns "attached".
func (Attached) Kind() string { return "attached" }

// Kind returns "laboratory".
func (LaboratoryFailures) Kind() string { return "laboratory" }

// Kind returns "closed".
func (Closed) Kind() string { return "closed" }
