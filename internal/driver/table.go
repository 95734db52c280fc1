package driver

import (
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"

	"provoke/internal/catalog"
	"provoke/internal/rf"
	"provoke/internal/scpi"
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

	Operate    Verb = "operate"
	Standby    Verb = "standby"
	OperateAsk Verb = "operate?"

	ZeroSpan       Verb = "zero span"
	Bandwidth      Verb = "bandwidth"       // {} in Hz
	ReferenceLevel Verb = "reference level" // {} in dBm
	Attenuation    Verb = "attenuation"     // {} in dB
	SingleSweep    Verb = "single sweep"
	ReadAsk        Verb = "read?"     // one new measurement
	OverloadAsk    Verb = "overload?" // condition register of the power summary
	TraceFormat    Verb = "trace format"
	TraceAsk       Verb = "trace?" // a block of 32-bit numbers in dBm

	ForwardAsk Verb = "forward?" // dBm
	ReverseAsk Verb = "reverse?" // dBm

	ClosedAsk Verb = "closed?"
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
	NoEventEnable bool `yaml:"noEventEnable,omitempty"`
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
	if t.NoEventEnable {
		return &scpi.Nonce{}
	}
	return nil
}

// needs lists the verbs without which a role cannot be filled.
var needs = map[Role][]Verb{
	RoleSource: {Identify, Frequency, FrequencyAsk, Level, LevelAsk, OutputOn, OutputOff, OutputAsk,
		AMInternal, AMDepth, AMDepthAsk, AMRate, AMRateAsk, AMOn, AMOff, AMAsk,
		PulseRate, PulseRateAsk, PulseDuty, PulseDutyAsk, PulseOn, PulseOff, PulseAsk, Complete},
	RoleAmplifier:  {Identify, Operate, Standby, OperateAsk},
	RoleAnalyser:   {Identify, Frequency, ZeroSpan, Bandwidth, ReferenceLevel, Attenuation, SingleSweep, ReadAsk, OverloadAsk, TraceFormat, TraceAsk},
	RolePowerMeter: {Identify, Frequency, ForwardAsk, ReverseAsk},
	RoleMeter:      {Identify, ReadAsk},
	RoleInterlock:  {Identify, ClosedAsk},
}

// Check returns what is wrong with a table, all of it, or nil.
func (t Table) Check() error {
	var wrong []string
	want, ok := needs[t.Role]
	if !ok {
		return fmt.Errorf("command table %q: unknown role %q", t.Name, t.Role)
	}
	if t.Role == RoleSource && t.CountsIn == catalog.CountsVpp {
		want = append(slices.Clone(want), UnitAsk, LoadAsk)
	}
	for _, v := range want {
		if t.Commands[v] == "" {
			wrong = append(wrong, fmt.Sprintf("no command for %q", v))
		}
	}
	for v, c := range t.Commands {
		switch {
		case !slices.Contains(want, v):
			wrong = append(wrong, fmt.Sprintf("%q is nothing that a %s can be told", v, t.Role))
		case strings.ContainsAny(c, "\r\n"):
			wrong = append(wrong, fmt.Sprintf("the command for %q holds a line break", v))
		case strings.Contains(c, "{}") != numbered(v):
			wrong = append(wrong, fmt.Sprintf("the command for %q must hold {} once where the number goes, and no other may: %q", v, c))
		}
	}
	if t.EndsBy != EndsByMark && t.EndsBy != EndsByTerminator && t.EndsBy != EndsByEOI {
		wrong = append(wrong, fmt.Sprintf("endsBy is %q, want terminator or eoi", t.EndsBy))
	}
	if t.Role == RoleSource && t.CountsIn != catalog.CountsDBm && t.CountsIn != catalog.CountsVpp {
		wrong = append(wrong, fmt.Sprintf("countsIn is %q, want dBm or Vpp", t.CountsIn))
	}
	if len(wrong) == 0 {
		return nil
	}
	sort.Strings(wrong)
	return fmt.Errorf("command table %q: %s", t.Name, strings.Join(wrong, "; "))
}

// numbered tells whether a verb carries a number.
func numbered(v Verb) bool {
	switch v {
	case Frequency, Level, AMDepth, AMRate, PulseRate, PulseDuty, Bandwidth, ReferenceLevel, Attenuation:
		return true
	}
	return false
}

// say returns the command of a verb without a number.
func (t Table) say(v Verb) string { return t.Commands[v] }

// put returns the command of a verb with its number.
func (t Table) put(v Verb, x float64) string {
	return t.putText(v, decimal(x))
}

func (t Table) putText(v Verb, number string) string {
	return strings.Replace(t.Commands[v], "{}", number, 1)
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
		About:    "generic SCPI-1999 signal generator: level in dBm into 50 Ω, carrier held when AM goes on",
		Commands: withSource(map[Verb]string{Level: "POW {}", LevelAsk: "POW?"}),
	},
	{
		Name: "function generator", Role: RoleSource, CountsIn: catalog.CountsVpp,
		About:    "generic SCPI-1999 function generator: level in volts peak-to-peak at the load it is set for, carrier held when AM goes on",
		Commands: withSource(map[Verb]string{Level: "VOLT {}", LevelAsk: "VOLT?", UnitAsk: "VOLT:UNIT?", LoadAsk: "OUTP:LOAD?"}),
	},
	{
		Name: "amplifier", Role: RoleAmplifier,
		About:    "generic amplifier whose output switch is operate and standby",
		Commands: map[Verb]string{Identify: "*IDN?", Operate: "OUTP 1", Standby: "OUTP 0", OperateAsk: "OUTP?"},
	},
	{
		Name: "analyser", Role: RoleAnalyser,
		About: "generic SCPI-1999 spectrum analyser in zero span",
		Commands: map[Verb]string{Identify: "*IDN?", Frequency: "FREQ:CENT {}", ZeroSpan: "FREQ:SPAN 0", Bandwidth: "BAND {}",
			ReferenceLevel: "DISP:TRAC:Y:RLEV {}", Attenuation: "INP:ATT {}", SingleSweep: "INIT:CONT OFF", ReadAsk: "READ:POW?",
			OverloadAsk: "STAT:QUES:POW:COND?", TraceFormat: "FORM REAL,32", TraceAsk: "TRAC? TRACE1"},
	},
	{
		Name: "power meter", Role: RolePowerMeter,
		About:    "generic two-channel power meter: channel 1 at the coupler's forward port, channel 2 at its reverse port",
		Commands: map[Verb]string{Identify: "*IDN?", Frequency: "SENS:FREQ {}", ForwardAsk: "READ1?", ReverseAsk: "READ2?"},
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
}

// withSource adds to a source's own commands what all generic sources share.
func withSource(own map[Verb]string) map[Verb]string {
	for v, c := range map[Verb]string{
		Identify: "*IDN?", Complete: "*OPC?", Frequency: "FREQ {}", FrequencyAsk: "FREQ?",
		OutputOn: "OUTP 1", OutputOff: "OUTP 0", OutputAsk: "OUTP?",
		AMInternal: "AM:SOUR INT", AMDepth: "AM:DEPT {}", AMDepthAsk: "AM:DEPT?", AMRate: "AM:INT:FREQ {}", AMRateAsk: "AM:INT:FREQ?",
		AMOn: "AM:STAT 1", AMOff: "AM:STAT 0", AMAsk: "AM:STAT?",
		PulseRate: "PULM:INT:FREQ {}", PulseRateAsk: "PULM:INT:FREQ?", PulseDuty: "PULM:INT:DCYC {}", PulseDutyAsk: "PULM:INT:DCYC?",
		PulseOn: "PULM:STAT 1", PulseOff: "PULM:STAT 0", PulseAsk: "PULM:STAT?",
	} {
		own[v] = c
	}
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
			return t, fmt.Errorf("command table %q counts in %s, the bench file says that the source counts in %s", name, t.CountsIn, counts)
		}
		return t, nil
	}
	return Table{}, fmt.Errorf("no command table %q for the role %q; there are %s", name, role, strings.Join(fit, ", "))
}

// message is what a list of verbs without numbers makes.
func (t Table) message(verbs ...Verb) string {
	units := make([]string, len(verbs))
	for i, v := range verbs {
		units[i] = t.say(v)
	}
	return scpi.Join(units...)
}
