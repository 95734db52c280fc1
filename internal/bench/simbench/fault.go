package simbench

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// FaultKind is a way in which something on the bench goes wrong.
type FaultKind string

// Faults of an instrument's conversation.
const (
	// FaultAbsent refuses connections.
	FaultAbsent FaultKind = "absent"
	// FaultDeaf accepts everything, does nothing and never answers.
	FaultDeaf FaultKind = "deaf"
	// FaultSilent drops every message that asks for an answer; settings work.
	FaultSilent FaultKind = "silent"
	// FaultLate acts at once and answers after Delay.
	FaultLate FaultKind = "late"
	// FaultActsNoAnswer acts and answers nothing.
	FaultActsNoAnswer FaultKind = "acts-no-answer"
	// FaultActsLate answers at once and carries the settings out after Delay.
	FaultActsLate FaultKind = "acts-late"
	// FaultError carries no setting out and puts -310 into the error queue.
	FaultError FaultKind = "error"
	// FaultGarbage answers with bytes that mean nothing.
	FaultGarbage FaultKind = "garbage"
	// FaultCloses closes the connection on a message.
	FaultCloses FaultKind = "closes"
	// FaultReboots loses settings and connections once; then all is well.
	FaultReboots FaultKind = "reboots"
	// FaultSingle takes one connection at a time and closes every further one at once.
	FaultSingle FaultKind = "single"
	// FaultQueues takes one connection at a time; a further one is accepted and waits for its turn.
	FaultQueues FaultKind = "queues"
	// FaultThrowsOut takes one connection at a time and closes the older one for a new one.
	FaultThrowsOut FaultKind = "throws-out"
	// FaultKeepsPlace keeps the place of a client that has gone for Delay, beside single or queues.
	FaultKeepsPlace FaultKind = "keeps-place"
	// FaultOverrange answers 9.9E37 where a number is asked.
	FaultOverrange FaultKind = "overrange"
	// FaultHalf answers half of a line and never its end.
	FaultHalf FaultKind = "half"
	// FaultTorn answers half of a line and closes the connection.
	FaultTorn FaultKind = "torn"
	// FaultTwice answers twice, the second answer behind the first.
	FaultTwice FaultKind = "twice"
	// FaultOverflow fills the error queue until it overflows, at every message.
	FaultOverflow FaultKind = "overflow"
	// FaultEmpty answers an empty line.
	FaultEmpty FaultKind = "empty"
	// FaultFirstOnly answers the first question of a message and none of the others.
	FaultFirstOnly FaultKind = "first-only"
	// FaultReversed answers the questions of a message from the last to the first.
	FaultReversed FaultKind = "reversed"
	// FaultErrorWithin answers nothing to a question between others, but the separators around it, and puts
	// -310 into the error queue.
	FaultErrorWithin FaultKind = "error-within"
	// FaultUnplugged pulls the cable on a message: connections stay open and dead, and new ones are
	// accepted and dead.
	FaultUnplugged FaultKind = "unplugged"
)

// Faults of the wiring. They act from the moment they are injected; After does not delay them.
const (
	// FaultHighZ, at the source: the real output is 6.02 dB below what the source says, as when it
	// counts for an open circuit.
	FaultHighZ FaultKind = "highz"
	// FaultUnterminated, at the source: the real output is 6.02 dB above what the source says, as
	// when it drives an open circuit.
	FaultUnterminated FaultKind = "unterminated"
	// FaultPadMissing, at the source or at the analyser.
	FaultPadMissing FaultKind = "pad-missing"
	// FaultPadExtra, at the source or at the analyser: a pad of 10 dB too many.
	FaultPadExtra FaultKind = "pad-extra"
	// FaultProbeOpen, at the analyser: the probe's connector is off.
	FaultProbeOpen FaultKind = "probe-open"
	// FaultSticky, at the source: its output relay stays closed once it has closed, whatever the source
	// says of it.
	FaultSticky FaultKind = "sticky"
)

// Manners of gear that nobody asked for; they act on the message after After, and Delay later.
const (
	// FaultTouched, at source, amplifier or analyser: somebody at the front panel, or another program,
	// changes Set; For later it is set back.
	FaultTouched FaultKind = "touched"
	// FaultFolds, at the amplifier: it folds back, so that its output no longer follows its input: what it
	// gives stays Set dB (−6) below what it gave when it began, whatever the drive.
	FaultFolds FaultKind = "folds-back"
	// FaultDrifts, at the amplifier: its gain changes by Set dB (−3) within 10 s, in a straight line.
	FaultDrifts FaultKind = "drifts"
	// FaultUntrue, at the source: the real output lies Set dB (+12) off what the source says.
	FaultUntrue FaultKind = "untrue"
	// FaultQuantised, at the source: it answers levels in three digits only.
	FaultQuantised FaultKind = "quantised"
)

// FaultKinds lists every kind.
var FaultKinds = []FaultKind{FaultAbsent, FaultDeaf, FaultSilent, FaultLate, FaultActsNoAnswer, FaultActsLate,
	FaultError, FaultGarbage, FaultCloses, FaultReboots, FaultOverrange, FaultSingle, FaultQueues, FaultThrowsOut,
	FaultKeepsPlace,
	FaultHalf, FaultTorn, FaultTwice, FaultOverflow, FaultEmpty, FaultUnplugged,
	FaultFirstOnly, FaultReversed, FaultErrorWithin,
	FaultHighZ, FaultUnterminated, FaultPadMissing, FaultPadExtra, FaultProbeOpen, FaultSticky,
	FaultTouched, FaultFolds, FaultDrifts, FaultUntrue, FaultQuantised}

// Fault is something wrong with one instrument.
type Fault struct {
	Kind       FaultKind
	Instrument string
	After      int           // messages (lines, for the product) that pass before it acts
	Delay      time.Duration // wall time, for late, acts-late and keeps-place; 0 means 2 s
	Times      int           // messages on which it acts; 0 means for good
	Only       string        // acts only on messages that contain this text, case does not count
	Set        string        // what a manner sets, see Touches
	For        time.Duration // wall time after which a manner ends; 0 means never
}

// defaultDelay of the faults that have one.
const defaultDelay = 2 * time.Second

// ParseFault reads KIND@INSTRUMENT with optional :after=N, :times=N, :delay=DURATION and :only=TEXT.
func ParseFault(text string) (Fault, error) {
	parts := strings.Split(text, ":")
	kind, instrument, ok := strings.Cut(parts[0], "@")
	f := Fault{Kind: FaultKind(kind), Instrument: instrument}
	if !ok || !slices.Contains(FaultKinds, f.Kind) || !slices.Contains(Names, instrument) {
		return f, fmt.Errorf("fault %q must be KIND@INSTRUMENT with a kind of %v and an instrument of %v", text,
			FaultKinds, Names)
	}
	for _, p := range parts[1:] {
		key, value, _ := strings.Cut(p, "=")
		var err error
		switch key {
		case "after":
			f.After, err = strconv.Atoi(value)
		case "times":
			f.Times, err = strconv.Atoi(value)
		case "delay":
			f.Delay, err = time.ParseDuration(value)
		case "only":
			f.Only = value
		case "set":
			f.Set = value
		case "for":
			f.For, err = time.ParseDuration(value)
		default:
			err = fmt.Errorf("%q is none of after=N, times=N, delay=DURATION, only=TEXT, set=WHAT, for=DURATION", p)
		}
		if err != nil {
			return f, fmt.Errorf("fault %q: %w", text, err)
		}
	}
	if err := f.checkManner(); err != nil {
		return f, fmt.Errorf("fault %q: %w", text, err)
	}
	return f, nil
}

// Inject makes something go wrong from now on.
func (b *Bench) Inject(instrument string, f Fault) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.inject(instrument, f)
}

func (b *Bench) inject(instrument string, f Fault) error {
	face := b.faces[instrument]
	if face == nil || !slices.Contains(FaultKinds, f.Kind) {
		return fmt.Errorf("cannot inject %q at %q", f.Kind, instrument)
	}
	f.Instrument = instrument
	if f.isManner() {
		if err := f.checkManner(); err != nil {
			return err
		}
		if f.After == 0 {
			b.begin(f)
			return nil
		}
	} else if f.Delay == 0 {
		f.Delay = defaultDelay
	}
	b.plant.advance(b.benchTime())
	if b.plant.miswire(f, 1) {
		b.plant.changed()
	} else if f.ofWiring() {
		return fmt.Errorf("%s cannot happen at the %s", f.Kind, instrument)
	}
	if f.Kind == FaultAbsent {
		for _, l := range face.listeners {
			l.Close()
		}
	}
	face.faults = append(face.faults, &f)
	return nil
}

// Clear ends every fault of an instrument. A socket that was closed by absent stays closed.
func (b *Bench) Clear(instrument string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.clear(instrument)
}

func (b *Bench) clear(instrument string) {
	face := b.faces[instrument]
	if face == nil {
		return
	}
	b.plant.advance(b.benchTime())
	for _, f := range face.faults {
		b.plant.miswire(*f, -1)
	}
	for _, back := range face.back {
		back()
	}
	face.faults, face.back = nil, nil
	b.plant.changed()
}

// ofWiring reports that the fault is one of the wiring, not of the conversation.
func (f Fault) ofWiring() bool {
	return slices.Contains([]FaultKind{FaultHighZ, FaultUnterminated, FaultPadMissing, FaultPadExtra, FaultProbeOpen,
		FaultSticky}, f.Kind)
}

// ofConnections reports a manner of taking clients; it acts on connections and not on messages.
func (f Fault) ofConnections() bool {
	return slices.Contains([]FaultKind{FaultSingle, FaultQueues, FaultThrowsOut, FaultKeepsPlace}, f.Kind)
}

// miswire applies (sign 1) or takes back (−1) a fault of the wiring; false when it is none.
func (p *plant) miswire(f Fault, sign float64) bool {
	const half = 6.0206
	atSource, atAnalyser := f.Instrument == "source", f.Instrument == "analyser"
	switch {
	case f.Kind == FaultHighZ && atSource:
		p.levelError -= sign * half
	case f.Kind == FaultUnterminated && atSource:
		p.levelError += sign * half
	case f.Kind == FaultPadMissing && atSource:
		p.generatorPadIn = sign < 0
	case f.Kind == FaultPadMissing && atAnalyser:
		p.analyserPadIn = sign < 0
	case f.Kind == FaultPadExtra && atSource:
		p.levelError -= sign * 10
	case f.Kind == FaultPadExtra && atAnalyser:
		p.extraPad += sign * 10
	case f.Kind == FaultProbeOpen && atAnalyser:
		p.probeOpen = sign > 0
	case f.Kind == FaultSticky && atSource:
		p.sticky, p.welded = sign > 0, false
	default:
		return false
	}
	return true
}

// due counts a message and returns the fault that acts on it, if any. The caller holds the lock.
func (f *face) due(message string) *Fault {
	f.mannersDue(message)
	var acting *Fault
	for _, x := range f.faults {
		if x.ofWiring() || x.isManner() || x.ofConnections() || !strings.Contains(strings.ToUpper(message),
			strings.ToUpper(x.Only)) {
			continue
		}
		if x.After > 0 {
			x.After--
		} else if acting == nil {
			acting = x
		}
	}
	if acting != nil && acting.Times > 0 {
		if acting.Times--; acting.Times == 0 {
			f.drop(acting)
		}
	}
	return acting
}

// fault returns the first fault of a kind that is there, acting already or not yet.
func (f *face) fault(k FaultKind) *Fault {
	for _, x := range f.faults {
		if x.Kind == k && x.After == 0 {
			return x
		}
	}
	return nil
}

func (f *face) drop(fault *Fault) {
	f.faults = slices.DeleteFunc(f.faults, func(x *Fault) bool { return x == fault })
}

// overranged replaces the numbers of an answer by the SCPI mark for too large a value.
func overranged(text []byte) []byte {
	if len(text) > 0 && text[0] == '#' {
		return []byte("9.9E37")
	}
	parts := strings.Split(string(text), ";")
	for i, p := range parts {
		if _, unit, err := number(strings.ToUpper(p)); err == nil && unit == "" && strings.ContainsAny(p, ".Ee") {
			parts[i] = "9.9E37"
		}
	}
	return []byte(strings.Join(parts, ";"))
}
