package driver

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"

	"provoke/internal/bench/guard"
	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

func upper(s string) string { return strings.ToUpper(strings.TrimSpace(s)) }

type amplifier struct{ *instrument }

// OpenAmplifier connects to an amplifier with a remote standby. It changes nothing.
func OpenAmplifier(ctx context.Context, spec catalog.Amplifier, o Options) (Amplifier, error) {
	i, err := open(ctx, RoleAmplifier, spec.ID, spec.Connection, "", o)
	if err != nil {
		return nil, err
	}
	return &amplifier{i}, nil
}

// Operate takes the amplifier out of standby; the permission is one to operate.
func (a *amplifier) Operate(ctx context.Context, c guard.Cleared) error {
	return a.operate(ctx, c.TakeOperate)
}

func (a *amplifier) operate(ctx context.Context, take func() error) error {
	return a.hold(ctx, func(h *speech) error {
		if err := h.Connect(); err != nil {
			return err
		}
		h.Pin()
		if err := take(); err != nil {
			return err
		}
		answers, err := h.tellAndAsk(a.table.each(Operate), OperateAsk)
		if err != nil {
			return err
		}
		on, err := scpi.ParseBool(answers[0])
		if err != nil {
			return h.Garbage(a.table.say(OperateAsk), err)
		}
		if !on {
			return &ReadBackError{a.name, "the amplifier", "operate", "standby"}
		}
		return nil
	})
}

// Standby takes the amplifier to standby and reads it back; nil means that it says so itself.
func (a *amplifier) Standby(ctx context.Context) error {
	return switchOff(ctx, a.instrument, Standby, OperateAsk, func(*speech) {})
}

// Operating asks whether the amplifier operates.
func (a *amplifier) Operating(ctx context.Context) (on bool, err error) {
	err = a.hold(ctx, func(h *speech) error {
		on, err = askBool(h, OperateAsk)
		return err
	})
	return on, err
}

func askBool(h *speech, v Verb) (bool, error) {
	answer, err := h.askOne(v)
	if err != nil {
		return false, err
	}
	on, err := scpi.ParseBool(answer)
	if err != nil {
		return false, h.Garbage(h.table.say(v), err)
	}
	return on, nil
}

// analyserState is everything that an analyser is told.
type analyserState struct {
	centre    float64 // Hz
	bandwidth float64 // Hz
	reference float64 // dBm
}

type analyser struct {
	*instrument
	spec catalog.Analyser

	mu   sync.Mutex
	want analyserState
	set  bool // Setup was called

	have           analyserState // owned by whoever holds conn
	haveGeneration uint64        // 0: nothing is known
}

// OpenAnalyser connects to a spectrum analyser. Its floor and mixer limit must be known, or no
// reading could be told from noise or from an overload.
func OpenAnalyser(ctx context.Context, spec catalog.Analyser, o Options) (Analyser, error) {
	if !spec.Floor.Known() || !spec.MixerLimit.Known() {
		return nil,
			fmt.Errorf("open analyser %s: the bench file gives no floor or no mixer limit, so that a reading cannot "+
				"be told from noise or overload", spec.ID)
	}
	i, err := open(ctx, RoleAnalyser, spec.ID, spec.Connection, "", o)
	if err != nil {
		return nil, err
	}
	return &analyser{instrument: i, spec: spec}, nil
}

// Setup says what the next reading is to be. It is sent together with that reading, as far as it
// differs from what the analyser was told before, and its faults show there. The input attenuator
// is set to 0 dB, to which the bench file's floor and mixer limit belong: the pads in front are what
// attenuates. The reference level is rounded up to 5 dB, and not taken lower than 40 dB above the
// floor or higher than 10 dB above the mixer limit, where readings are bounds anyway. An absent
// bandwidth means the narrowest, an absent reference level the mixer limit.
func (a *analyser) Setup(_ context.Context, s AnalyserSetup) error {
	if !a.spec.Band.Contains(s.Frequency) {
		return fmt.Errorf("%s: set up at %v: outside its band of %v to %v", a.name, s.Frequency, a.spec.Band.Low,
			a.spec.Band.High)
	}
	if !s.ReferenceLevel.Known() {
		s.ReferenceLevel = a.spec.MixerLimit
	}
	bw := s.Bandwidth
	if !bw.Known() {
		bw = a.narrowest()
	}
	if !bw.Known() {
		return fmt.Errorf("%s: set up at %v: neither the caller nor the bench file gives a resolution bandwidth",
			a.name, s.Frequency)
	}
	reference := min(max(s.ReferenceLevel.In(), a.spec.Floor.In()+40), a.spec.MixerLimit.In()+10)
	a.mu.Lock()
	a.want = analyserState{centre: s.Frequency.Hz(), bandwidth: bw.Hz(), reference: 5 * math.Ceil(reference/5-1e-9)}
	a.set = true
	a.mu.Unlock()
	return nil
}

func (a *analyser) narrowest() rf.Frequency {
	var least rf.Frequency
	for _, b := range a.spec.Bandwidths {
		if b.Known() && (least == 0 || b < least) {
			least = b
		}
	}
	return least
}

// floor is the displayed noise, which rises with the bandwidth.
func (a *analyser) floor(s analyserState) rf.Power {
	n := a.narrowest()
	if !n.Known() {
		return a.spec.Floor
	}
	return a.spec.Floor.Add(rf.GainOfPowerRatio(s.bandwidth / n.Hz()))
}

// pending returns what has to be told before a reading, and what will be true then.
func (a *analyser) pending(h *speech) ([]string, analyserState, error) {
	a.mu.Lock()
	want, set := a.want, a.set
	a.mu.Unlock()
	if !set {
		return nil, want, fmt.Errorf("%s: read before it was set up", a.name)
	}
	if err := h.Connect(); err != nil {
		return nil, want, err
	}
	all := a.haveGeneration != h.Generation()
	var units []string
	tell := func(v Verb, x, old float64) {
		if all || x != old {
			units = append(units, a.table.put(v, x))
		}
	}
	if all {
		units = append(units, a.table.each(a.table.having(ZeroSpan, SingleSweep, TraceFormat, Detector)...)...)
		if a.table.has(Attenuation) {
			units = append(units, a.table.put(Attenuation, 0))
		}
	}
	if a.table.has(Frequency) {
		tell(Frequency, want.centre, a.have.centre)
	}
	if a.table.has(Bandwidth) {
		tell(Bandwidth, want.bandwidth, a.have.bandwidth)
	}
	if a.table.has(Span) {
		tell(Span, spanOf(want), spanOf(a.have))
	}
	if a.table.has(ReferenceLevel) {
		tell(ReferenceLevel, want.reference, a.have.reference)
	}
	if a.table.has(MeasuringTime) { // long enough for the bandwidth to settle: 10/B, at least a millisecond
		settles := func(s analyserState) float64 { return max(1e-3, 10/max(s.bandwidth, 1)) }
		tell(MeasuringTime, settles(want), settles(a.have))
	}
	a.haveGeneration = 0 // until the analyser has accepted it
	return units, want, nil
}

// spanOf is the span in which a peak is searched: twenty bandwidths.
func spanOf(s analyserState) float64 { return 20 * s.bandwidth }

// measuring lists what takes one measurement: units in their order and the queries among them.
func (a *analyser) measuring() (units []string, queries []Verb) {
	t := a.table
	if t.has(Sweep) {
		units = append(units, t.say(Sweep))
		if t.isQuestion(t.say(Sweep)) {
			queries = append(queries, Sweep)
		}
	}
	units = append(units, t.each(t.having(PeakSearch)...)...)
	for _, v := range t.having(ReadAsk, MarkerFrequencyAsk, OverloadAsk) {
		units, queries = append(units, t.say(v)), append(queries, v)
	}
	return units, queries
}

func (a *analyser) accepted(h *speech, s analyserState) {
	a.have, a.haveGeneration = s, h.Generation()
}

// Read sets up what has changed, measures once and returns the level at the input.
func (a *analyser) Read(ctx context.Context) (out rf.Power, err error) {
	err = a.hold(ctx, func(h *speech) error {
		units, state, err := a.pending(h)
		if err != nil {
			return err
		}
		h.Pin()
		ask, verbs := a.measuring()
		answers, err := h.Ask(len(verbs), append(units, ask...)...)
		if answers, err = h.picked(verbs, answers, err); err != nil {
			return err
		}
		heard := map[Verb]string{}
		for i, v := range verbs {
			heard[v] = answers[i]
		}
		if out, err = a.parse(heard, state); err != nil {
			return h.Garbage(scpi.Join(ask...), err)
		}
		a.accepted(h, state)
		return nil
	})
	return out, err
}

// parse turns the answers of one measurement into a level with its bound.
func (a *analyser) parse(heard map[Verb]string, s analyserState) (rf.Power, error) {
	overloaded := false
	if answer, ok := heard[OverloadAsk]; ok {
		bits, err := scpi.ParseNumber(answer)
		if err != nil || bits != math.Trunc(bits) || bits < 0 || bits > 65535 {
			return rf.Power{}, fmt.Errorf("%w: the overload register reads %q", scpi.ErrGarbage, answer)
		}
		overloaded = bits != 0
		if m := a.table.OverloadBits; m != 0 {
			overloaded = int(bits)&m != 0
		}
	}
	x, err := scpi.ParseNumber(heard[ReadAsk])
	var over *scpi.OverRange
	switch {
	case errors.As(err, &over) && !over.Negative:
		return a.spec.MixerLimit.WithBound(rf.AtLeast), nil
	case errors.As(err, &over):
		return chain.Bounded(a.floor(s), a.floor(s), a.spec.MixerLimit, overloaded), nil
	case err != nil:
		return rf.Power{}, fmt.Errorf("the level reads %q: %w", heard[ReadAsk], err)
	}
	p, err := a.table.levelOf(ReadAsk, x)
	if err != nil {
		return rf.Power{}, fmt.Errorf("%w: %w", scpi.ErrGarbage, err)
	}
	if a.table.NoOverload && a.table.takes(ReferenceLevel) && p.Exceeds(rf.DBm(s.reference)) {
		overloaded = true // above the top of the screen nothing is known
	}
	out := chain.Bounded(p, a.floor(s), a.spec.MixerLimit, overloaded)
	return a.besidePeak(out, heard, s)
}

// besidePeak looks at where a searched peak was: one that is not at the centre bounds what is there.
func (a *analyser) besidePeak(p rf.Power, heard map[Verb]string, s analyserState) (rf.Power, error) {
	answer, ok := heard[MarkerFrequencyAsk]
	if !ok {
		return p, nil
	}
	x, err := scpi.ParseNumber(answer)
	if err == nil {
		x, err = a.table.answered(MarkerFrequencyAsk, x)
	}
	if err != nil {
		return rf.Power{}, fmt.Errorf("%w: the peak's frequency reads %q", scpi.ErrGarbage, answer)
	}
	if math.Abs(x-s.centre) > 3*s.bandwidth && p.Bound() != rf.AtLeast {
		return p.WithBound(rf.AtMost), nil
	}
	return p, nil
}

type powerMeter struct {
	*instrument
	spec catalog.PowerMeter

	frequency  float64 // owned by whoever holds conn
	generation uint64
}

// OpenPowerMeter connects to a two-channel power meter. Its floor and maximum input must be known.
func OpenPowerMeter(ctx context.Context, spec catalog.PowerMeter, o Options) (PowerMeter, error) {
	if !spec.Floor.Known() || !spec.MaximumInput.Known() {
		return nil,
			fmt.Errorf("open power meter %s: the bench file gives no floor or no maximum input, so that a reading "+
				"cannot be told from noise or overload", spec.ID)
	}
	i, err := open(ctx, RolePowerMeter, spec.ID, spec.Connection, "", o)
	if err != nil {
		return nil, err
	}
	return &powerMeter{instrument: i, spec: spec}, nil
}

// Read reads both ports; see chain.Bounded for what a bound means. The error query at the end of the message
// tells that the two answers came in their order.
func (m *powerMeter) Read(ctx context.Context, f rf.Frequency) (forward, reverse rf.Power, err error) {
	if !f.Known() {
		return forward, reverse, fmt.Errorf("%s: read without a frequency", m.name)
	}
	err = m.hold(ctx, func(h *speech) error {
		if err := h.Connect(); err != nil {
			return err
		}
		fresh := m.generation == h.Generation() && m.frequency == f.Hz()
		m.generation = 0
		h.Pin()
		told := ""
		if !fresh {
			told = m.tuned(f)
		}
		answers, err := h.tellAndAsk([]string{told}, ForwardAsk, ReverseAsk)
		if err != nil {
			return err
		}
		for i, into := range []*rf.Power{&forward, &reverse} {
			v := []Verb{ForwardAsk, ReverseAsk}[i]
			if *into, err = m.parse(v, answers[i]); err != nil {
				return h.Garbage(m.table.say(v), err)
			}
		}
		m.frequency, m.generation = f.Hz(), h.Generation()
		return nil
	})
	return forward, reverse, err
}

// tuned tells the frequency, where the meter wants to know it.
func (m *powerMeter) tuned(f rf.Frequency) string {
	if !m.table.has(Frequency) {
		return ""
	}
	return m.table.put(Frequency, f.Hz())
}

func (m *powerMeter) parse(v Verb, answer string) (rf.Power, error) {
	x, err := scpi.ParseNumber(answer)
	var over *scpi.OverRange
	switch {
	case errors.As(err, &over) && over.Negative:
		return m.spec.Floor.WithBound(rf.AtMost), nil
	case errors.As(err, &over):
		return m.spec.MaximumInput.WithBound(rf.AtLeast), nil
	case err != nil:
		return rf.Power{}, fmt.Errorf("the power reads %q: %w", answer, err)
	}
	p, err := m.table.levelOf(v, x)
	if err != nil {
		return rf.Power{}, fmt.Errorf("%w: %w", scpi.ErrGarbage, err)
	}
	if p.Absent() { // less than nothing after the meter took its zero off
		p = m.spec.Floor
	}
	return chain.Bounded(p, m.spec.Floor, m.spec.MaximumInput, false), nil
}

type meter struct {
	*instrument
	query string
}

// OpenMeter connects to the meter that watches a device under test. The monitor's own query comes
// before the table's.
func OpenMeter(ctx context.Context, spec catalog.Monitor, o Options) (Meter, error) {
	i, err := open(ctx, RoleMeter, spec.ID, spec.Connection, "", o)
	if err != nil {
		return nil, err
	}
	q := spec.Query
	if q == "" {
		q = i.table.say(ReadAsk)
	}
	return &meter{i, q}, nil
}

// Read returns the reading. The error wraps scpi.ErrOverRange or scpi.ErrInvalid where the meter
// answers that it has none.
func (m *meter) Read(ctx context.Context) (value float64, err error) {
	err = m.hold(ctx, func(h *speech) error {
		answer, err := h.Query(m.query)
		if err == nil && m.query == m.table.say(ReadAsk) {
			answer, err = m.table.picked(ReadAsk, answer)
		}
		if errors.Is(err, scpi.ErrPoisoned) {
			return err
		}
		if err == nil {
			value, err = scpi.ParseNumber(answer)
		}
		if err == nil {
			value, err = m.table.answered(ReadAsk, value)
		}
		if errors.Is(err, scpi.ErrGarbage) {
			return h.Garbage(m.query, err)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", m.name, err)
		}
		return nil
	})
	return value, err
}

type interlock struct{ *instrument }

// OpenInterlock connects to the input that must read closed while RF is on.
func OpenInterlock(ctx context.Context, spec catalog.Interlock, o Options) (Interlock, error) {
	i, err := open(ctx, RoleInterlock, spec.ID, spec.Connection, "", o)
	if err != nil {
		return nil, err
	}
	return &interlock{i}, nil
}

// Closed reads the input. Anything but a clear yes is not closed.
func (i *interlock) Closed(ctx context.Context) (closed bool, err error) {
	err = i.hold(ctx, func(h *speech) error {
		closed, err = askBool(h, ClosedAsk)
		return err
	})
	return closed && err == nil, err
}

// FloorWitness measures with an analyser whether RF is gone: quiet is a level within 10 dB of the
// analyser's floor. A bound that lies above that, as of a peak beside the frequency, is not quiet. At
// says where to look, which is where RF was last.
func FloorWitness(a Analyser, at func() AnalyserSetup) guard.Witness { return witness{a, at} }

type witness struct {
	analyser Analyser
	at       func() AnalyserSetup
}

// Quiet measures once.
func (w witness) Quiet(ctx context.Context) (string, bool, error) {
	s := w.at()
	if err := w.analyser.Setup(ctx, s); err != nil {
		return "", false, err
	}
	p, err := w.analyser.Read(ctx)
	if err != nil {
		return "", false, err
	}
	quiet := p.IsOff() || p.Bound() == rf.AtMost
	if a, ok := w.analyser.(interface{ noise() rf.Power }); ok && quiet && p.Known() {
		quiet = !p.Exceeds(a.noise().Add(chain.NearFloor))
	}
	return fmt.Sprintf("%v at %v", p, s.Frequency), quiet, nil
}

// noise is the floor of the reading that was set up last.
func (a *analyser) noise() rf.Power {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.floor(a.want)
}
