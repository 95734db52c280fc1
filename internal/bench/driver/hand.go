package driver

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"

	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// Prompt is something that a person at the bench is asked to set, to switch or to read.
type Prompt struct {
	Instrument string   // role and id: "source GEN1"
	Title      string   // in large words: "SET THE SOURCE"
	Lines      []string // what exactly, in the order in which to do it
	// Wants says what to answer: "done", "off", or a reading with its unit ("a level, for example
	// −27.4 dBm").
	Wants string
	// Doubt says why it is asked again.
	Doubt string
	// Urgent goes before every other prompt, and stays until it is answered: RF must go off.
	Urgent bool
}

// Person answers prompts. Ask shows a prompt and waits for the answer, which is what was typed without
// blanks around it; it returns the context's cause when that ends first.
type Person interface {
	Ask(ctx context.Context, p Prompt) (string, error)
}

// ErrDeclined is wrapped when the person answers that it cannot be done.
var ErrDeclined = errors.New("the operator says that it cannot be done")

// Answers to prompts that are neither a plain yes nor a reading.
const (
	AnswerOff = "off"
	answerNo  = "no"
)

func declined(answer string) bool {
	a := strings.ToLower(strings.TrimSpace(answer))
	return a == answerNo || a == "cannot" || a == "stop"
}

func agreed(answer string) bool {
	switch strings.ToLower(strings.TrimSpace(answer)) {
	case "", "ok", "done", "yes", "y", "set":
		return true
	}
	return false
}

// tries is how often a reading or a setting is asked for before it is given up.
const tries = 4

// HandSource is a generator that a person sets.
type HandSource struct {
	spec   catalog.Source
	person Person
	name   string

	mu    sync.Mutex
	known guard.Setting
	sure  bool // the operator has said what it is
}

// NewHandSource makes a source that a person sets. Nothing is known of it until it was switched off.
func NewHandSource(spec catalog.Source, p Person) *HandSource {
	return &HandSource{spec: spec, person: p, name: "source " + spec.ID}
}

// Identify returns the description of the bench file.
func (s *HandSource) Identify(context.Context) (string, error) {
	return strings.TrimSpace(s.spec.Description + " (set by hand)"), nil
}

// Close has nothing to close.
func (s *HandSource) Close() error { return nil }

// State is what the operator said last. It is an error before that.
func (s *HandSource) State(context.Context) (guard.SourceState, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.sure {
		return guard.SourceState{}, fmt.Errorf("%s is set by hand and nobody has said what it is set to", s.name)
	}
	return guard.SourceState{Setting: s.known, Settled: true}, nil
}

func (s *HandSource) now() guard.Setting {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.known
}

func (s *HandSource) become(to guard.Setting) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.known, s.sure = to, true
}

// doubtful notes that the person may have done half of what was asked.
func (s *HandSource) doubtful() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sure = false
}

// Apply asks the person to bring the source to the setting of the permission, in an order in which no
// step is louder than the louder of the two. The permission is used up when the prompt is shown.
func (s *HandSource) Apply(ctx context.Context, c guard.Cleared) error { return s.apply(ctx, c.Take) }

func (s *HandSource) apply(ctx context.Context, take func() (guard.Setting, error)) error {
	to, err := take()
	if err != nil {
		return err
	}
	set, err := Settable(s.spec, to.Level)
	if err != nil {
		return fmt.Errorf("%s: %w", s.name, err)
	}
	to.Level = set
	p := Prompt{Instrument: s.name, Title: "SET THE SOURCE", Lines: s.lines(s.now(), to),
		Wants: "done, or the level that it shows"}
	s.doubtful()
	for range tries {
		answer, err := s.person.Ask(ctx, p)
		if err != nil {
			return fmt.Errorf("%s: %w", s.name, err)
		}
		if declined(answer) {
			return fmt.Errorf("%s: %w", s.name, ErrDeclined)
		}
		if p.Doubt = s.checks(answer, to.Level); p.Doubt == "" {
			s.become(to)
			return nil
		}
	}
	return fmt.Errorf("%s: asked %d times: %s", s.name, tries, p.Doubt)
}

// checks compares what the source shows with what was asked; "" when it is right.
func (s *HandSource) checks(answer string, want rf.Power) string {
	if agreed(answer) {
		return ""
	}
	got, err := s.spec.ParseSetting(answer)
	if err != nil {
		return fmt.Sprintf("%v, or \"done\"", err)
	}
	d, _ := got.Minus(want)
	if math.Abs(d.DB()) > max(0.1, s.spec.Resolution.DB()) {
		return fmt.Sprintf("%s is %v from the %s that was asked", answer, d, s.spec.Setting(want))
	}
	return ""
}

// lines lists what to do, in a safe order.
func (s *HandSource) lines(from, to guard.Setting) []string {
	var out []string
	moves := from.Frequency != to.Frequency || from.To != to.To
	changed := spoken(from.Modulation) != spoken(to.Modulation)
	down := from.Output && from.Level.Exceeds(to.Level)
	lev := "level " + s.spec.Setting(to.Level)
	if down {
		out = append(out, lev)
	}
	if from.Output && changed && !from.Modulation.IsCW() {
		out = append(out, "modulation off")
	}
	switch {
	case to.To.Known() && moves:
		out = append(out, fmt.Sprintf("sweep from %v to %v, not started yet", to.Frequency, to.To))
	case moves:
		out = append(out, fmt.Sprintf("frequency %v", to.Frequency))
	}
	if changed || !from.Output {
		out = append(out, "modulation "+modulationInWords(to.Modulation))
	}
	if !down && (!from.Output || from.Level != to.Level) {
		out = append(out, lev)
	}
	if to.Output && !from.Output {
		out = append(out, "output ON")
	}
	if len(out) == 0 {
		out = append(out, "nothing to change")
	}
	return append(out, "then it shows: "+s.shows(to))
}

// shows is the whole setting as the source's display has it then: a person who comes back to it compares that.
func (s *HandSource) shows(x guard.Setting) string {
	at := x.Frequency.String()
	if x.To.Known() {
		at += fmt.Sprintf(" to %v", x.To)
	}
	out := "output off"
	if x.Output {
		out = "output ON"
	}
	return strings.Join([]string{at, s.spec.Setting(x.Level), "modulation " + describe(spoken(x.Modulation)), out},
		"; ")
}

func modulationInWords(m level.Modulation) string {
	if m.IsCW() {
		return "off (CW)"
	}
	return describe(spoken(m)) + ", with the carrier at the level named here"
}

// Lower asks for a level that is not above the present one.
func (s *HandSource) Lower(ctx context.Context, to rf.Power) error {
	down, err := Settable(s.spec, to)
	if err != nil {
		return fmt.Errorf("%s: lower the level: %w", s.name, err)
	}
	now := s.now()
	if to.Exceeds(now.Level.Add(levelTolerance)) {
		return fmt.Errorf("%s: lower the level to %s while it is at %s: %w", s.name, to.Text(2), now.Level.Text(2),
			ErrWouldRaise)
	}
	then := now
	then.Level = down
	if err := s.simple(ctx, "LOWER THE LEVEL", "level "+s.spec.Setting(down),
		"then it shows: "+s.shows(then)); err != nil {
		return err
	}
	now.Level = down
	s.become(now)
	return nil
}

// Rest asks for a lower level, and for amplitude modulation to be switched off then.
func (s *HandSource) Rest(ctx context.Context, to rf.Power) error {
	if err := s.Lower(ctx, to); err != nil {
		return err
	}
	now := s.now()
	if now.Modulation.Kind != level.AM {
		return nil
	}
	then := now
	then.Modulation = level.Modulation{Kind: level.CW}
	if err := s.simple(ctx, "SWITCH MODULATION OFF", "modulation off (CW)",
		"then it shows: "+s.shows(then)); err != nil {
		return err
	}
	now.Modulation = then.Modulation
	s.become(now)
	return nil
}

func (s *HandSource) simple(ctx context.Context, title string, lines ...string) error {
	s.doubtful()
	answer, err := s.person.Ask(ctx, Prompt{Instrument: s.name, Title: title, Lines: lines, Wants: "done"})
	switch {
	case err != nil:
		return fmt.Errorf("%s: %w", s.name, err)
	case declined(answer):
		return fmt.Errorf("%s: %w", s.name, ErrDeclined)
	}
	return nil
}

// OutputOff asks, before anything else, for the source to be switched off, and is nil only when the
// person has typed "off".
func (s *HandSource) OutputOff(ctx context.Context) error {
	s.mu.Lock()
	done := s.sure && !s.known.Output
	s.mu.Unlock()
	if done {
		return nil
	}
	s.doubtful()
	p := Prompt{Instrument: s.name, Title: "SWITCH RF OFF NOW", Urgent: true, Wants: AnswerOff,
		Lines: []string{"output of " + s.spec.ID + " OFF", "if it does not go off: " + s.spec.HardwareOff,
			"then its level to the lowest: " + s.spec.Setting(s.spec.Minimum)}}
	for {
		answer, err := s.person.Ask(ctx, p)
		if err != nil {
			return fmt.Errorf("%s is switched off by hand and nobody has confirmed it: %w", s.name, err)
		}
		if strings.EqualFold(answer, AnswerOff) {
			now := s.now()
			now.Output, now.Level = false, s.spec.Minimum
			s.become(now)
			return nil
		}
		p.Doubt = fmt.Sprintf("%q does not say that it is off: type off", answer)
	}
}

// Minimum is done together with switching off.
func (s *HandSource) Minimum(context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.sure && !s.known.Output {
		return nil
	}
	return fmt.Errorf("%s is set by hand", s.name)
}

// handAnalyser is an analyser that a person sets and reads.
type handAnalyser struct {
	spec   catalog.Analyser
	person Person
	name   string

	mu    sync.Mutex
	want  AnalyserSetup
	volts bool // it shows dBµV, by the last answer
}

// NewHandAnalyser makes an analyser that a person reads. Its floor and mixer limit must be known.
func NewHandAnalyser(spec catalog.Analyser, p Person) (Analyser, error) {
	if !spec.Floor.Known() || !spec.MixerLimit.Known() {
		return nil,
			fmt.Errorf("analyser %s: the bench file gives no floor or no mixer limit, so that a reading cannot be "+
				"told from noise or overload", spec.ID)
	}
	return &handAnalyser{spec: spec, person: p, name: "analyser " + spec.ID}, nil
}

// Identify returns the description of the bench file.
func (a *handAnalyser) Identify(context.Context) (string, error) {
	return strings.TrimSpace(a.spec.Description + " (read by eye)"), nil
}

// Close has nothing to close.
func (a *handAnalyser) Close() error { return nil }

// Setup says what the next reading is to be; the person is told with it.
func (a *handAnalyser) Setup(_ context.Context, s AnalyserSetup) error {
	if !a.spec.Band.Contains(s.Frequency) {
		return fmt.Errorf("%s: set up at %v: outside its band of %v to %v", a.name, s.Frequency, a.spec.Band.Low,
			a.spec.Band.High)
	}
	a.mu.Lock()
	a.want = s
	a.mu.Unlock()
	return nil
}

// Trace needs an instrument that answers.
func (a *handAnalyser) Trace(context.Context) (Trace, error) {
	return Trace{}, fmt.Errorf("%s is read by eye: export its trace and join it with provoke trace", a.name)
}

// Read asks for the level. A reading that the budget does not expect is asked for a second time.
func (a *handAnalyser) Read(ctx context.Context) (rf.Power, error) {
	a.mu.Lock()
	s, in := a.want, shownIn(a.volts)
	a.mu.Unlock()
	lines := []string{fmt.Sprintf("centre %v, zero span or peak search", s.Frequency),
		"attenuator 0 dB, as the bench file's ratings assume"}
	if s.Bandwidth.Known() {
		lines = append(lines, fmt.Sprintf("resolution bandwidth %v", s.Bandwidth))
	}
	if s.ReferenceLevel.Known() {
		lines = append(lines, "reference level above "+in(s.ReferenceLevel))
	}
	p := Prompt{Instrument: a.name, Title: "READ THE ANALYSER", Lines: lines,
		Wants: fmt.Sprintf("the level with its unit as it shows it, for example %s; \"overload\", or \"< %s\" for "+
			"noise", in(rf.DBm(-27.4)), in(rf.DBm(-90)))}
	level, volts, err := askLevel(ctx, a.person, p, s.Low, s.High)
	if err != nil {
		return rf.Power{}, fmt.Errorf("%s: %w", a.name, err)
	}
	a.mu.Lock()
	a.volts = volts
	a.mu.Unlock()
	if level.Bound() == rf.AtLeast {
		return a.spec.MixerLimit.WithBound(rf.AtLeast), nil
	}
	return chain.Bounded(level, a.spec.Floor, a.spec.MixerLimit, false), nil
}

// noise is the floor of the bench file, raised by as much as the person may have taken a wider
// bandwidth.
func (a *handAnalyser) noise() rf.Power { return a.spec.Floor.Add(handBandwidth) }

// handBandwidth is how much the floor rises when a person takes a bandwidth a hundred times as wide.
const handBandwidth rf.Gain = 20

// implausible is how far beyond the budget's range a reading may lie before it is asked for again.
const implausible rf.Gain = 6

// shownIn prints a level in the unit that the instrument shows.
func shownIn(volts bool) func(rf.Power) string {
	return func(p rf.Power) string {
		if volts {
			return rf.VoltageAcross(p, rf.Z0).String()
		}
		return p.String()
	}
}

// askLevel asks for a level into 50 Ω until one comes that is plausible, or that is given twice. volts says that it
// was given as a voltage.
func askLevel(ctx context.Context, person Person, p Prompt, low, high rf.Power) (got rf.Power, volts bool, err error) {
	before := rf.Power{}
	for range tries {
		answer, err := person.Ask(ctx, p)
		if err != nil {
			return rf.Power{}, false, err
		}
		if declined(answer) {
			return rf.Power{}, false, ErrDeclined
		}
		if got, volts, err = parseReading(answer); err != nil {
			p.Doubt = err.Error()
			continue
		}
		if p.Doubt = doubt(got, low, high, shownIn(volts)); p.Doubt == "" {
			return got, volts, nil
		}
		if d, _ := got.Minus(before); before.Known() && math.Abs(d.DB()) < 0.05 {
			return got, volts, nil // it was read twice
		}
		before = got
	}
	return rf.Power{}, false, fmt.Errorf("asked %d times for a reading: %s", tries, p.Doubt)
}

// doubt says why a reading is not plausible; "" when it is, or when nothing is expected.
func doubt(got, low, high rf.Power, in func(rf.Power) string) string {
	if got.Bound() != rf.Exactly || !got.Known() {
		return ""
	}
	if high.Known() && got.Above(high.Add(implausible)) {
		d, _ := got.Minus(high)
		return fmt.Sprintf("%s is %v above the most that the budget expects (%s): right number, right unit? type it "+
			"again", in(got), d, in(high))
	}
	if low.Known() && low.Sub(implausible).Above(got) {
		d, _ := low.Minus(got)
		return fmt.Sprintf("%s is %v below the least that the budget expects (%s): right number, right unit? type it "+
			"again", in(got), d, in(low))
	}
	return ""
}

// parseReading reads what a person typed: "-27.4 dBm", "79.6 dBµV", "overload", "< -90 dBm".
func parseReading(answer string) (p rf.Power, volts bool, err error) {
	text := strings.TrimSpace(answer)
	switch strings.ToLower(text) {
	case "overload", "over", "ovl", "ol":
		return rf.DBm(0).WithBound(rf.AtLeast), false, nil
	case "":
		return rf.Power{}, false, errors.New("a reading is wanted, with its unit")
	}
	rest, below := strings.CutPrefix(text, "<")
	rest = strings.TrimSpace(rest)
	if p, err = rf.Parse[rf.Watt](rest); err != nil {
		v, verr := rf.Parse[rf.Volt](rest)
		if verr != nil {
			return rf.Power{}, false, err
		}
		p, volts = rf.PowerInto(v, rf.Z0), true
	}
	if !p.Known() {
		return rf.Power{}, false, fmt.Errorf("%q is no level", answer)
	}
	if below {
		p = p.WithBound(rf.AtMost)
	}
	return p, volts, nil
}

// handPowerMeter is a power meter that a person reads.
type handPowerMeter struct {
	spec   catalog.PowerMeter
	person Person
}

// NewHandPowerMeter makes a power meter that a person reads.
func NewHandPowerMeter(spec catalog.PowerMeter, p Person) (PowerMeter, error) {
	if !spec.Floor.Known() || !spec.MaximumInput.Known() {
		return nil,
			fmt.Errorf("power meter %s: the bench file gives no floor or no maximum input, so that a reading cannot "+
				"be told from noise or overload", spec.ID)
	}
	return &handPowerMeter{spec, p}, nil
}

// Identify returns the description of the bench file.
func (m *handPowerMeter) Identify(context.Context) (string, error) {
	return strings.TrimSpace(m.spec.Description + " (read by eye)"), nil
}

// Close has nothing to close.
func (m *handPowerMeter) Close() error { return nil }

// Read asks for both ports, one after the other.
func (m *handPowerMeter) Read(ctx context.Context, f rf.Frequency) (forward, reverse rf.Power, err error) {
	for _, port := range []struct {
		name string
		into *rf.Power
	}{{"FORWARD", &forward}, {"REVERSE", &reverse}} {
		p := Prompt{Instrument: "power meter " + m.spec.ID, Title: "READ " + port.name + " POWER",
			Lines: []string{fmt.Sprintf("frequency %v", f)},
			Wants: "the power with its unit as the meter shows it, for example −12.3 dBm"}
		got, _, err := askLevel(ctx, m.person, p, rf.Power{}, rf.Power{})
		if err != nil {
			return forward, reverse, fmt.Errorf("power meter %s: %w", m.spec.ID, err)
		}
		*port.into = chain.Bounded(got, m.spec.Floor, m.spec.MaximumInput, false)
	}
	return forward, reverse, nil
}

// handMeter is a meter on the DUT that a person reads.
type handMeter struct {
	spec   catalog.Monitor
	person Person
}

// NewHandMeter makes the meter of a monitor that a person reads.
func NewHandMeter(spec catalog.Monitor, p Person) Meter { return &handMeter{spec, p} }

// Identify returns the description of the bench file.
func (m *handMeter) Identify(context.Context) (string, error) {
	return strings.TrimSpace(m.spec.Description + " (read by eye)"), nil
}

// Close has nothing to close.
func (m *handMeter) Close() error { return nil }

// Read asks for the reading, in the monitor's unit, and returns it in the unit's base.
func (m *handMeter) Read(ctx context.Context) (float64, error) {
	p := Prompt{Instrument: "meter " + m.spec.ID, Title: "READ THE PRODUCT'S METER",
		Lines: []string{m.spec.Description}, Wants: "the reading in " + m.spec.Unit}
	for range tries {
		answer, err := m.person.Ask(ctx, p)
		if err != nil {
			return 0, err
		}
		text := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(answer), m.spec.Unit))
		var x float64
		if n, err := fmt.Sscanf(strings.Replace(strings.NewReplacer("−", "-").Replace(text), ",", ".", 1), "%g",
			&x); n == 1 && err == nil && !math.IsNaN(x) && !math.IsInf(x, 0) {
			return x / catalog.PerBaseUnit(m.spec.Unit), nil
		}
		p.Doubt = fmt.Sprintf("%q is no number", answer)
	}
	return 0, fmt.Errorf("meter %s: %s", m.spec.ID, p.Doubt)
}

// handAmplifier is an amplifier whose operate switch a person turns.
type handAmplifier struct {
	name   string
	person Person
}

// AskToOperate asks for an amplifier without a remote interface to be taken to operate. The source must
// have been read back as off.
func AskToOperate(ctx context.Context, spec catalog.Amplifier, p Person) error {
	a := handAmplifier{"amplifier " + spec.ID, p}
	answer, err := a.person.Ask(ctx, Prompt{Instrument: a.name, Title: "TAKE THE AMPLIFIER TO OPERATE",
		Lines: []string{"the source is off now", spec.ID + " to operate"}, Wants: "done"})
	switch {
	case err != nil:
		return fmt.Errorf("%s: %w", a.name, err)
	case declined(answer):
		return fmt.Errorf("%s: %w", a.name, ErrDeclined)
	}
	return nil
}
