package driver

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"provoke/internal/bench/guard"
	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// Tried is one thing that was tried on an instrument.
type Tried struct {
	What string // "frequency 1 MHz", "level?"
	Came string // what came of it, in words
	Err  error
	// Left says that it was left out on purpose, because it would raise RF.
	Left bool
}

// Trial is everything that was tried on one instrument.
type Trial struct {
	ID, Name   string
	Role       Role
	Table      Table
	Tried      []Tried
	Transcript *Transcript
	// Slowest is the longest that an answer took; 0 when no instrument was touched.
	Slowest time.Duration
	asked   time.Time
}

// Failed counts what went wrong.
func (t Trial) Failed() int {
	n := 0
	for _, x := range t.Tried {
		if x.Err != nil {
			n++
		}
	}
	return n
}

// piece is an instrument of the bench as Try looks for it.
type piece struct {
	role   Role
	id     string
	conn   catalog.Connection
	counts catalog.CountsIn
}

func piecesOf(b *catalog.Bench) []piece {
	var out []piece
	add := func(role Role, id string, c catalog.Connection, counts catalog.CountsIn) {
		if c.Present() {
			out = append(out, piece{role, id, c, counts})
		}
	}
	add(RoleSource, b.Source.ID, b.Source.Connection, b.Source.CountsIn)
	if b.Amplifier != nil {
		add(RoleAmplifier, b.Amplifier.ID, b.Amplifier.Connection, "")
	}
	if b.Analyser != nil {
		add(RoleAnalyser, b.Analyser.ID, b.Analyser.Connection, "")
	}
	if b.PowerMeter != nil {
		add(RolePowerMeter, b.PowerMeter.ID, b.PowerMeter.Connection, "")
	}
	if b.Interlock != nil {
		add(RoleInterlock, b.Interlock.ID, b.Interlock.Connection, "")
	}
	if b.Switch != nil {
		add(RoleSwitch, b.Switch.ID, b.Switch.Connection, "")
	}
	if b.PowerRelay != nil {
		add(RoleRelay, b.PowerRelay.ID, b.PowerRelay.Connection, "")
	}
	for _, m := range b.Monitors {
		switch m.Kind {
		case catalog.MonitorMeter:
			add(RoleMeter, m.ID, m.Connection, "")
		case catalog.MonitorAnalogue:
			add(RoleCapture, m.ID, m.Connection, "")
		}
	}
	return out
}

// find returns the piece of a role or an id.
func find(b *catalog.Bench, name string) (piece, error) {
	all := piecesOf(b)
	var names []string
	for _, p := range all {
		if strings.EqualFold(p.id, name) || strings.EqualFold(string(p.role), name) {
			return p, nil
		}
		names = append(names, fmt.Sprintf("%s (%s)", p.role, p.id))
	}
	sort.Strings(names)
	return piece{}, fmt.Errorf("the bench has no instrument of the role or id %q with an address; there are %s",
		name, strings.Join(names, ", "))
}

// Try proves the command table of one instrument of a bench, named by its role or id: it asks each
// query, and sets each setting at a harmless level with the output off, and reads it back. What would
// raise RF is left out: output on, operate. Against stands in for the instrument; nil is the
// instrument itself. The error says why it could not begin; what went wrong later stands in the trial.
func Try(ctx context.Context, b *catalog.Bench, name string, o Options, against *Transcript) (Trial, error) {
	p, err := find(b, name)
	if err != nil {
		return Trial{}, err
	}
	own, list := TablesOf(b)
	if err := list.Err(); err != nil {
		return Trial{}, err
	}
	o.Tables = append(own, o.Tables...)
	o.ForSilencing = true // a source that is not as the bench file says can be tried all the same
	table, err := tableFor(p.role, p.conn.Table, p.counts, o.Tables)
	if err != nil {
		return Trial{}, err
	}
	t := Trial{ID: p.id, Name: fmt.Sprintf("%s %s at %s", p.role, p.id, p.conn.Address), Role: p.role, Table: table,
		Transcript: &Transcript{}}
	t.Transcript.Remarks = []string{fmt.Sprintf("%s: > is the controller, < the instrument", table.Name)}
	o.wrap = t.Transcript.record
	o.Trace = t.time
	if against != nil {
		o.Trace = nil
		o.wrap = func(scpi.Dial) scpi.Dial { return against.play(table.messageEnd(), table.answerEnd()) }
		t.Transcript = against
	}
	err = t.work(ctx, b, p, o)
	if against == nil {
		t.inTime(p, own)
		t.Transcript.finish(table.messageEnd(), table.answerEnd())
	}
	return t, err
}

// time is told every message. The instrument's own goroutine speaks one at a time.
func (t *Trial) time(e scpi.Exchange) {
	switch e.Direction {
	case scpi.Sent:
		t.asked = e.At
	case scpi.Received:
		t.Slowest = max(t.Slowest, e.At.Sub(t.asked))
	}
}

// inTime compares the slowest answer with the time in which the instrument must answer while RF is
// switched off.
func (t *Trial) inTime(p piece, own []Table) {
	if p.role != RoleSource && p.role != RoleAmplifier {
		return
	}
	limit := patienceWith(p.role, p.conn, p.counts, own)
	within := time.Duration(firstTry * float64(limit))
	came := fmt.Sprintf("%v; while RF is switched off it is waited for %v",
		rf.Duration(t.Slowest.Round(100*time.Microsecond)), rf.Duration(limit))
	var err error
	if slowest := t.Slowest + t.Table.Delay.Std(); slowest > within {
		err = fmt.Errorf("the slowest answer took %v, a delay before it counts, and while RF is switched off an "+
			"answer is waited for %v (%v, and then it is said again): state timeout: in the bench file, at least %v; "+
			"it counts up to %v",
			rf.Duration(slowest.Round(time.Millisecond)), rf.Duration(limit), rf.Duration(within),
			rf.Duration((time.Duration(float64(slowest)/firstTry) + 100*time.Millisecond).Round(100*time.Millisecond)),
			rf.Duration(MostPatience))
	}
	if err == nil && slices.ContainsFunc(t.Tried, func(x Tried) bool { return errors.Is(x.Err, scpi.ErrTimeout) }) {
		t.Tried = append(t.Tried, Tried{What: "slowest answer",
			Came: "not known: an answer did not come in time; of those that came " + came, Left: true})
		return
	}
	t.note("slowest answer", came, err)
}

// messageEnd is what ends a message.
func (t Table) messageEnd() string {
	if t.MessageTerminator != "" {
		return t.MessageTerminator
	}
	return t.terminator()
}

// answerEnd is what ends an answer in a transcript; a console's answers stand there as they came.
func (t Table) answerEnd() string {
	if t.console() {
		return ""
	}
	return t.terminator()
}

// note adds what was tried.
func (t *Trial) note(what, came string, err error) {
	t.Tried = append(t.Tried, Tried{What: what, Came: came, Err: err})
}

func (t *Trial) leave(v Verb) {
	if t.Table.has(v) {
		t.Tried = append(t.Tried, Tried{What: string(v), Came: "not tried: it raises RF", Left: true})
	}
}

func (t *Trial) work(ctx context.Context, b *catalog.Bench, p piece, o Options) error {
	switch p.role {
	case RoleSource:
		return t.source(ctx, b.Source, o)
	case RoleAmplifier:
		return t.amplifier(ctx, *b.Amplifier, o)
	case RoleAnalyser:
		return t.analyser(ctx, b, o)
	case RolePowerMeter:
		return t.powerMeter(ctx, b, o)
	case RoleInterlock:
		i, err := OpenInterlock(ctx, *b.Interlock, o)
		if err != nil {
			return err
		}
		defer i.Close()
		closed, err := i.Closed(ctx)
		t.note(string(ClosedAsk), fmt.Sprint(closed), err)
	case RoleSwitch:
		return t.route(ctx, *b.Switch, o)
	case RoleRelay:
		r, err := OpenRelay(ctx, *b.PowerRelay, o)
		if err != nil {
			return err
		}
		defer r.Close()
		t.note("on, read back", "on", r.Set(ctx, true))
		t.Tried = append(t.Tried, Tried{What: string(SwitchOff), Came: "not tried: it takes the DUT's power away",
			Left: true})
	default:
		return t.monitor(ctx, b, p, o)
	}
	return nil
}

func (t *Trial) monitor(ctx context.Context, b *catalog.Bench, p piece, o Options) error {
	for _, m := range b.Monitors {
		if m.ID != p.id {
			continue
		}
		if p.role == RoleMeter {
			meter, err := OpenMeter(ctx, m, o)
			if err != nil {
				return err
			}
			defer meter.Close()
			v, err := meter.Read(ctx)
			t.note(string(ReadAsk), fmt.Sprintf("%g", v), err)
			return nil
		}
		c, err := OpenCapture(ctx, m, o)
		if err != nil {
			return err
		}
		defer c.Close()
		v, err := c.Capture(ctx, 10, 10*time.Millisecond)
		t.note("10 readings in 10 ms", fmt.Sprint(v), err)
	}
	return nil
}

func (t *Trial) amplifier(ctx context.Context, spec catalog.Amplifier, o Options) error {
	a, err := OpenAmplifier(ctx, spec, o)
	if err != nil {
		return err
	}
	defer a.Close()
	t.note("standby, read back", "standby", a.Standby(ctx))
	on, err := a.Operating(ctx)
	t.note(string(OperateAsk), onOff(on), err)
	t.leave(Operate)
	return nil
}

// tryAt is where an instrument is tried: in the middle of what the bench can do with it.
func tryAt(low, high rf.Frequency) rf.Frequency {
	f := rf.Frequency(float64(low+high) / 2)
	if f > 10*rf.Megahertz && low <= 10*rf.Megahertz {
		return 10 * rf.Megahertz
	}
	return f
}

func (t *Trial) analyser(ctx context.Context, b *catalog.Bench, o Options) error {
	a, err := OpenAnalyser(ctx, *b.Analyser, o)
	if err != nil {
		return err
	}
	defer a.Close()
	f := tryAt(b.Analyser.Band.Low, b.Analyser.Band.High)
	var read rf.Power
	for _, reference := range []rf.Power{b.Analyser.MixerLimit, b.Analyser.MixerLimit.Sub(20)} {
		err := a.Setup(ctx, AnalyserSetup{Frequency: f, ReferenceLevel: reference})
		var p rf.Power
		if err == nil {
			p, err = a.Read(ctx)
		}
		if err == nil {
			read = p
		}
		t.note(fmt.Sprintf("reading at %v, reference level %v", f, reference), p.String(), err)
	}
	if t.Table.has(TraceAsk) {
		trace, err := a.Trace(ctx)
		came := ""
		if err == nil {
			came, err = trace.judged(read, b.Analyser.MixerLimit)
		}
		t.note(string(TraceAsk), came, err)
	}
	return nil
}

// judged tells a trace in words, and doubts one whose levels cannot be true beside a reading.
func (x Trace) judged(read, limit rf.Power) (string, error) {
	var low, high rf.Power
	for _, p := range x.Points {
		if p.Known() && (!high.Known() || p.In() > high.In()) {
			high = p
		}
		if p.Known() && (!low.Known() || p.In() < low.In()) {
			low = p
		}
	}
	const apart = 20 // dB; noise stays within that
	words := fmt.Sprintf("%d points, %v to %v", len(x.Points), low, high)
	if x.Stop.Known() {
		words += fmt.Sprintf(", from %v to %v", x.Start, x.Stop)
	}
	switch {
	case !high.Known():
		return words, fmt.Errorf("not one of the %d points of the trace is a level", len(x.Points))
	case read.Known() && read.In() > high.In()+apart:
		return words,
			fmt.Errorf("the highest of the %d points of the trace is %v, where the reading is %v: \"trace?\" names "+
				"another trace, or counts in another unit than the reading (answers_in)", len(x.Points), high, read)
	case low.Bound() == rf.AtLeast && read.Known() && read.In() < limit.In()-apart:
		return words,
			fmt.Errorf("all %d points of the trace are above %v, where the reading is %v: the trace counts in "+
				"another unit than the reading (answers_in)", len(x.Points), limit, read)
	}
	return words, nil
}

func (t *Trial) powerMeter(ctx context.Context, b *catalog.Bench, o Options) error {
	m, err := OpenPowerMeter(ctx, *b.PowerMeter, o)
	if err != nil {
		return err
	}
	defer m.Close()
	forward, reverse, err := m.Read(ctx, tryAt(b.Source.Band.Low, b.Source.Band.High))
	t.note("forward? and reverse?", fmt.Sprintf("%v and %v", forward, reverse), err)
	return nil
}

// route selects the route that is closed already.
func (t *Trial) route(ctx context.Context, spec catalog.PathSwitch, o Options) error {
	s, err := OpenSwitch(ctx, spec, o)
	if err != nil {
		return err
	}
	defer s.Close()
	now, err := s.Selected(ctx)
	t.note(string(RouteAsk), now, err)
	if err == nil && now != "" {
		err := s.(*pathSwitch).choose(ctx, func() (string, error) { return now, nil })
		t.note("route "+now+", which is closed already, read back", now, err)
	}
	return nil
}

// source sets everything with the output off, from the lowest level on, and leaves the source there.
func (t *Trial) source(ctx context.Context, spec catalog.Source, o Options) error {
	opened, err := OpenSource(ctx, spec, o)
	if err != nil {
		return err
	}
	defer opened.Close()
	s := opened.(*source)
	off := s.OutputOff(ctx)
	t.note("output off, read back", "off", off)
	if off != nil {
		return fmt.Errorf("the output is not known to be off, so nothing else is tried: %w", off)
	}
	t.note(fmt.Sprintf("lowest level, %v, read back", spec.Minimum), "", s.Minimum(ctx))
	state, err := s.State(ctx)
	t.note("every query", fmt.Sprintf("%v, %v, %s, output %s", state.Frequency, state.Level, describe(state.Modulation),
		onOff(state.Output)), err)
	t.note("load, unit and offset as the bench file says", "", s.fits())
	unread, err := s.Plain(ctx)
	came := "read"
	if len(unread) > 0 {
		came = "cannot be read: " + strings.Join(unread, ", ")
	}
	t.note("a plain carrier: waveform, sweep, burst, further modulation", came, err)
	for _, to := range t.settings(spec) {
		err := s.apply(ctx, func() (guard.Setting, error) { return to, nil }, nil)
		t.note(fmt.Sprintf("%v, %v, %s, output off, read back", to.Frequency, to.Level.Text(2),
			describe(to.Modulation)), "", err)
		if errors.Is(err, scpi.ErrPoisoned) {
			break
		}
	}
	t.note("lowest level again", "", s.Minimum(ctx))
	t.proveOff(ctx, s, spec, o.DummyLoad)
	t.note("output off again", "off", s.OutputOff(ctx))
	return nil
}

// proveOff switches the output on at the lowest level and off again, where a person said that a dummy
// load is all that hangs on it.
func (t *Trial) proveOff(ctx context.Context, s *source, spec catalog.Source, load bool) {
	if !load {
		t.leave(OutputOn)
		t.Tried = append(t.Tried, Tried{What: "that off changes the output", Left: true,
			Came: "not proved: the output was never on here. With a dummy load on the output, --dummy-load proves " +
				"it; a run proves it when it arms"})
		return
	}
	// Whatever comes, off is said; a trial that is broken off ends with the output off.
	defer func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*MostPatience)
		defer cancel()
		s.OutputOff(ctx)
	}()
	on := guard.Setting{Frequency: tryAt(spec.Band.Low, spec.Band.High), Level: spec.Minimum,
		Modulation: level.Modulation{Kind: level.CW}, Output: true}
	if err := s.apply(ctx, func() (guard.Setting, error) { return on, nil }, nil); err != nil {
		t.note("output on at the lowest level into the dummy load, read back", "", err)
		return
	}
	t.note("output on at the lowest level into the dummy load, read back", "on", nil)
	t.note("output off after it was on, read back", "off: it changes the output, by the instrument's word",
		s.OutputOff(ctx))
}

// settings are what a source is tried with: both ends of its band, two low levels, every modulation.
func (t *Trial) settings(spec catalog.Source) []guard.Setting {
	cw := level.Modulation{Kind: level.CW}
	low := spec.Minimum.Add(max(spec.Resolution, 0.1))
	up := low.Add(10)
	if up.Exceeds(spec.Maximum) {
		up = spec.Maximum
	}
	down := func(p rf.Power) rf.Power {
		if set, err := Settable(spec, p); err == nil {
			return set
		}
		return p
	}
	at := tryAt(spec.Band.Low, spec.Band.High)
	out := []guard.Setting{
		{Frequency: spec.Band.Low, Level: down(low), Modulation: cw}, {Frequency: spec.Band.High, Level: down(low),
			Modulation: cw},
		{Frequency: at, Level: down(up), Modulation: cw},
	}
	if t.Table.has(AMOn) {
		out = append(out, guard.Setting{Frequency: at, Level: down(low),
			Modulation: level.Modulation{Kind: level.AM, Depth: 0.8, Rate: rf.Kilohertz}})
	}
	if t.Table.has(PulseOn) {
		out = append(out, guard.Setting{Frequency: at, Level: down(low),
			Modulation: level.Modulation{Kind: level.Pulse, Duty: 0.5, Rate: 200}})
	}
	return append(out, guard.Setting{Frequency: at, Level: down(low), Modulation: cw})
}
