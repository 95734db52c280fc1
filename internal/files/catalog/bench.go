// Package catalog describes equipment: what each piece does to a level over frequency, what it
// stands, and how the pieces are wired on one bench. A bench file is read here and nowhere else.
// The package computes nothing along the chain; package chain does.
//
// A rating that is absent forbids what it would have limited: chain and guard treat it as a limit
// that nothing is shown to respect.
package catalog

import (
	"fmt"
	"time"

	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Fixture is what the injection clamp is closed around.
type Fixture string

// The fixtures. Jig50 is a coaxial jig with 50 Ω at both ends (loop 100 Ω), Jig150 one with 150 Ω
// at both ends through 150-to-50 Ω adaptors (loop 300 Ω).
const (
	OnCable Fixture = "cable"
	Jig50   Fixture = "jig50"
	Jig150  Fixture = "jig150"
)

// Words says what the clamp is closed around: "on the cable".
func (f Fixture) Words() string {
	switch f {
	case Jig50:
		return "in the 50 + 50 Ω jig"
	case Jig150:
		return "in the 150 + 150 Ω jig"
	}
	return "on the cable"
}

// LoopImpedance returns the sum of the two terminations of a jig; absent on a cable.
func (f Fixture) LoopImpedance() rf.Resistance {
	switch f {
	case Jig50:
		return 100
	case Jig150:
		return 300
	}
	return 0
}

// Identity is what a report needs to name a piece of equipment.
type Identity struct {
	ID          string // unique on the bench, e.g. "AMP1"
	Description string
	Serial      string
	Calibrated  time.Time // zero when not known
	Due         time.Time
	Certificate string
}

// Names of the built-in command tables.
const (
	SignalGenerator   = "signal generator"
	FunctionGenerator = "function generator"
	// WithLimits is the end of the name of a source's command table that can hold limits.
	WithLimits      = " with limits"
	TableAmplifier  = "amplifier"
	TableAnalyser   = "analyser"
	TablePowerMeter = "power meter"
	TableMeter      = "meter"
	TableInterlock  = "interlock"
	TableRelay      = "relay"
	TableCapture    = "capture"
	TableSwitch     = "switch"
)

// Connection is how a piece with a remote interface is reached.
type Connection struct {
	Address string // open VISA resource string, e.g. TCPIP::127.0.0.1::5025::SOCKET
	// Through is the address of the adapter that leads to a GPIB bus; empty for all others.
	Through string
	// SerialLine is speed and format of a serial port, "9600 8N1", with the flow control behind them
	// where there is one; empty for all others.
	SerialLine string
	Table      string      // name of the command table
	Timeout    rf.Duration // for one exchange; 0 means the table's own
	// OneClient: it takes one connection, and refuses a second one, lets it wait or throws the first out.
	OneClient bool
	// ByHand: the piece has no remote interface and a person sets or reads it, as the program asks.
	ByHand bool
}

// Present reports that the piece has a remote interface.
func (c Connection) Present() bool { return c.Address != "" }

// Band is a range of frequencies that a piece is made for.
type Band struct{ Low, High rf.Frequency }

// Contains reports that the frequency is inside the band; an absent band contains nothing.
func (b Band) Contains(f rf.Frequency) bool {
	return b.Low.Known() && b.High.Known() && f >= b.Low && f <= b.High
}

// CountsIn is the unit a generator counts its amplitude in.
type CountsIn string

// LoadSetting is the load a generator assumes when it counts in volts.
type LoadSetting string

// Units that a generator counts in, and loads that it assumes.
const (
	CountsDBm CountsIn = "dBm"
	CountsVpp CountsIn = "Vpp"

	Load50    LoadSetting = "50 Ω"
	LoadHighZ LoadSetting = "high-Z"
)

// Source is the generator. Its levels are powers available into 50 Ω whatever unit it counts in.
type Source struct {
	Identity
	Connection
	Kind       string // SignalGenerator or FunctionGenerator
	Band       Band
	Minimum    rf.Power // lowest level that can be set
	Maximum    rf.Power // highest level that can be set
	Resolution rf.Gain
	CountsIn   CountsIn
	Load       LoadSetting
	// Uncertainty is how well the level that it gives is known.
	Uncertainty Uncertainty
	// MaximumReverse is the power the output stands from outside; absent when not known.
	MaximumReverse rf.Power
	// HardwareOff names what switches this source off when the program cannot: a switch, a socket, an
	// interlock. A source that is set by hand or sweeps by itself is not armed without one.
	HardwareOff string
}

// Passive is a pad, a coaxial cable, a filter: something with a loss and a power rating.
type Passive struct {
	Identity
	Quality
	Kind         string               // "pad", "coax", "filter", "adaptor"
	Loss         curve.Curve[rf.Gain] // positive dB
	MaximumPower rf.Power             // average; absent forbids
}

// Amplifier is the RF power amplifier.
type Amplifier struct {
	Identity
	Quality
	Connection // present when it has a remote standby
	Band       Band
	Gain       curve.Curve[rf.Gain]
	// GainMeasured is the day on which Gain was measured on this very amplifier; zero for a data sheet's.
	GainMeasured time.Time
	Compression  curve.Curve[rf.Power] // output power at 1 dB compression
	Saturation   rf.Power              // largest output power
	MaximumInput rf.Power              // as peak envelope power
	// MaximumDuty is the largest share of time at full output; absent means 100 %.
	MaximumDuty rf.Fraction
	// ReflectedLimit is the reverse power that the output stands, as a peak; absent forbids.
	ReflectedLimit rf.Power
	// Harmonics is the strongest harmonic against the carrier, below 0 dB; 0 dB when not known.
	Harmonics rf.Gain
}

// Coupler is a directional coupler at the clamp's input.
type Coupler struct {
	Identity
	Quality
	Forward      curve.Curve[rf.Gain] // coupling, positive dB: forward port below the power into the clamp
	Reverse      curve.Curve[rf.Gain] // coupling, positive dB: reverse port below the power out of the clamp
	Loss         curve.Curve[rf.Gain] // of the through line, positive dB
	MaximumPower rf.Power
}

// PowerMeter reads the coupler's ports.
type PowerMeter struct {
	Identity
	Quality
	Connection
	MaximumInput rf.Power
	Floor        rf.Power
}

// Clamp is the injection clamp.
type Clamp struct {
	Identity
	Quality
	// InsertionLoss is the drop from forward power at the input to power in one 50 Ω jig port.
	InsertionLoss curve.Curve[rf.Gain]
	// ReturnLoss is the match at the input, positive dB; absent means total reflection.
	ReturnLoss curve.Curve[rf.Gain]
	// SeriesImpedance is the magnitude put in series with the cable; absent when not measured.
	SeriesImpedance curve.Curve[rf.Transimpedance]
	MaximumForward  rf.Power // average power, for MaximumTime
	MaximumTime     rf.Duration
	MaximumDuty     rf.Fraction
}

// Cable is the cable that carries the current, over the reference plane.
type Cable struct {
	Identity
	Kind       string // by which an archive finds it
	Length     rf.Length
	Height     rf.Length
	ClampToDUT rf.Length
	ProbeToDUT rf.Length
	// PositionTolerance is how far clamp and probe may lie from where they should; 0 when not known.
	PositionTolerance rf.Length
	Decoupling        string     // what stands between the clamp and the auxiliary equipment
	MaximumCurrent    rf.Current // cap on the current whatever the level; absent forbids
	// ExpectedLow and ExpectedHigh are how far the cable's current may lie from the jig's at the
	// same forward power: the budget's stated range. Common practice: −20 dB to +10 dB.
	ExpectedLow, ExpectedHigh rf.Gain
}

// DUT is the device under test.
type DUT struct {
	Identity
	Version string // board, firmware
	Port    string // the port whose cable is injected
	// Cycle is the DUT's own: what it does once per cycle shows only in a dwell as long; 0 when not
	// known.
	Cycle rf.Duration
	// NeededDwell is the dwell that a dwell study found to be needed; 0 when none was made.
	NeededDwell rf.Duration
}

// Probe is the current monitoring probe.
type Probe struct {
	Identity
	Quality
	TransferImpedance curve.Curve[rf.Transimpedance]
	MaximumCurrent    rf.Current // r.m.s., of the peak envelope
}

// Analyser reads the probe.
type Analyser struct {
	Identity
	Quality
	Connection
	Band         Band
	MaximumInput rf.Power // as peak envelope power
	MixerLimit   rf.Power // above it a reading is overloaded, a bound
	Bandwidths   []rf.Frequency
	Floor        rf.Power // displayed noise at the narrowest bandwidth
	// ReadingSpread is the standard deviation of readings of a steady carrier; 0 where it is not given.
	ReadingSpread rf.Gain
}

// AssumedReadingSpread stands for a reading spread that is not given (common practice).
const AssumedReadingSpread rf.Gain = 0.05

// ReadingsSpread returns the standard deviation of readings of a steady carrier, and whether it is assumed.
func (b *Bench) ReadingsSpread() (spread rf.Gain, assumed bool) {
	if b.Analyser != nil && b.Analyser.ReadingSpread > 0 {
		return b.Analyser.ReadingSpread, false
	}
	return AssumedReadingSpread, true
}

// LevellingSpread is how far apart two levels may lie that were levelled alike: a step of the source and twice
// the spread of readings; from says which.
func (b *Bench) LevellingSpread() (rf.Gain, string) {
	spread, isAssumed := b.ReadingsSpread()
	assumed := ""
	if isAssumed {
		assumed = " (assumed, common practice)"
	}
	return b.Source.Resolution + 2*spread, fmt.Sprintf(
		"the source's step of %s and twice the spread of readings of %s%s", b.Source.Resolution.Text(2), spread.Text(2),
		assumed)
}

// RegisterTable is one of the four tables of the Modbus data model.
type RegisterTable string

// The tables of the Modbus application protocol, 4.3.
const (
	HoldingRegister RegisterTable = "holding"
	InputRegister   RegisterTable = "input"
	Coil            RegisterTable = "coil"
	DiscreteInput   RegisterTable = "discrete"
)

// ModbusRegister is where a reading stands and how it counts.
type ModbusRegister struct {
	Table   RegisterTable
	Number  int // as it goes over the line, from 0: a manual's 40101 is holding 100
	Station int // unit identifier; 1 where the file gives none
	Format  string
	// LowWordFirst: of the two or four words of a number the lowest stands first.
	LowWordFirst bool
	Scale        float64 // Unit per count
}

// PathSwitch is a switch matrix: the route that the bench's wiring stands for.
type PathSwitch struct {
	Identity
	Connection
	Route string // as the instrument names it
}

// Relay is an output that resets or power-cycles the DUT between upsets. It switches no RF.
type Relay struct {
	Identity
	Connection
	// OffFor is how long the DUT stays without power, or its reset line active.
	OffFor rf.Duration
	// StartsIn is how long the DUT needs until it can be watched again.
	StartsIn rf.Duration
	// Cycles is how often a run may do it; after that a person has to look.
	Cycles int
}

// Interlock is an input that must read closed while RF is on.
type Interlock struct {
	Identity
	Connection
}

// Bench is one wiring of equipment.
type Bench struct {
	Name        string
	File        string // where it was read from
	Bytes       []byte // as read
	Hash        string // SHA-256 of Bytes and of every file it names
	Source      Source
	ToAmplifier []Passive
	Amplifier   *Amplifier
	ToClamp     []Passive
	Coupler     *Coupler
	PowerMeter  *PowerMeter
	Clamp       Clamp
	Cable       Cable
	DUT         DUT
	Probe       *Probe
	ToAnalyser  []Passive
	Analyser    *Analyser
	Monitors    []Monitor
	Interlock   *Interlock
	// HardwareDeadMan ends RF when the program and its watcher are both gone; nil where nothing does.
	HardwareDeadMan *HardwareDeadMan
	// PowerRelay resets or power-cycles the DUT; nil where nothing can.
	PowerRelay *Relay
	// Switch chooses the path that the rest of the file describes; nil where none is switched.
	Switch *PathSwitch
	// SinglePath accepts that nothing but the run can end RF while it lives.
	SinglePath bool
	// UnmeasuredGain accepts a constant drive on an amplifier whose gain nobody has measured, without a power
	// meter at the clamp.
	UnmeasuredGain bool
	// Tables are the names of files with command tables of the user's own, as written; their bytes
	// stand in Files.
	Tables []string
	// Files holds the bytes of every curve file that the bench names, by the name as written.
	Files map[string][]byte
}

// MeasuresForward reports that a power meter reads what runs into the clamp.
func (b *Bench) MeasuresForward() bool { return b.Coupler != nil && b.PowerMeter != nil }

// HardwareDeadMan is a line that keeps RF possible only while it is fed: a relay with a time-out of its own, or
// a control line of a serial port for an external circuit.
type HardwareDeadMan struct {
	Identity
	Connection
	Line   string      // LineDTR or LineRTS of the serial port at Address; empty for a relay
	Within rf.Duration // for how long RF stays possible once it is not fed any more
}

// Control lines of a serial port.
const (
	LineDTR = "DTR"
	LineRTS = "RTS"
)
