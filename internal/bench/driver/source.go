package driver

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"provoke/internal/bench/guard"
	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// ErrWouldRaise is wrapped when a method that only lowers is asked for something that raises, or
// that cannot be shown to lower.
var ErrWouldRaise = errors.New("this would raise RF and needs a permission")

// ErrOutOfRange is wrapped when a setting is outside what the source can do. Nothing was sent.
var ErrOutOfRange = errors.New("out of the source's range")

// SettingError says that an instrument's own setting is not what the bench file says. Numbers sent
// to it would mean something else than what they were computed for.
type SettingError struct {
	Instrument, What, Reads, Want, Remedy string
}

// Error says what is set, what is wanted and what to do.
func (e *SettingError) Error() string {
	return fmt.Sprintf("%s: its %s is %s, the bench file says %s: %s", e.Instrument, e.What, e.Reads, e.Want, e.Remedy)
}

// ReadBackError says that an instrument was told one thing and reads back another.
type ReadBackError struct {
	Instrument, What, Told, Reads string
}

// Error says what was told and what is read.
func (e *ReadBackError) Error() string {
	return fmt.Sprintf("%s: %s reads back as %s after it was told %s", e.Instrument, e.What, e.Reads, e.Told)
}

// Tolerances of a read-back: what an instrument may round a setting by.
const (
	levelTolerance     rf.Gain = 0.02 // dB, or half the source's resolution
	frequencyTolerance         = 1e-6 // relative, and never less than 1 Hz
	fractionTolerance          = 0.005
	offsetTolerance            = 1e-3 // V
)

// Settable returns the level that a source is set to when a level is asked for: itself, rounded down
// to the source's resolution. A level outside its range is an error that wraps ErrOutOfRange; it
// is never clipped.
func Settable(s catalog.Source, to rf.Power) (rf.Power, error) {
	switch {
	case !to.Exact():
		return rf.Power{}, fmt.Errorf("level %v is no level that a source can be set to: %w", to, ErrOutOfRange)
	case to.Exceeds(s.Maximum):
		return rf.Power{}, fmt.Errorf("level %s is above the maximum of %s: %w", to.Text(2), s.Maximum.Text(2),
			ErrOutOfRange)
	case !s.Minimum.Known() || s.Minimum.Exceeds(to):
		return rf.Power{}, fmt.Errorf("level %s is below the minimum of %s: %w", to.Text(2), s.Minimum.Text(2),
			ErrOutOfRange)
	}
	if s.Resolution <= 0 {
		return to, nil
	}
	const slack = 1e-6 // of a step, so that 10 dBm is not taken for 9.9999999
	step := s.Resolution.DB()
	down := rf.DBm(math.Floor(to.In()/step+slack) * step)
	if s.Minimum.Exceeds(down) {
		down = s.Minimum
	}
	return down, nil
}

// assumed is what a source that counts in volts takes its numbers for.
type assumed struct {
	load catalog.LoadSetting
	unit string // VPP, VRMS, DBM
}

// looked is what was last read of the source, under one connection.
type looked struct {
	generation uint64 // 0: nothing is known
	guard.Setting
	assumed
	offset float64 // direct voltage, V
	// am and pulse are what the modulations are set to, on or off.
	am, pulse level.Modulation
}

type source struct {
	*instrument
	spec  catalog.Source
	known looked // owned by whoever holds conn
}

// OpenSource connects to a generator and reads back what it is set for. It changes nothing. A source
// that counts in volts must be set for the load and the unit that the bench file says, or the
// error is a *SettingError.
func OpenSource(ctx context.Context, spec catalog.Source, o Options) (Source, error) {
	i, err := open(ctx, RoleSource, spec.ID, spec.Connection, spec.CountsIn, o)
	if err != nil {
		return nil, err
	}
	s := &source{instrument: i, spec: spec}
	_, err = s.State(ctx)
	if err == nil {
		err = s.fits()
	}
	if err != nil && !o.ForSilencing {
		s.Close()
		return nil, fmt.Errorf("open %w", err)
	}
	return s, nil
}

// fits compares load and unit with the bench file.
func (s *source) fits() error {
	if math.Abs(s.known.offset) > offsetTolerance {
		return &SettingError{s.name, "offset", strconv.FormatFloat(s.known.offset, 'g', 4, 64) + " V", "none",
			"a direct voltage goes through pads into the amplifier: set it to 0 V at the instrument"}
	}
	if s.table.CountsIn != catalog.CountsVpp {
		return nil
	}
	if s.known.load != s.spec.Load {
		return &SettingError{s.name, "load setting", string(s.known.load), string(s.spec.Load),
			"the same number means 6 dB more or less; set the load at the instrument, or correct the bench file"}
	}
	if s.known.unit != "VPP" {
		return &SettingError{s.name, "amplitude unit", s.known.unit, "VPP",
			"set the unit to volts peak-to-peak at the instrument"}
	}
	return nil
}

// State asks the source for all of its settings. The modulation's convention is not the source's
// business and is left empty.
func (s *source) State(ctx context.Context) (guard.SourceState, error) {
	var out guard.SourceState
	err := s.hold(ctx, func(h *speech) error {
		if err := s.look(h); err != nil {
			return err
		}
		out = guard.SourceState{Setting: s.known.Setting, Settled: true}
		return nil
	})
	return out, err
}

// whole lists the queries that together give the whole state.
func (s *source) whole() []Verb {
	return append(s.brief(), s.table.having(AMAsk, AMDepthAsk, AMRateAsk, PulseAsk, PulseRateAsk, PulseDutyAsk,
		PulseWidthAsk)...)
}

// brief lists the queries that confirm a change of frequency or level. Completion comes first, so
// that the others are answered by a source that has settled.
func (s *source) brief() []Verb {
	v := []Verb{Complete, FrequencyAsk, LevelAsk, OutputAsk}
	if s.table.CountsIn == catalog.CountsVpp {
		v = append(v, UnitAsk, LoadAsk)
	}
	return s.table.having(append(v, OffsetAsk)...)
}

// look reads the whole state.
func (s *source) look(h *speech) error {
	s.known = looked{}
	verbs := s.whole()
	answers, err := h.ask(verbs...)
	if err != nil {
		return err
	}
	return s.learn(h, scpi.Join(s.table.each(verbs...)...), verbs, answers, looked{})
}

// learn takes answers into what is known, on top of base. Answers that make no sense poison the
// connection: they may belong to another question.
func (s *source) learn(h *speech, msg string, verbs []Verb, answers []string, base looked) error {
	s.known = looked{}
	next, err := s.parse(verbs, answers, base)
	if err != nil {
		return h.Garbage(msg, err)
	}
	next.generation = h.Generation()
	s.known = next
	return nil
}

// parse reads answers in SI units and dBm on top of what is known already.
func (s *source) parse(verbs []Verb, answers []string, k looked) (looked, error) {
	a := map[Verb]string{}
	for i, v := range verbs {
		a[v] = answers[i]
	}
	p := parser{answers: a, table: &s.table}
	if s.table.has(Complete) && p.number(Complete) != 1 {
		p.fail(Complete, errors.New("want 1"))
	}
	k.Frequency = rf.Frequency(p.number(FrequencyAsk))
	k.Output = p.bool(OutputAsk)
	k.assumed = assumed{}
	if s.table.CountsIn == catalog.CountsVpp {
		k.assumed = assumed{load: s.table.Assumes, unit: "VPP"}
	}
	if _, ok := a[UnitAsk]; ok {
		k.unit = p.unit(UnitAsk)
	}
	if _, ok := a[LoadAsk]; ok {
		k.load = p.load(LoadAsk)
	}
	if _, ok := a[OffsetAsk]; ok {
		k.offset = p.number(OffsetAsk)
	}
	s.parseModulation(&k, &p)
	k.Level = s.fromNumber(p.number(LevelAsk), k.assumed).Sub(s.halved(k.Modulation))
	return k, p.err
}

// parseModulation reads what the modulations are set to and which is on, as far as it was asked.
func (s *source) parseModulation(k *looked, p *parser) {
	am, amAsked := p.answers[AMAsk]
	pulse, pulseAsked := p.answers[PulseAsk]
	if amAsked {
		k.am = level.Modulation{Kind: level.AM, Depth: rf.Fraction(p.number(AMDepthAsk) / 100),
			Rate: rf.Frequency(p.number(AMRateAsk))}
	}
	if pulseAsked {
		k.pulse = level.Modulation{Kind: level.Pulse, Rate: rf.Frequency(p.number(PulseRateAsk))}
		if _, width := p.answers[PulseWidthAsk]; width {
			k.pulse.Duty = rf.Fraction(p.number(PulseWidthAsk) * k.pulse.Rate.Hz())
		} else {
			k.pulse.Duty = rf.Fraction(p.number(PulseDutyAsk) / 100)
		}
	}
	switch {
	case amAsked || pulseAsked:
		k.Modulation = k.on(am != "" && p.bool(AMAsk), pulse != "" && p.bool(PulseAsk))
	case !s.table.has(AMAsk) && !s.table.has(PulseAsk):
		k.Modulation = level.Modulation{Kind: level.CW}
	}
}

// amHalf is what a source takes off the amplitude that is set when it goes to AM, where it does.
const amHalf rf.Gain = 6.0205999 // 20·log10(2)

// halved returns how far the carrier lies below the amplitude that is set.
func (s *source) halved(m level.Modulation) rf.Gain {
	if s.table.AMHalves && m.Kind == level.AM {
		return amHalf
	}
	return 0
}

// parser reads answers and remembers the first that makes no sense.
type parser struct {
	answers map[Verb]string
	table   *Table
	err     error
}

func (p *parser) fail(v Verb, err error) {
	if p.err == nil {
		p.err = fmt.Errorf("%w: the answer to %q is %q: %w", scpi.ErrGarbage, v, p.answers[v], err)
	}
}

func (p *parser) number(v Verb) float64 {
	x, err := scpi.ParseNumber(p.answers[v])
	if err == nil {
		x, err = p.table.answered(v, x)
	}
	if err != nil {
		p.fail(v, err)
	}
	return x
}

func (p *parser) bool(v Verb) bool {
	b, err := scpi.ParseBool(p.answers[v])
	if err != nil {
		p.fail(v, err)
	}
	return b
}

func (p *parser) load(v Verb) catalog.LoadSetting {
	ohm, err := scpi.ParseNumber(p.answers[v])
	switch {
	case errors.Is(err, scpi.ErrOverRange):
		return catalog.LoadHighZ
	case err != nil:
		p.fail(v, err)
	case math.Abs(ohm-50) <= 0.5:
		return catalog.Load50
	}
	return catalog.LoadSetting(rf.Resistance(ohm).String())
}

// unit reads the amplitude unit; what is not known stands as it came and fits nothing.
func (p *parser) unit(v Verb) string { return upper(p.answers[v]) }

// on returns the modulation that is on. With both on it is AM, whose crest is the higher.
func (k looked) on(am, pulse bool) level.Modulation {
	switch {
	case am:
		return k.am
	case pulse:
		return k.pulse
	}
	return level.Modulation{Kind: level.CW}
}

// toNumber converts a level into the number that the source wants to hear. A sine of P into 50 Ω has
// Vpp = 2·√2·√(P·50 Ω); a source set for high impedance shows its open-circuit voltage, the double.
// The seventh digit is rounded down.
func (s *source) toNumber(p rf.Power, a assumed) float64 {
	if s.table.CountsIn == catalog.CountsDBm || a.unit == "DBM" {
		return math.Floor(p.In()*1e6+1e-3) / 1e6
	}
	v := rf.VoltageAcross(p, rf.Z0).SI()
	if a.unit != "VRMS" {
		v *= 2 * math.Sqrt2
	}
	if a.load == catalog.LoadHighZ {
		v *= 2
	}
	return lowered(v, 7)
}

// fromNumber is the way back. A load or unit that is not understood gives an absent level.
func (s *source) fromNumber(x float64, a assumed) rf.Power {
	if s.table.CountsIn == catalog.CountsDBm {
		return rf.DBm(x)
	}
	if a.load == catalog.LoadHighZ {
		x /= 2
	} else if a.load != catalog.Load50 {
		return rf.Power{}
	}
	switch a.unit {
	case "VPP":
		return rf.PowerInto(rf.VoltsPP(x), rf.Z0)
	case "VRMS":
		return rf.PowerInto(rf.Volts(x), rf.Z0)
	case "DBM":
		if a.load == catalog.Load50 {
			return rf.DBm(x)
		}
	}
	return rf.Power{}
}

// Apply brings the source to the setting of the permission and reads it back in the same message;
// see phases for when it takes more than one. The permission is used up only once the source's
// present state is known, right before the first message goes out; on a connection that was lost
// meanwhile nothing is sent.
func (s *source) Apply(ctx context.Context, c guard.Cleared) error {
	return s.apply(ctx, c.Take, c.Still)
}

// apply takes a setting and sends it. Still, where it is given, is asked before each message.
func (s *source) apply(ctx context.Context, take func() (guard.Setting, error), still func() error) error {
	return s.hold(ctx, func(h *speech) error {
		if err := s.lookIfLost(h); err != nil {
			return err
		}
		if err := s.fits(); err != nil {
			return err
		}
		h.Pin()
		to, err := take()
		if err != nil {
			return err
		}
		if to, err = s.settable(to); err != nil {
			return fmt.Errorf("%s: %w", s.name, err)
		}
		for _, p := range s.phases(s.known.Setting, to) {
			if still != nil {
				if err := still(); err != nil {
					return fmt.Errorf("%s: %w", s.name, err)
				}
			}
			if err := s.tell(h, p.units, p.ask, p.want); err != nil {
				return err
			}
			if !p.prepares.IsCW() {
				if err := s.prepared(p.prepares); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// lookIfLost reads the state when the connection is not the one under which it was read before: the
// instrument may have been switched off and on.
func (s *source) lookIfLost(h *speech) error {
	if err := h.Connect(); err != nil {
		return err
	}
	if s.known.generation == h.Generation() {
		return nil
	}
	return s.look(h)
}

// settable checks a setting against what the source can do and rounds its level down. Parts that are
// absent are left as they are, which is allowed only with the output off.
func (s *source) settable(to guard.Setting) (guard.Setting, error) {
	to.Modulation = spoken(to.Modulation)
	if to.Frequency.Known() || to.Output {
		if !s.spec.Band.Contains(to.Frequency) {
			return to, fmt.Errorf("frequency %v is outside the band of %v to %v: %w", to.Frequency, s.spec.Band.Low,
				s.spec.Band.High, ErrOutOfRange)
		}
	}
	m := to.Modulation
	switch {
	case m.Kind == level.AM && (m.Depth <= 0 || m.Depth > 1 || !m.Rate.Known()),
		m.Kind == level.Pulse && (m.Duty <= 0 || m.Duty >= 1 || !m.Rate.Known()):
		return to, fmt.Errorf("modulation %s, depth %v, duty %v, rate %v cannot be set: %w", m.Kind, m.Depth,
			m.Duty, m.Rate, ErrOutOfRange)
	case m.Kind != level.AM && m.Kind != level.Pulse && m.Kind != level.CW:
		return to, fmt.Errorf("modulation %q is not known: %w", m.Kind, ErrOutOfRange)
	case m.Kind == level.AM && !s.table.has(AMOn), m.Kind == level.Pulse && !s.table.has(PulseOn):
		return to, fmt.Errorf("its command table has no %s modulation: %w", m.Kind, ErrOutOfRange)
	}
	if !to.Output && !to.Level.Known() {
		return to, nil
	}
	half := s.halved(m)
	set, err := Settable(s.spec, to.Level.Add(half))
	to.Level = set.Sub(half)
	return to, err
}

// spoken returns what of a modulation the source is told, so that two can be compared.
func spoken(m level.Modulation) level.Modulation {
	switch {
	case m.IsCW():
		return level.Modulation{Kind: level.CW}
	case m.Kind == level.AM:
		return level.Modulation{Kind: level.AM, Depth: m.Depth, Rate: m.Rate}
	case m.Kind == level.Pulse:
		return level.Modulation{Kind: level.Pulse, Duty: m.Duty, Rate: m.Rate}
	}
	return m
}

// phase is one message of commands with the queries that confirm it.
type phase struct {
	units []string
	ask   []Verb
	want  guard.Setting
	// prepares is a modulation whose depth, rate or duty was set while it is off.
	prepares level.Modulation
}

// phases returns the messages that take the source from one setting to another. No step inside is
// louder than the louder of the two: off first, down first, old modulation off, frequency, new
// modulation on, up last, output on at the very end. For a level with the peak held this lowers
// the carrier before modulation goes on.
//
// An instrument may refuse one command of a message and carry out the rest. So whatever a rise
// relies on is confirmed before it: a lower level and the depth before modulation or another
// frequency, everything before output on. A change of level alone, or of frequency with a level that
// does not fall, is one message.
func (s *source) phases(from, to guard.Setting) []phase {
	t := s.table
	var out []phase
	if from.Output && !to.Output {
		from.Output = false
		out = append(out, phase{units: []string{t.say(OutputOff)}, ask: s.brief(), want: from})
	}
	rises := to.Level.Exceeds(from.Level)
	falls := from.Level.Exceeds(to.Level.Add(levelTolerance))
	changed := to.Modulation != from.Modulation
	var units []string
	switch {
	case changed && s.halved(from.Modulation) > 0:
		// With AM off the whole amplitude comes out: that must not be above either level.
		from.Level = from.Level.Lower(to.Level)
		units = append(units, s.level(from.Level, level.Modulation{}))
		rises = to.Level.Exceeds(from.Level)
	case to.Level.Known() && !rises:
		units = append(units, s.level(to.Level, from.Modulation))
		from.Level = to.Level
	}
	moves := to.Frequency.Known() && to.Frequency != from.Frequency
	ask := s.brief()
	// A modulation whose depth and rate were read back as they are to be needs no message of its own.
	ready := changed && from.Modulation.IsCW() && !to.Modulation.IsCW() && s.isPrepared(to.Modulation) && !falls
	if ready {
		ask = s.whole()
	}
	if changed && !ready {
		units = append(append(units, t.each(t.having(AMOff, PulseOff)...)...), s.prepare(to.Modulation)...)
		from.Modulation = level.Modulation{Kind: level.CW}
		ask = s.whole()
	}
	if len(units) > 0 && (changed && !ready || moves) && from.Output {
		out = append(out, phase{units: units, ask: ask, want: from, prepares: to.Modulation})
		units = nil
	}
	if to.Frequency.Known() {
		units = append(units, t.put(Frequency, to.Frequency.Hz()))
		from.Frequency = to.Frequency
	}
	if changed {
		units = append(units, s.modulate(to.Modulation)...)
		from.Modulation = to.Modulation
	}
	if half := s.halved(to.Modulation); changed && half > 0 {
		// The amplitude goes up by as much only once AM is read back as on.
		from.Level = from.Level.Sub(half)
		out = append(out, phase{units: units, ask: ask, want: from, prepares: to.Modulation})
		units, rises = nil, true
	}
	if to.Level.Known() && rises {
		units = append(units, s.level(to.Level, from.Modulation))
		from.Level = to.Level
	}
	if len(units) > 0 {
		out = append(out, phase{units: units, ask: ask, want: from, prepares: to.Modulation})
	}
	if to.Output && !from.Output {
		out = append(out, phase{units: []string{t.say(OutputOn)}, ask: s.brief(), want: to})
	}
	return out
}

// level returns the command for a carrier under a modulation.
func (s *source) level(p rf.Power, m level.Modulation) string {
	return s.levelFor(p.Add(s.halved(m)), s.known.assumed)
}

func (s *source) levelFor(p rf.Power, a assumed) string {
	return s.table.putText(Level, strconv.FormatFloat(s.toNumber(p, a), 'f', -1, 64))
}

// prepare sets what a modulation will be without switching it on.
func (s *source) prepare(m level.Modulation) []string {
	t := s.table
	var units []string
	add := func(v Verb, text string) {
		if t.has(v) {
			units = append(units, text)
		}
	}
	switch m.Kind {
	case level.AM:
		add(AMInternal, t.say(AMInternal))
		add(AMForm, t.say(AMForm))
		if t.has(AMPoints) {
			add(AMPoints, place.ReplaceAllLiteralString(t.say(AMPoints), t.points()))
		}
		add(AMDepth, t.put(AMDepth, 100*float64(m.Depth)))
		add(AMRate, t.put(AMRate, m.Rate.Hz()))
	case level.Pulse:
		add(PulseForm, t.say(PulseForm))
		add(PulseRate, t.put(PulseRate, m.Rate.Hz()))
		add(PulseDuty, t.put(PulseDuty, 100*float64(m.Duty)))
		add(PulseWidth, t.put(PulseWidth, float64(m.Duty)/m.Rate.Hz()))
	}
	return units
}

func (s *source) modulate(m level.Modulation) []string {
	switch m.Kind {
	case level.AM:
		return []string{s.table.say(AMOn)}
	case level.Pulse:
		return []string{s.table.say(PulseOn)}
	}
	return nil
}

// tell sends commands, reads the state back with the given queries in the same message, and
// compares it with what was told.
func (s *source) tell(h *speech, units []string, verbs []Verb, want guard.Setting) error {
	base := s.known
	s.known = looked{} // until the source has confirmed
	answers, err := h.tellAndAsk(units, verbs...)
	if err != nil {
		return err
	}
	if err := s.learn(h, scpi.Join(append(slices.Clone(units), s.table.each(verbs...)...)...), verbs, answers,
		base); err != nil {
		return err
	}
	if err := s.fits(); err != nil {
		return err
	}
	return s.agrees(want)
}

// agrees compares what was read back with what was told.
func (s *source) agrees(want guard.Setting) error {
	if d := Differs(s.spec, want, s.known.Setting); d.What != "" {
		s.known = looked{}
		return &ReadBackError{s.name, d.What, d.Want, d.Read}
	}
	// What was told is what is known: the next comparison must not trip over the last digit.
	s.known.Modulation = spoken(want.Modulation)
	return nil
}

// prepared checks that a modulation is set as it will be when it goes on, or is on.
func (s *source) prepared(m level.Modulation) error {
	if s.isPrepared(m) {
		return nil
	}
	got := s.known.am
	if m.Kind == level.Pulse {
		got = s.known.pulse
	}
	s.known = looked{}
	return &ReadBackError{s.name, "the modulation", describe(m), describe(got)}
}

// isPrepared reports that depth, rate or duty were last read back as a modulation has them.
func (s *source) isPrepared(m level.Modulation) bool {
	if m.Kind == level.Pulse {
		return same(m, s.known.pulse)
	}
	return same(m, s.known.am)
}

func same(a, b level.Modulation) bool {
	near := func(a, b float64) bool {
		return math.Abs(a-b) <= fractionTolerance*max(math.Abs(a), math.Abs(b))
	}
	return a.Kind == b.Kind && near(float64(a.Depth), float64(b.Depth)) && near(float64(a.Duty), float64(b.Duty)) &&
		near(float64(a.Rate), float64(b.Rate))
}

func onOff(b bool) string {
	if b {
		return "on"
	}
	return "off"
}

func describe(m level.Modulation) string {
	switch m.Kind {
	case level.AM:
		return fmt.Sprintf("AM %v at %v", m.Depth, m.Rate)
	case level.Pulse:
		return fmt.Sprintf("pulse %v at %v", m.Duty, m.Rate)
	}
	return "CW"
}

// Lower sets a level that is not above the present one; otherwise the error wraps ErrWouldRaise.
func (s *source) Lower(ctx context.Context, to rf.Power) error { return s.lower(ctx, to, false) }

// Rest lowers the level and switches amplitude modulation off; a pulse stays on.
func (s *source) Rest(ctx context.Context, to rf.Power) error { return s.lower(ctx, to, true) }

func (s *source) lower(ctx context.Context, to rf.Power, rest bool) error {
	down, err := Settable(s.spec, to)
	if err != nil {
		return fmt.Errorf("%s: lower the level: %w", s.name, err)
	}
	return s.hold(ctx, func(h *speech) error {
		if err := s.lookIfLost(h); err != nil {
			return err
		}
		if err := s.fits(); err != nil {
			return err
		}
		if to.Exceeds(s.known.Level.Add(levelTolerance)) {
			return fmt.Errorf("%s: lower the level to %s while it is at %s: %w", s.name, to.Text(2),
				s.known.Level.Text(2), ErrWouldRaise)
		}
		h.Pin()
		want := s.known.Setting
		want.Level = down
		// Where modulation halves the carrier, switching it off doubles what is left if the level was refused.
		if !rest || want.Modulation.Kind != level.AM || s.halved(want.Modulation) > 0 {
			return s.tell(h, []string{s.level(down, want.Modulation)}, s.brief(), want)
		}
		want.Modulation = level.Modulation{Kind: level.CW}
		units := append([]string{s.level(down, want.Modulation)}, s.table.each(s.table.having(AMOff)...)...)
		return s.tell(h, units, s.whole(), want)
	})
}

// OutputOff switches the output off and reads it back. It does not wait for another user of the
// instrument that hangs, and when the instrument does not answer it says it a second time on a new
// connection. nil means that the source itself says that its output is off.
func (s *source) OutputOff(ctx context.Context) error {
	return switchOff(ctx, s.instrument, OutputOff, OutputAsk, func(h *speech) { s.known.Output = false })
}

// switchOff sends the command that silences and asks whether it is so. An entry of the error queue counts:
// a refused command leaves what was off before as off as it was. Somebody else's old entries do not: the
// first try reads the queue to its end, and the second one clears it before it says off.
func switchOff(ctx context.Context, i *instrument, off, ask Verb, done func(*speech)) error {
	once := func(ctx context.Context, say func(*speech) (string, error)) error {
		return i.holdUrgently(ctx, func(h *speech) error {
			answer, err := say(h)
			if err != nil {
				return err
			}
			on, err := scpi.ParseBool(answer)
			switch {
			case err != nil:
				return h.Garbage(i.table.say(ask), err)
			case on:
				return &ReadBackError{i.name, "the output", "off", "on"}
			}
			done(h)
			return nil
		})
	}
	first, cancel := forFirstTry(ctx)
	defer cancel()
	err := once(first, func(h *speech) (string, error) {
		a, err := h.tellAndAsk(i.table.each(off), ask)
		if err != nil {
			return "", err
		}
		return a[0], nil
	})
	if err == nil {
		return nil
	}
	// Said again with an empty queue; and one by one where no answer came: many an instrument drops the
	// rest of a message after what it does not know.
	again := once(ctx, func(h *speech) (string, error) {
		var refused *scpi.InstrumentError
		if !errors.As(err, &refused) || i.table.NoClear {
			return h.offAlone(i.table.say(off), ask)
		}
		a, err := h.tellAndAsk([]string{"*CLS", i.table.say(off)}, ask)
		if err != nil {
			return "", err
		}
		return a[0], nil
	})
	if again == nil {
		return nil
	}
	return errors.Join(err, again)
}

// forFirstTry returns a context with most of the time that is left, so that there is time for a second try.
func forFirstTry(ctx context.Context) (context.Context, context.CancelFunc) {
	deadline, ok := ctx.Deadline()
	if !ok {
		return context.WithCancel(ctx)
	}
	return context.WithTimeout(ctx, time.Duration(firstTry*float64(time.Until(deadline))))
}

// Minimum sets the lowest level of the bench file and reads it back, whatever load and unit the
// source is set for. nil means that the source itself says that it is at its minimum.
func (s *source) Minimum(ctx context.Context) error {
	if !s.spec.Minimum.Known() {
		return fmt.Errorf("%s: set the lowest level: the bench file gives no minimum", s.name)
	}
	return s.holdUrgently(ctx, func(h *speech) error {
		a := s.known.assumed
		if s.known.generation == 0 || a.load == "" {
			a = assumed{load: s.spec.Load, unit: "VPP"}
		}
		read, err := s.minimum(h, a)
		if err != nil && read != a && read.load != "" {
			// The number meant something else than was thought; now it is known what.
			_, err = s.minimum(h, read)
		}
		return err
	})
}

// minimum tries once, taking load and unit for granted. It returns the load and unit that it read.
func (s *source) minimum(h *speech, a assumed) (assumed, error) {
	base, verbs := s.known, s.brief()
	told := s.levelFor(s.spec.Minimum, a)
	s.known = looked{}
	answers, err := h.tellAndAsk([]string{told}, verbs...)
	if len(answers) != len(verbs) {
		return assumed{}, err
	}
	if bad := s.learn(h, told, verbs, answers, base); bad != nil {
		return assumed{}, errors.Join(err, bad)
	}
	got := s.known
	if base.generation != got.generation {
		s.known = looked{} // the modulation was not read under this connection
	}
	if got.Level.Exceeds(s.spec.Minimum.Add(levelTolerance + s.spec.Resolution/2)) {
		return got.assumed, errors.Join(err, &ReadBackError{s.name, "the level", s.spec.Minimum.Text(2),
			got.Level.Text(2)})
	}
	return got.assumed, err
}
