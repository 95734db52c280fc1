package driver

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"

	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// Verb is one thing that an instrument of a role can be told or asked. A verb that ends in a
// question mark is a query.
type Verb string

// The verbs of all roles.
const (
	Identify Verb = "identify?"
	Complete Verb = "complete?" // answers 1 once everything sent before is done

	Frequency    Verb = "frequency" // {} in Hz
	FrequencyAsk Verb = "frequency?"

	Level        Verb = "level" // {} in the unit that the table counts in
	LevelAsk     Verb = "level?"
	UnitAsk      Verb = "unit?" // a source that counts in volts: VPP, VRMS or DBM
	LoadAsk      Verb = "load?" // a source that counts in volts: ohm, or infinity
	OutputOn     Verb = "output on"
	OutputOff    Verb = "output off"
	OutputAsk    Verb = "output?"
	AMInternal   Verb = "am internal"
	AMDepth      Verb = "am depth" // {} in per cent
	AMDepthAsk   Verb = "am depth?"
	AMRate       Verb = "am rate" // {} in Hz
	AMRateAsk    Verb = "am rate?"
	AMOn         Verb = "am on"
	AMOff        Verb = "am off"
	AMAsk        Verb = "am?"
	PulseRate    Verb = "pulse rate" // {} in Hz
	PulseRateAsk Verb = "pulse rate?"
	PulseDuty    Verb = "pulse duty" // {} in per cent
	PulseDutyAsk Verb = "pulse duty?"
	PulseOn      Verb = "pulse on"
	PulseOff     Verb = "pulse off"
	PulseAsk     Verb = "pulse?"
	// A source that takes a width in place of a duty.
	PulseWidth    Verb = "pulse width" // {} in s
	PulseWidthAsk Verb = "pulse width?"
	AMForm        Verb = "am form"   // chooses a sine as modulating waveform
	AMPoints      Verb = "am points" // {} is one period of a sine, for a source that takes an arbitrary one
	PulseForm     Verb = "pulse form"
	OffsetAsk     Verb = "offset?" // direct voltage of a function generator, which must be 0 V

	// What the last user may have left on, which makes something else of a carrier.
	Preset         Verb = "preset" // told with the output off and the amplifier in standby
	WaveformSine   Verb = "waveform sine"
	WaveformAsk    Verb = "waveform?"
	SweepOff       Verb = "sweep off" // or the list, or the frequency's mode
	SweepAsk       Verb = "sweep?"
	BurstOff       Verb = "burst off"
	BurstAsk       Verb = "burst?"
	FMOff          Verb = "fm off"
	FMAsk          Verb = "fm?"
	PMOff          Verb = "pm off"
	PMAsk          Verb = "pm?"
	AMSourceAsk    Verb = "am source?"
	PulseInternal  Verb = "pulse internal"
	PulseSourceAsk Verb = "pulse source?"

	// What a source holds by itself, whatever it is told afterwards.
	OutputLimit    Verb = "output limit" // {} in the unit that the table counts in
	OutputLimitAsk Verb = "output limit?"
	LimitOn        Verb = "limit on"
	LimitOnAsk     Verb = "limit on?"
	OffWhenLost    Verb = "off when lost" // the output goes off when the connection is lost
	OffWhenLostAsk Verb = "off when lost?"

	Operate    Verb = "operate"
	Standby    Verb = "standby"
	OperateAsk Verb = "operate?"
	// Asked together with the state while RF is on, where the table has them.
	FaultAsk    Verb = "fault?"     // 0, OFF, NONE or OK for none; anything else is a fault
	GainModeAsk Verb = "gain mode?" // any word: it may not change while the run is armed

	ZeroSpan       Verb = "zero span"
	Bandwidth      Verb = "bandwidth"       // {} in Hz
	ReferenceLevel Verb = "reference level" // {} in dBm
	Attenuation    Verb = "attenuation"     // {} in dB
	SingleSweep    Verb = "single sweep"
	ReadAsk        Verb = "read?"     // one new measurement
	OverloadAsk    Verb = "overload?" // condition register of the power summary
	TraceFormat    Verb = "trace format"
	TraceAsk       Verb = "trace?"
	TraceStartAsk  Verb = "trace start?"
	TraceStopAsk   Verb = "trace stop?"
	TracePointsAsk Verb = "trace points?"
	Span           Verb = "span" // {} in Hz; an analyser that searches the highest peak
	PeakSearch     Verb = "peak search"
	Sweep          Verb = "sweep" // takes one sweep; may be a query that answers when it is done
	// MarkerFrequency is where the peak was found.
	MarkerFrequency    Verb = "marker frequency"
	MarkerFrequencyAsk Verb = "marker frequency?"
	Detector           Verb = "detector"       // chooses the detector that reads a carrier
	MeasuringTime      Verb = "measuring time" // {} in s

	ForwardAsk Verb = "forward?" // dBm
	ReverseAsk Verb = "reverse?" // dBm

	ClosedAsk Verb = "closed?"

	Route    Verb = "route" // {} is the path's name
	RouteAsk Verb = "route?"

	SwitchOn  Verb = "on"
	SwitchOff Verb = "off"
	OnAsk     Verb = "on?"

	Samples  Verb = "samples"  // {} is the number of readings of a capture
	Interval Verb = "interval" // {} in s, between two readings of a capture
)

// Role of an instrument on the bench.
type Role string

// The roles.
const (
	RoleSource     Role = "source"
	RoleAmplifier  Role = "amplifier"
	RoleAnalyser   Role = "analyser"
	RolePowerMeter Role = "power meter"
	RoleMeter      Role = "meter"
	RoleInterlock  Role = "interlock"
	RoleSwitch     Role = "switch"  // chooses a path between ports
	RoleRelay      Role = "relay"   // resets or power-cycles the DUT
	RoleCapture    Role = "capture" // takes a burst of readings
)

// Reads is how an instrument of the role analyser comes to its reading.
type Reads string

const (
	ReadsZeroSpan   Reads = "zero span"   // the default
	ReadsPeakSearch Reads = "peak search" // the highest peak of a narrow span
	ReadsReceiver   Reads = "receiver"    // tuned to the frequency
	ReadsBroadband  Reads = "broadband"   // a voltmeter or scope: whatever is there
)

// ByteOrder of the numbers in a block.
type ByteOrder string

const (
	BigEndian    ByteOrder = "big"    // SCPI-1999 FORMat:BORDer NORMal, the default
	LittleEndian ByteOrder = "little" // SWAPped
)

// Table is what an instrument family wants to hear. {} in a command stands for the number; its unit
// is the verb's.
type Table struct {
	Name     string           `yaml:"name"`
	Role     Role             `yaml:"role"`
	About    string           `yaml:"about"`
	CountsIn catalog.CountsIn `yaml:"countsIn,omitempty"` // source
	Commands map[Verb]string  `yaml:"commands"`
	// Terminator ends messages and answers; empty means a newline.
	Terminator string      `yaml:"terminator,omitempty"`
	Timeout    rf.Duration `yaml:"timeout,omitempty"` // for one exchange; 0 means 2 s
	// EndsBy says how the instrument ends an answer where the transport has a mark for it; empty means
	// the mark, with a terminator before it or not.
	EndsBy EndsBy `yaml:"endsBy,omitempty"`
	// KeepInput leaves out the device clear when a connection begins: an instrument from before
	// IEEE 488.2 may take it for a preset.
	KeepInput bool `yaml:"keepInput,omitempty"`
	// NoEventEnable says that the instrument does not know *ESE, which a serial line or a GPIB adapter
	// uses to tell old answers from new. They wait for silence then.
	NoEventEnable     bool   `yaml:"noEventEnable,omitempty"`
	MessageTerminator string // ends messages, where they end otherwise than answers
	// Assumes is the load that a source always assumes when it counts in volts; empty: it is asked.
	Assumes catalog.LoadSetting
	// AMHalves: with AM on the carrier is half the amplitude that is set, so that it is told 6.02 dB more.
	AMHalves bool
	Reads    Reads
	ReadsIn  string // unit of readings into 50 Ω; empty means dBm
	// AnswersIn names the unit of an answer that does not count as its verb does.
	AnswersIn map[Verb]string
	// AnswerPattern finds the value in an answer that holds more: its first group, or all of it. Patterns
	// are those of single verbs, in its place.
	AnswerPattern string
	Patterns      map[Verb]string
	Yes, No       []string    // answers that mean 1 and 0
	Start         []string    // told once at the beginning of a connection; must not raise RF
	Delay         rf.Duration // after every message that is not answered
	// OneCommandALine: no message holds more than one command or query.
	OneCommandALine bool
	// JoinedQuestions: where a message holds one setting, one may still hold several questions. The error query at
	// its end tells that the answers came whole and in their order.
	JoinedQuestions bool
	NoErrorQueue    bool // there is no SYST:ERR?; what was set is read back all the same
	NoOverload      bool // no status tells an overload: a reading above the reference level counts as one
	NoClear         bool // *CLS is not understood
	DecimalComma    bool // in answers
	MessageComma    bool // in messages
	// Acknowledge is what each setting is answered by; empty: by nothing.
	Acknowledge string
	Echo        bool   // what is sent comes back before the answer
	Prompt      string // ends every answer, and comes alone behind a setting
	// PlainQuestions says that a question need not hold a question mark.
	PlainQuestions bool
	TraceAs        TraceAs
	// OverloadBits are the bits of the answer to "overload?" that mean an overload; 0 means any.
	OverloadBits int       `yaml:"overloadBits,omitempty"`
	ByteOrder    ByteOrder `yaml:"byteOrder,omitempty"`
}

// EndsBy is how an answer ends.
type EndsBy string

const (
	EndsByMark       EndsBy = ""           // EOI, END, DataEND, EOM
	EndsByTerminator EndsBy = "terminator" // no mark is given
	EndsByEOI        EndsBy = "eoi"        // GPIB through an adapter: EOI and no terminator
)

// nonce is the way to tell old answers from new.
func (t Table) nonce() *scpi.Nonce {
	if t.NoEventEnable || t.console() {
		return &scpi.Nonce{}
	}
	return nil
}

// wants lists the verbs without which a table's role cannot be filled, and those that it may have
// beside them. A group is had whole or not at all.
type wants struct {
	must, may []Verb
	groups    [][]Verb
}

var amVerbs = []Verb{AMDepth, AMDepthAsk, AMRate, AMRateAsk, AMOn, AMOff, AMAsk}

func (t Table) wants() (w wants, ok bool) {
	switch t.Role {
	case RoleSource:
		w = wants{must: []Verb{Frequency, FrequencyAsk, Level, LevelAsk, OutputOn, OutputOff, OutputAsk},
			may: []Verb{Identify, Complete, AMInternal, AMForm, AMPoints, PulseForm, OffsetAsk},
			groups: [][]Verb{amVerbs, t.pulseVerbs(), {OutputLimit, OutputLimitAsk}, {LimitOn, LimitOnAsk},
				{OffWhenLost, OffWhenLostAsk}}}
		w.may = append(w.may, plainVerbs()...)
		if t.CountsIn == catalog.CountsVpp {
			w.may = append(w.may, UnitAsk)
			if t.Assumes == "" {
				w.must = append(w.must, LoadAsk, UnitAsk)
			}
		}
	case RoleAmplifier:
		w = wants{must: []Verb{Operate, Standby, OperateAsk}, may: []Verb{Identify, FaultAsk, GainModeAsk}}
	case RoleAnalyser:
		w = t.analyserWants()
	case RolePowerMeter:
		w = wants{must: []Verb{ForwardAsk, ReverseAsk}, may: []Verb{Identify, Frequency}}
	case RoleMeter:
		w = wants{must: []Verb{ReadAsk}, may: []Verb{Identify}}
	case RoleInterlock:
		w = wants{must: []Verb{ClosedAsk}, may: []Verb{Identify}}
	case RoleSwitch:
		w = wants{must: []Verb{Route, RouteAsk}, may: []Verb{Identify}}
	case RoleRelay:
		w = wants{must: []Verb{SwitchOn, SwitchOff, OnAsk}, may: []Verb{Identify}}
	case RoleCapture:
		w = wants{must: []Verb{Samples, Interval, TraceAsk}, may: []Verb{Identify, TraceFormat}}
	default:
		return w, false
	}
	return w, true
}

// pulseVerbs are those of a source that takes a duty, or a width in its place.
func (t Table) pulseVerbs() []Verb {
	v := []Verb{PulseRate, PulseRateAsk, PulseOn, PulseOff, PulseAsk}
	if t.Commands[PulseWidth] != "" || t.Commands[PulseWidthAsk] != "" {
		return append(v, PulseWidth, PulseWidthAsk)
	}
	return append(v, PulseDuty, PulseDutyAsk)
}

func (t Table) analyserWants() wants {
	w := wants{may: []Verb{Identify, Attenuation, Detector, MeasuringTime, SingleSweep, TraceAsk, TraceFormat,
		TracePointsAsk}, groups: [][]Verb{{TraceStartAsk, TraceStopAsk}}}
	switch t.Reads {
	case ReadsPeakSearch:
		w.must = []Verb{Frequency, Span, Bandwidth, ReferenceLevel, PeakSearch, ReadAsk}
		w.may = append(w.may, Sweep, MarkerFrequencyAsk)
	case ReadsReceiver:
		w.must = []Verb{Frequency, ReadAsk}
		w.may = append(w.may, Bandwidth, ReferenceLevel)
	case ReadsBroadband:
		w.must = []Verb{ReadAsk}
		w.may = append(w.may, Frequency, ReferenceLevel)
	default:
		w.must = []Verb{Frequency, ZeroSpan, Bandwidth, ReferenceLevel, SingleSweep, ReadAsk}
	}
	if t.NoOverload {
		w.may = append(w.may, OverloadAsk)
	} else {
		w.must = append(w.must, OverloadAsk)
	}
	if len(t.having(TraceFormat, TraceStartAsk, TraceStopAsk, TracePointsAsk)) > 0 {
		w.must = append(w.must, TraceAsk)
	}
	return w
}

// fault is something wrong with a table, at a verb of it or at a key of its file.
type fault struct {
	at   string // "commands.am depth", "reads"
	what string
}

// faults returns all that is wrong with a table.
func (t Table) faults() []fault {
	w, ok := t.wants()
	if !ok {
		return []fault{{"role", fmt.Sprintf("unknown role %q", t.Role)}}
	}
	var out []fault
	lacks := func(verbs []Verb, why string) {
		for _, v := range verbs {
			if t.Commands[v] == "" {
				out = append(out, fault{"commands", fmt.Sprintf("no command for %q%s", v, why)})
			}
		}
	}
	lacks(w.must, "")
	known := append(slices.Clone(w.must), w.may...)
	for _, g := range w.groups {
		known = append(known, g...)
		if slices.ContainsFunc(g, func(v Verb) bool { return t.Commands[v] != "" }) {
			lacks(g, ", which belongs to the others")
		}
	}
	for v, c := range t.Commands {
		if !slices.Contains(known, v) {
			out = append(out, fault{"commands." + string(v),
				fmt.Sprintf("%q is nothing that a %s can be told", v, t.Role)})
			continue
		}
		if what := t.commandFault(v, c); what != "" {
			out = append(out, fault{"commands." + string(v), what})
		}
	}
	return append(out, t.settingFaults()...)
}

// commandFault says what is wrong with one command, or "".
func (t Table) commandFault(v Verb, c string) string {
	if strings.ContainsAny(c, "\r\n") {
		return fmt.Sprintf("the command for %q holds a line break", v)
	}
	places := place.FindAllStringSubmatch(c, -1)
	if (len(places) == 1) != numbered(v) && !(len(places) == 0 && mayBeFixed(v)) ||
		strings.Count(c, "{") != strings.Count(c, "}") || strings.Count(c, "{") > 1 {
		return fmt.Sprintf("the command for %q must hold {} once where the number goes, and no other may: %q", v, c)
	}
	if len(places) == 1 && v != Route && v != AMPoints {
		if _, err := written(v, places[0][1], 1); err != nil {
			return err.Error()
		}
	}
	asks, question := t.isQuestion(c), strings.HasSuffix(string(v), "?")
	if asks != question && v != Sweep {
		if question {
			return fmt.Sprintf("the command for %q must be a query exactly if its name ends in a question mark: %q; "+
				"quirks.questions_without_mark lets a question be without one", v, c)
		}
		return fmt.Sprintf("the command for %q must be a query exactly if its name ends in a question mark: %q", v, c)
	}
	return ""
}

// mayBeFixed tells whether an instrument may have one fixed setting in place of a number: what reads, and
// what is read back before anything is raised.
func mayBeFixed(v Verb) bool {
	switch v {
	case Bandwidth, Span, ReferenceLevel, Attenuation, MeasuringTime, AMDepth, AMRate, PulseRate, PulseDuty, PulseWidth:
		return true
	}
	return false
}

// takes reports that the command of a verb holds a number.
func (t Table) takes(v Verb) bool { return place.MatchString(t.Commands[v]) }

// settingFaults looks at what is not a command.
func (t Table) settingFaults() []fault {
	var out []fault
	add := func(at, format string, args ...any) { out = append(out, fault{at, fmt.Sprintf(format, args...)}) }
	if t.EndsBy != EndsByMark && t.EndsBy != EndsByTerminator && t.EndsBy != EndsByEOI {
		add("quirks.ends_by", "ends_by is %q, want terminator or eoi", t.EndsBy)
	}
	if t.Role == RoleSource && t.CountsIn != catalog.CountsDBm && t.CountsIn != catalog.CountsVpp {
		add("counts_in", "counts_in is %q, want dBm or Vpp", t.CountsIn)
	}
	if t.Role == RoleSource && t.CountsIn == catalog.CountsVpp && t.Assumes == "" && t.Commands[LoadAsk] == "" {
		add("counts_in",
			"a source that counts in volts must be asked for its load (load?), or the table says which one it always "+
				"assumes: between 50 Ω and high-Z lie 6 dB")
	}
	if _, unit := scaled(t.ReadsIn); t.ReadsIn != "" && !slices.Contains(readingUnits, unit) {
		add("reads_in", "readings in %q are no levels; there are %s", t.ReadsIn, strings.Join(readingUnits, ", "))
	}
	for v, unit := range t.AnswersIn {
		if _, err := readBack(v, unit, 1); err != nil {
			add("answers_in."+string(v), "%v", err)
		}
	}
	if _, err := regexp.Compile(t.AnswerPattern); err != nil {
		add("quirks.answer_pattern", "%v", err)
	}
	for v, pattern := range t.Patterns {
		if !t.has(v) || !t.isQuestion(t.say(v)) {
			add("answer_patterns."+string(v), "%q is no question of this table", v)
		}
		if _, err := regexp.Compile(pattern); err != nil || pattern == "" {
			add("answer_patterns."+string(v), "%q is no pattern: %v", pattern, err)
		}
	}
	for key, text := range map[string]string{"acknowledge": t.Acknowledge, "prompt": t.Prompt} {
		if strings.ContainsAny(text, "\r\n") || text != "" && strings.TrimSpace(text) == "" {
			add("quirks."+key, "%q is no text on one line", text)
		}
	}
	if t.Acknowledge != strings.TrimSpace(t.Acknowledge) {
		add("quirks.acknowledge", "%q has blanks at its ends, which are taken off an answer", t.Acknowledge)
	}
	if t.JoinedQuestions && (!t.OneCommandALine && t.Acknowledge == "" || t.console() || t.NoErrorQueue) {
		add("quirks.joined_questions",
			"joined_questions goes with one_command_a_line or acknowledge (without these all is joined), not with "+
				"echo or prompt, and not with no_error_queue: the answer to SYST:ERR?, asked last, tells that the "+
				"others are in their order")
	}
	if t.TraceAs != "" && t.Role != RoleAnalyser {
		add("quirks.trace_as", "trace_as belongs to the role analyser")
	}
	if t.Role == RoleAnalyser && t.has(TraceAsk) && t.console() && t.TraceAs != TraceList {
		add("quirks.trace_as",
			"an instrument with an echo or a prompt answers in lines, and a trace in numbers of 32 bit cannot be "+
				"told from them: trace_as: list")
	}
	for i, c := range t.Start {
		if t.isQuestion(c) || strings.ContainsAny(c, "\r\n{}") {
			add(fmt.Sprintf("start[%d]", i),
				"%q is told at the beginning and must be neither a query nor hold a place for a number", c)
		}
		if what := t.startFault(c); what != "" {
			add(fmt.Sprintf("start[%d]", i), "%s", what)
		}
	}
	for _, w := range append(slices.Clone(t.Yes), t.No...) {
		if t.Acknowledge != "" && strings.EqualFold(w, t.Acknowledge) {
			add("answers_yes", "%q acknowledges a setting and cannot be the answer to a question too", w)
		}
		if strings.TrimSpace(w) == "" {
			add("answers_no",
				"an empty answer means neither on nor off: it is what an instrument says that did not understand")
		}
		if slices.ContainsFunc(t.Yes, func(y string) bool { return strings.EqualFold(y, w) }) &&
			slices.ContainsFunc(t.No, func(n string) bool { return strings.EqualFold(n, w) }) {
			add("answers_no", "%q cannot mean both on and off", w)
		}
	}
	return out
}

// Check returns what is wrong with a table, all of it, or nil.
func (t Table) Check() error {
	var wrong []string
	for _, f := range t.faults() {
		wrong = append(wrong, f.what)
	}
	if len(wrong) == 0 {
		return nil
	}
	sort.Strings(wrong)
	return fmt.Errorf("command table %q: %s", t.Name, strings.Join(wrong, "; "))
}

// has reports that the instrument can be told or asked something.
func (t Table) has(v Verb) bool { return t.Commands[v] != "" }

// having leaves out the verbs that a table has no command for.
func (t Table) having(verbs ...Verb) []Verb {
	var out []Verb
	for _, v := range verbs {
		if t.has(v) {
			out = append(out, v)
		}
	}
	return out
}

// numbered tells whether a verb carries a number.
func numbered(v Verb) bool {
	switch v {
	case Frequency, Level, AMDepth, AMRate, AMPoints, PulseRate, PulseDuty, PulseWidth, Bandwidth, Span, ReferenceLevel,
		Attenuation,
		MeasuringTime, Route, Samples, Interval, OutputLimit:
		return true
	}
	return false
}

// say returns the command of a verb without a number.
func (t Table) say(v Verb) string { return t.Commands[v] }

// put returns the command of a verb with its number.
func (t Table) put(v Verb, x float64) string { return t.fill(v, x) }

// putText returns the command of a verb with a number, or a name, that is written already.
func (t Table) putText(v Verb, text string) string {
	return place.ReplaceAllStringFunc(t.Commands[v], func(m string) string {
		x, err := strconv.ParseFloat(text, 64)
		factor, _ := scaled(strings.Trim(m, "{}"))
		if err != nil || factor == 1 {
			return t.withSign(text)
		}
		return t.withSign(strconv.FormatFloat(lowered(x/factor, 9), 'f', -1, 64))
	})
}

// lowered rounds the last of so many digits down: a level never goes out louder than it is.
func lowered(x float64, digits int) float64 {
	if x == 0 {
		return 0
	}
	const slack = 1e-3 // of the last digit
	digit := math.Pow(10, math.Floor(math.Log10(math.Abs(x)))-float64(digits-1))
	floored, _ := strconv.ParseFloat(strconv.FormatFloat(math.Floor(x/digit+slack)*digit, 'g', digits, 64), 64)
	return floored
}

// decimal writes a number with up to six decimals, without an exponent.
func decimal(x float64) string {
	s := strconv.FormatFloat(x, 'f', 6, 64)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}

func (t Table) terminator() string {
	if t.Terminator == "" {
		return "\n"
	}
	return t.Terminator
}

// builtIn are the generic tables: SCPI-1999 volume 2 for the headers (SOURce:FREQuency,
// SOURce:POWer, SOURce:VOLTage, SOURce:AM, SOURce:PULM, OUTPut, SENSe:FREQuency, SENSe:BANDwidth,
// DISPlay, INPut, READ, STATus:QUEStionable:POWer, TRACe, FORMat), IEEE 488.2 for the common ones.
var builtIn = []Table{
	{
		Name: "signal generator", Role: RoleSource, CountsIn: catalog.CountsDBm,
		About: "generic SCPI-1999 signal generator: level in dBm into 50 Ω, carrier held when AM goes on",
		Commands: withSource(map[Verb]string{Level: "POW {}", LevelAsk: "POW?", SweepOff: "FREQ:MODE CW",
			SweepAsk: "FREQ:MODE?"}),
	},
	{
		Name: "function generator", Role: RoleSource, CountsIn: catalog.CountsVpp,
		About: "generic SCPI-1999 function generator: level in volts peak-to-peak at the load it is set for, carrier " +
			"held when AM goes on",
		Commands: withSource(map[Verb]string{Level: "VOLT {}", LevelAsk: "VOLT?", UnitAsk: "VOLT:UNIT?",
			LoadAsk:   "OUTP:LOAD?",
			OffsetAsk: "VOLT:OFFS?", WaveformSine: "FUNC SIN", WaveformAsk: "FUNC?", SweepOff: "SWE:STAT 0",
			SweepAsk: "SWE:STAT?", BurstOff: "BURS:STAT 0", BurstAsk: "BURS:STAT?"}),
	},
	{
		Name: "signal generator with limits", Role: RoleSource, CountsIn: catalog.CountsDBm,
		About: "SCPI-1999 signal generator with POWer:LIMit, and an output that goes off when the connection is lost",
		Commands: withSource(withLimits("POW", map[Verb]string{Level: "POW {}", LevelAsk: "POW?",
			SweepOff: "FREQ:MODE CW", SweepAsk: "FREQ:MODE?"})),
	},
	{
		Name: "function generator with limits", Role: RoleSource, CountsIn: catalog.CountsVpp,
		About: "SCPI-1999 function generator with VOLTage:LIMit, and an output that goes off when the connection is " +
			"lost",
		Commands: withSource(withLimits("VOLT", map[Verb]string{Level: "VOLT {}", LevelAsk: "VOLT?",
			UnitAsk: "VOLT:UNIT?", LoadAsk: "OUTP:LOAD?",
			OffsetAsk: "VOLT:OFFS?", WaveformSine: "FUNC SIN", WaveformAsk: "FUNC?", SweepOff: "SWE:STAT 0",
			SweepAsk: "SWE:STAT?", BurstOff: "BURS:STAT 0", BurstAsk: "BURS:STAT?"})),
	},
	{
		Name: "amplifier", Role: RoleAmplifier,
		About:    "generic amplifier whose output switch is operate and standby",
		Commands: map[Verb]string{Identify: "*IDN?", Operate: "OUTP 1", Standby: "OUTP 0", OperateAsk: "OUTP?"},
	},
	{
		Name: "analyser", Role: RoleAnalyser,
		About: "generic SCPI-1999 spectrum analyser in zero span",
		Commands: map[Verb]string{Identify: "*IDN?", Frequency: "FREQ:CENT {}", ZeroSpan: "FREQ:SPAN 0",
			Bandwidth:      "BAND {}",
			ReferenceLevel: "DISP:TRAC:Y:RLEV {}", Attenuation: "INP:ATT {}", SingleSweep: "INIT:CONT OFF",
			ReadAsk:     "READ:POW?",
			OverloadAsk: "STAT:QUES:POW:COND?", TraceFormat: "FORM REAL,32", TraceAsk: "TRAC? TRACE1"},
	},
	{
		Name: "power meter", Role: RolePowerMeter,
		About: "generic two-channel power meter: channel 1 at the coupler's forward port, channel 2 at its " +
			"reverse port",
		Commands: map[Verb]string{Identify: "*IDN?", Frequency: "SENS:FREQ {}", ForwardAsk: "READ1?",
			ReverseAsk: "READ2?"},
	},
	{
		Name: "meter", Role: RoleMeter,
		About:    "generic meter that answers READ? with a number",
		Commands: map[Verb]string{Identify: "*IDN?", ReadAsk: "READ?"},
	},
	{
		Name: "interlock", Role: RoleInterlock,
		About:    "generic digital input that answers 1 while the interlock is closed",
		Commands: map[Verb]string{Identify: "*IDN?", ClosedAsk: "INP:STAT?"},
	},
	{
		Name: "switch", Role: RoleSwitch,
		About:    "generic switch matrix that closes one route at a time and answers which",
		Commands: map[Verb]string{Identify: "*IDN?", Route: "ROUT:CLOS {}", RouteAsk: "ROUT:CLOS?"},
	},
	{
		Name: "relay", Role: RoleRelay,
		About:    "generic relay output that feeds the DUT or holds its reset line",
		Commands: map[Verb]string{Identify: "*IDN?", SwitchOn: "OUTP 1", SwitchOff: "OUTP 0", OnAsk: "OUTP?"},
	},
	{
		Name: "capture", Role: RoleCapture,
		About: "generic meter or scope that takes a burst of readings and answers them as a list",
		Commands: map[Verb]string{Identify: "*IDN?", Samples: "SAMP:COUN {}", Interval: "SAMP:TIM {}",
			TraceAsk: "READ:ARR?"},
	},
}

// withSource adds to a source's own commands what all generic sources share.
func withSource(own map[Verb]string) map[Verb]string {
	for v, c := range map[Verb]string{
		Identify: "*IDN?", Complete: "*OPC?", Frequency: "FREQ {}", FrequencyAsk: "FREQ?",
		OutputOn: "OUTP 1", OutputOff: "OUTP 0", OutputAsk: "OUTP?",
		AMInternal: "AM:SOUR INT", AMDepth: "AM:DEPT {}", AMDepthAsk: "AM:DEPT?", AMRate: "AM:INT:FREQ {}",
		AMRateAsk: "AM:INT:FREQ?",
		AMOn:      "AM:STAT 1", AMOff: "AM:STAT 0", AMAsk: "AM:STAT?",
		PulseRate: "PULM:INT:FREQ {}", PulseRateAsk: "PULM:INT:FREQ?", PulseDuty: "PULM:INT:DCYC {}",
		PulseDutyAsk: "PULM:INT:DCYC?",
		PulseOn:      "PULM:STAT 1", PulseOff: "PULM:STAT 0", PulseAsk: "PULM:STAT?",
		FMOff: "FM:STAT 0", FMAsk: "FM:STAT?", PMOff: "PM:STAT 0", PMAsk: "PM:STAT?",
		AMSourceAsk: "AM:SOUR?", PulseInternal: "PULM:SOUR INT", PulseSourceAsk: "PULM:SOUR?",
	} {
		own[v] = c
	}
	return own
}

// withLimits adds what a source holds by itself: SCPI-1999 SOURce:POWer:LIMit and SOURce:VOLTage:LIMit,
// and a protection of the output in the manner of OUTPut:PROTection.
func withLimits(of string, own map[Verb]string) map[Verb]string {
	own[OutputLimit], own[OutputLimitAsk] = of+":LIM {}", of+":LIM?"
	own[LimitOn], own[LimitOnAsk] = of+":LIM:STAT 1", of+":LIM:STAT?"
	own[OffWhenLost], own[OffWhenLostAsk] = "OUTP:PROT:LINK 1", "OUTP:PROT:LINK?"
	return own
}

// BuiltIn returns the built-in tables.
func BuiltIn() []Table { return slices.Clone(builtIn) }

// tableFor finds the table of a connection: the one that it names, or the generic one of the role.
func tableFor(role Role, name string, counts catalog.CountsIn, own []Table) (Table, error) {
	if name == "" {
		name = string(role)
		switch {
		case role == RoleSource && counts == catalog.CountsVpp:
			name = "function generator"
		case role == RoleSource:
			name = "signal generator"
		}
	}
	var fit []string
	for _, t := range append(slices.Clone(own), builtIn...) {
		if t.Role != role {
			continue
		}
		fit = append(fit, strconv.Quote(t.Name))
		if t.Name != name {
			continue
		}
		if err := t.Check(); err != nil {
			return t, err
		}
		if role == RoleSource && counts != "" && t.CountsIn != counts {
			return t, fmt.Errorf("command table %q counts in %s, the bench file says that the source counts in %s",
				name, t.CountsIn, counts)
		}
		return t, nil
	}
	return Table{}, fmt.Errorf("no command table %q for the role %q; there are %s", name, role, strings.Join(fit, ", "))
}

// each returns the commands of a list of verbs without numbers.
func (t Table) each(verbs ...Verb) []string {
	units := make([]string, len(verbs))
	for i, v := range verbs {
		units[i] = t.say(v)
	}
	return units
}
