package event

import (
	"fmt"
	"strings"

	"provoke/internal/units/rf"
)

// The kinds of this file joined version 1 of the format after the first golden journal was written:
// what a person does and reads at a bench that cannot be wired, sweeps that run by themselves, and
// what is joined to a run afterwards.

// ByHand is one thing that a person was asked to set, to switch or to read, and the answer.
type ByHand struct {
	Instrument string      `json:"instrument"` // role and id
	Asked      []string    `json:"asked"`      // in the words that were shown
	Answer     string      `json:"answer"`     // as typed; empty for a plain yes
	Took       rf.Duration `json:"took"`
	// Doubted says why the answer was asked for a second time, where it was.
	Doubted string `json:"doubted,omitempty"`
}

// HardwareOff says that a source which provoke cannot switch off was armed with a switch or an
// interlock in reach, named and confirmed by the operator.
type HardwareOff struct {
	Source string `json:"source"`
	Why    string `json:"why"` // "set by hand", "sweeps by itself"
	Named  string `json:"named"`
	By     string `json:"by,omitempty"`
}

// SweepPass is one pass of a source that sweeps by itself, with what the DUT did.
type SweepPass struct {
	Pass   int          `json:"pass"` // from 1
	Law    string       `json:"law"`  // "linear" or "log"
	From   rf.Frequency `json:"from"` // where the pass begins: above To in a pass downwards
	To     rf.Frequency `json:"to"`
	Time   rf.Duration  `json:"time"`
	Drive  rf.Power     `json:"drive,omitzero"`
	Marked string       `json:"marked"` // how its beginning was known: "key", "sync line", "zero-span edge"
	// Within is how well the beginning is known, either way.
	Within   rf.Duration  `json:"within"`
	Upsets   []SweepUpset `json:"upsets,omitempty"`
	Readings int          `json:"readings"` // looks at the DUT in the pass
}

// SweepUpset is one upset of a pass, at the frequencies that the clock gives: nothing is corrected.
type SweepUpset struct {
	Monitor   string       `json:"monitor"`
	After     rf.Duration  `json:"after"` // since the pass began
	Apparent  rf.Frequency `json:"apparent"`
	Recovered rf.Frequency `json:"recovered,omitempty"` // where it was well again; absent when it was not
	// Reset is when, since the pass began, the reset was asked for after which it was well, and Well
	// where it then was. From the upset to there the pass did not see the product; another upset soon
	// behind it belongs to the same band. Absent in runs of before they were told.
	Reset rf.Duration  `json:"reset,omitempty"`
	Well  rf.Frequency `json:"well,omitempty"`
	Why   string       `json:"why,omitempty"`
}

// SweepBands is what passes upwards and downwards say together.
type SweepBands struct {
	Latency rf.Duration `json:"latency"`
	Within  rf.Duration `json:"within"`
	Bands   []SweepBand `json:"bands,omitempty"`
	Notes   []string    `json:"notes,omitempty"`
}

// SweepBand is one range of frequencies with the limits of error of its ends.
type SweepBand struct {
	Low    rf.Frequency `json:"low"`
	High   rf.Frequency `json:"high"`
	Within rf.Frequency `json:"within"`
	Rests  string       `json:"rests"` // on what it rests
}

// TraceRead is an exported trace that joined the run: levels at the analyser as cable current. May
// follow the closing record.
type TraceRead struct {
	Attachment
	Column  string       `json:"column"`
	Through []string     `json:"through"` // the pieces between cable and analyser, and the analyser
	Caption string       `json:"caption,omitempty"`
	Points  []TracePoint `json:"points"`
}

// TracePoint is one level of an exported trace.
type TracePoint struct {
	Frequency rf.Frequency `json:"frequency"`
	Reading   rf.Power     `json:"reading,omitzero"`
	Current   rf.Current   `json:"current,omitzero"`
}

// LogRead is a log of the DUT that joined the run by its time stamps. May follow the closing record.
type LogRead struct {
	Attachment
	Offset string `json:"offset"` // that was added to its clock, with sign
	// of coarse stamps: an entry counts in every step from its stamp to so much later
	Width     rf.Duration `json:"width,omitzero"`
	Unit      string      `json:"unit,omitempty"`
	Baseline  *float64    `json:"baseline,omitempty"` // mean before RF
	Tolerance *float64    `json:"tolerance,omitempty"`
	Entries   int         `json:"entries"` // within the run
	Steps     []LogStep   `json:"steps,omitempty"`
}

// LogStep is what a log says during one step of the run.
type LogStep struct {
	Step      int          `json:"step"`
	Attempt   int          `json:"attempt"`
	Frequency rf.Frequency `json:"frequency"`
	Entries   int          `json:"entries"`
	Low       *float64     `json:"low,omitempty"`
	High      *float64     `json:"high,omitempty"`
	Bad       int          `json:"bad"` // entries outside the tolerance, or error lines
	First     string       `json:"first,omitempty"`
}

// Kind returns "by-hand".
func (ByHand) Kind() string { return "by-hand" }

// Kind returns "hardware-off".
func (HardwareOff) Kind() string { return "hardware-off" }

// Kind returns "sweep-pass".
func (SweepPass) Kind() string { return "sweep-pass" }

// Kind returns "sweep-bands".
func (SweepBands) Kind() string { return "sweep-bands" }

// Kind returns "trace".
func (TraceRead) Kind() string { return "trace" }

// Kind returns "log".
func (LogRead) Kind() string { return "log" }

// Late reports that records of a kind may follow the closing record: remarks, and what is joined to
// a run afterwards.
func Late(kind string) bool {
	switch kind {
	case Note{}.Kind(), Attached{}.Kind(), TraceRead{}.Kind(), LogRead{}.Kind(), Imported{}.Kind():
		return true
	}
	return false
}

// byHandLine tells the events of this file in one line; ok is false for others.
func byHandLine(e Event) (text string, ok bool) {
	switch e := e.(type) {
	case ClockSet:
		return e.Words(), true
	case ByHand:
		return words(e.Instrument, strings.Join(e.Asked, ", "), "answered "+quoted(e.Answer),
			after("asked again: ", e.Doubted)), true
	case HardwareOff:
		return words(e.Source+" ("+e.Why+"): provoke cannot switch it off", "hardware off: "+e.Named,
			after("confirmed by ", e.By)), true
	case SweepPass:
		return sweepPass(e), true
	case SweepBands:
		return sweepBands(e), true
	case TraceRead:
		return traceRead(e), true
	case LogRead:
		return logRead(e), true
	}
	return "", false
}

func sweepPass(e SweepPass) string {
	parts := []string{fmt.Sprintf("pass %d: %v to %v %s in %v, began by %s ± %v", e.Pass, e.From, e.To, e.Law,
		e.Time, e.Marked, e.Within)}
	for _, u := range e.Upsets {
		text := fmt.Sprintf("UPSET of %s at an apparent %v", u.Monitor, u.Apparent)
		if u.Recovered.Known() {
			text += fmt.Sprintf(" until %v", u.Recovered)
		}
		if u.Reset > 0 {
			text += fmt.Sprintf(", reset after %v, well at %v", u.Reset, u.Well)
		}
		parts = append(parts, text)
	}
	return words(parts...)
}

func sweepBands(e SweepBands) string {
	parts := []string{fmt.Sprintf("latency %v ± %v", e.Latency, e.Within)}
	for _, b := range e.Bands {
		parts = append(parts, fmt.Sprintf("%v to %v, each ± %v, by %s", b.Low, b.High, b.Within, b.Rests))
	}
	return words(append(parts, e.Notes...)...)
}

func traceRead(e TraceRead) string {
	highest := TracePoint{}
	for _, p := range e.Points {
		if highest.Current.Absent() || p.Current.Above(highest.Current) {
			highest = p
		}
	}
	top := ""
	if !highest.Current.Absent() {
		top = fmt.Sprintf("highest %v at %v", highest.Current, highest.Frequency)
	}
	return words(fmt.Sprintf("trace %s, column %s, %d points", e.Name, e.Column, len(e.Points)), top, quoted(e.Caption),
		"sha256 "+short(e.SHA256))
}

func logRead(e LogRead) string {
	bad := 0
	for _, s := range e.Steps {
		if s.Bad > 0 {
			bad++
		}
	}
	width := ""
	if e.Width > 0 {
		width = fmt.Sprintf("stamps to %v only, an entry counts in every step it may belong to", e.Width)
	}
	return words(fmt.Sprintf("log %s, clock %s, %d entries in the run, bad in %d of %d steps", e.Name, e.Offset,
		e.Entries, bad, len(e.Steps)), width, "sha256 "+short(e.SHA256))
}
