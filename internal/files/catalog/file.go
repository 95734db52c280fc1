package catalog

import (
	"encoding"
	"fmt"
	"regexp"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/trace"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// The shapes of a bench file as written. Each is turned into its piece in build.go. Every key is
// shown, with a comment, in testdata/belt-weigher.yaml.
type (
	benchFile struct {
		Name           string          `yaml:"name,required" says:"name of the bench"`
		Source         *sourceFile     `yaml:"source,required" says:"the generator"`
		ToAmplifier    []passiveFile   `yaml:"to_amplifier" says:"pads, coax and filters from the generator to the amplifier, in order"`
		Amplifier      *amplifierFile  `yaml:"amplifier" says:"the amplifier; without it the generator drives the clamp"`
		ToClamp        []passiveFile   `yaml:"to_clamp" says:"what lies between amplifier and clamp, in order"`
		Coupler        *couplerFile    `yaml:"coupler" says:"directional coupler in front of the clamp"`
		PowerMeter     *powerMeterFile `yaml:"power_meter" says:"power meter at the coupler, forward and reverse"`
		Clamp          *clampFile      `yaml:"clamp,required" says:"the injection clamp"`
		Cable          *cableFile      `yaml:"cable,required" says:"the cable under test"`
		DUT            *dutFile        `yaml:"dut,required" says:"the device under test"`
		Probe          *probeFile      `yaml:"probe" says:"the current monitoring probe"`
		ToAnalyser     []passiveFile   `yaml:"to_analyser" says:"what lies between probe and analyser, in order"`
		Analyser       *analyserFile   `yaml:"analyser" says:"what reads the probe"`
		Monitors       []monitorFile   `yaml:"monitors" says:"how the DUT is watched"`
		Interlock      *interlockFile  `yaml:"interlock" says:"an input that opens with the door of the shielded room"`
		DeadMan        *deadManFile    `yaml:"hardware_dead_man" says:"a line that the run keeps alive, for a circuit or relay that ends RF when it is not: program and watcher may both be gone"`
		PowerRelay     *relayFile      `yaml:"power_relay" says:"a relay that switches the DUT off and on to reset it"`
		Switch         *switchFile     `yaml:"switch" says:"a switch matrix whose route is set and checked before RF"`
		SinglePath     bool            `yaml:"accept_single_path" says:"true accepts that nothing but the run itself can end RF while it lives, because it holds the only connection of every instrument that could"`
		UnmeasuredGain bool            `yaml:"accept_unmeasured_gain" says:"true accepts a constant drive without a power meter at the clamp on an amplifier whose gain nobody has measured"`
		Tables         []string        `yaml:"tables" says:"files with command tables of one's own"`
	}
	switchFile struct {
		identityFile
		connectionFile
		Route string `yaml:"route,required" says:"the route that the bench's wiring stands for"`
	}
	identityFile struct {
		ID          string        `yaml:"id,required" says:"name of the piece, unique on the bench"`
		Description string        `yaml:"description" says:"what it is"`
		Serial      string        `yaml:"serial" says:"serial number"`
		Calibrated  document.Date `yaml:"calibrated" says:"day of the last calibration, 2026-03-01"`
		Due         document.Date `yaml:"due" says:"day on which the calibration ends; an overdue one is told"`
		Certificate string        `yaml:"certificate" says:"number of the calibration certificate"`
	}
	connectionFile struct {
		Address    string      `yaml:"address" says:"open VISA resource string, for example TCPIP::192.168.1.20::5025::SOCKET; without it the piece is not driven"`
		Through    string      `yaml:"through" says:"address of the adapter that it hangs on, where that is a bus of its own"`
		SerialLine string      `yaml:"serial_line" says:"speed and frame of a serial port, for example 9600 8N1"`
		Table      string      `yaml:"table" says:"command table that it speaks; own ones are named under tables"`
		Timeout    rf.Duration `yaml:"timeout" says:"longest wait for an answer; default of the kind of connection"`
		Clients    clientsFile `yaml:"connections" says:"how many it takes: several, or one, where a second one is refused, waits or throws the first out; default several"`
		ByHand     bool        `yaml:"by_hand" says:"a person sets or reads it, as the program asks"`
	}
	sourceFile struct {
		identityFile
		connectionFile
		Kind           sourceKindFile  `yaml:"kind,required" says:"kind of generator; a function generator counts in volts under a load setting"`
		Band           bandFile        `yaml:"band,required" says:"where it works, LOW to HIGH"`
		Minimum        SourceLevel     `yaml:"minimum,required" says:"lowest level that it can be set to"`
		Maximum        SourceLevel     `yaml:"maximum,required" says:"highest level that it can be set to"`
		Resolution     rf.Gain         `yaml:"resolution,required" says:"smallest step of its level"`
		CountsIn       countsFile      `yaml:"counts_in,required" says:"unit that it counts in over the wire"`
		Load           loadFile        `yaml:"load" says:"load that its level is set for; default 50 Ω"`
		MaximumReverse rf.Power        `yaml:"maximum_reverse" says:"power into its output that it stands; not given: not looked at"`
		Uncertainty    uncertaintyFile `yaml:"uncertainty" says:"how well the level that it gives is known; default limits of 0.5 dB"`
		HardwareOff    string          `yaml:"hardware_off" says:"how RF can be taken away without its help, in words"`
	}
	passiveFile struct {
		identityFile
		qualityFile
		Kind         passiveKindFile `yaml:"kind,required" says:"kind of piece"`
		Loss         gainFile        `yaml:"loss,required" says:"loss over frequency, in dB above 0"`
		MaximumPower rf.Power        `yaml:"maximum_power" says:"average power that it stands; absent forbids"`
	}
	amplifierFile struct {
		identityFile
		qualityFile
		connectionFile
		Band           bandFile      `yaml:"band,required" says:"where it works, LOW to HIGH"`
		Gain           gainFile      `yaml:"gain,required" says:"gain over frequency"`
		GainMeasured   document.Date `yaml:"gain_measured" says:"day on which that gain was measured on this very amplifier, 2026-10-02; without it the gain counts as the data sheet's"`
		Compression    powerFile     `yaml:"compression" says:"output power at 1 dB compression; absent: nothing is allowed near saturation"`
		Saturation     rf.Power      `yaml:"saturation" says:"output power that it cannot exceed; also what the output is rated for"`
		MaximumInput   rf.Power      `yaml:"maximum_input" says:"level at its input that it stands, at the crest of the modulation's envelope; absent forbids"`
		MaximumDuty    rf.Fraction   `yaml:"maximum_duty" says:"largest share of the time with RF on"`
		ReflectedLimit rf.Power      `yaml:"reflected_limit" says:"reverse power that its output stands, at the envelope's crest; absent forbids"`
		Harmonics      rf.Gain       `yaml:"harmonics" says:"harmonics at 1 dB compression against the carrier"`
	}
	couplerFile struct {
		identityFile
		qualityFile
		Forward      gainFile `yaml:"forward,required" says:"coupling of the forward port"`
		Reverse      gainFile `yaml:"reverse,required" says:"coupling of the reverse port"`
		Loss         gainFile `yaml:"loss,required" says:"loss over frequency, in dB above 0"`
		MaximumPower rf.Power `yaml:"maximum_power" says:"average power that it stands; absent forbids"`
	}
	powerMeterFile struct {
		identityFile
		qualityFile
		connectionFile
		MaximumInput rf.Power `yaml:"maximum_input" says:"level at its input that it stands, at the crest of the modulation's envelope; absent forbids"`
		Floor        rf.Power `yaml:"floor" says:"reading without a signal: below 10 dB above it a reading is a bound"`
	}
	clampFile struct {
		identityFile
		qualityFile
		InsertionLoss   gainFile      `yaml:"insertion_loss,required" says:"forward power at the clamp over power in one 50 Ω port of the 50 + 50 Ω jig"`
		ReturnLoss      gainFile      `yaml:"return_loss" says:"match at the clamp's input in the jig; absent: total reflection"`
		SeriesImpedance impedanceFile `yaml:"series_impedance" says:"what the clamp puts in series with the cable; needed to convert a calibration to another loop"`
		MaximumForward  rf.Power      `yaml:"maximum_forward" says:"average forward power that it stands; absent forbids"`
		MaximumTime     rf.Duration   `yaml:"maximum_time" says:"longest time with RF on at a stretch"`
		MaximumDuty     rf.Fraction   `yaml:"maximum_duty" says:"largest share of the time with RF on"`
	}
	cableFile struct {
		identityFile
		Kind              string     `yaml:"kind" says:"the kind of cable, by which an archive finds it: RS-485, mains, 4 to 20 mA"`
		Length            rf.Length  `yaml:"length" says:"length of the cable"`
		Height            rf.Length  `yaml:"height" says:"height over the reference plane"`
		ClampToDUT        rf.Length  `yaml:"clamp_to_dut" says:"from the clamp's middle to the DUT's connector"`
		ProbeToDUT        rf.Length  `yaml:"probe_to_dut" says:"from the probe's middle to the DUT's connector"`
		PositionTolerance rf.Length  `yaml:"position_tolerance" says:"how well those places are kept, for the budget of the current"`
		Decoupling        string     `yaml:"decoupling" says:"what stands between the clamp and the auxiliary equipment, in words"`
		MaximumCurrent    rf.Current `yaml:"maximum_current" says:"current that it stands, r.m.s. at the envelope's crest; absent forbids"`
		ExpectedLow       *rf.Gain   `yaml:"expected_low" says:"lowest current on the cable against the jig's at the same power; default -20 dB"`
		ExpectedHigh      *rf.Gain   `yaml:"expected_high" says:"highest, likewise; default 10 dB"`
	}
	dutFile struct {
		identityFile
		Version     string      `yaml:"version" says:"of the product: board, firmware; an archive compares versions"`
		Port        string      `yaml:"port" says:"the port whose cable is injected"`
		Cycle       rf.Duration `yaml:"cycle" says:"time that the DUT takes for one cycle of its work; a shorter dwell is warned of"`
		NeededDwell rf.Duration `yaml:"needed_dwell" says:"dwell that its makers or a study ask for"`
	}
	probeFile struct {
		identityFile
		qualityFile
		TransferImpedance impedanceFile `yaml:"transfer_impedance,required" says:"voltage into 50 Ω over current"`
		MaximumCurrent    rf.Current    `yaml:"maximum_current" says:"current that it stands, r.m.s. at the envelope's crest; absent forbids"`
	}
	analyserFile struct {
		identityFile
		qualityFile
		connectionFile
		Band         bandFile       `yaml:"band,required" says:"where it works, LOW to HIGH"`
		MaximumInput rf.Power       `yaml:"maximum_input" says:"level at its input that it stands, at the crest of the modulation's envelope; absent forbids"`
		MixerLimit   rf.Power       `yaml:"mixer_limit" says:"level at the connector above which a reading is a bound, with the 0 dB of attenuation that is set"`
		Bandwidths   []rf.Frequency `yaml:"bandwidths,required" says:"resolution bandwidths that it has; the narrowest is used"`
		Floor        rf.Power       `yaml:"floor" says:"displayed noise at the narrowest bandwidth, with 0 dB of attenuation"`
		Spread       rf.Gain        `yaml:"reading_spread" says:"standard deviation of readings of a steady carrier; default 0.05 dB, assumed"`
	}
	relayFile struct {
		identityFile
		connectionFile
		OffFor   rf.Duration    `yaml:"off_for,required" says:"how long the supply is off"`
		StartsIn rf.Duration    `yaml:"starts_in" says:"time that the DUT takes to start"`
		Cycles   document.Count `yaml:"cycles,required" says:"largest number of cycles in a run"`
	}
	deadManFile struct {
		identityFile
		connectionFile
		Kind   deadManKindFile `yaml:"kind,required" says:"relay with a time-out of its own that every on arms again, or DTR or RTS of a serial port, whose edges trigger an external circuit"`
		Within rf.Duration     `yaml:"within,required" says:"how long RF stays possible once it is not fed any more, by the relay or the circuit"`
	}
	interlockFile struct {
		identityFile
		connectionFile
	}
)

// The curves of a bench file.
type (
	gainFile      = curveFile[rf.Gain, *rf.Gain]
	powerFile     = curveFile[rf.Power, *rf.Power]
	impedanceFile = curveFile[rf.Transimpedance, *rf.Transimpedance]
)

// curveFile is a curve as written: one value, or a mapping that says where its figures are.
type curveFile[V curve.Value, P interface {
	*V
	encoding.TextUnmarshaler
}] struct {
	Flat       *V                 `yaml:"flat" says:"one value over the band"`
	Band       *bandFile          `yaml:"band" says:"where it works, LOW to HIGH"`
	Points     map[rf.Frequency]V `yaml:"points" says:"mapping of frequencies to values, straight in between over the logarithm of frequency"`
	CSV        string             `yaml:"csv" says:"CSV file beside the bench file"`
	Units      CSVUnits           `yaml:"units" says:"what the CSV file does not say itself"`
	Touchstone string             `yaml:"touchstone" says:"S-parameter file beside the bench file"`
	Parameter  string             `yaml:"parameter" says:"parameter of it, for example S21"`
	Reading    string             `yaml:"reading" says:"how it is read, for example jig 50 Ω"`
	scalar     bool
}

// CSVUnits says what a CSV file does not say itself.
type CSVUnits struct {
	Frequency string `yaml:"frequency" says:"unit of the frequency column"`
	Value     string `yaml:"value" says:"unit of the value column"`
	Column    string `yaml:"column" says:"heading of the value column"`
	Decimal   string `yaml:"decimal" says:"decimal sign, comma or point"`
}

// Declared is the same for the reader of tables.
func (u CSVUnits) Declared() trace.Declared {
	d := trace.Declared{XUnit: u.Frequency, YUnit: u.Value, Decimal: u.Decimal}
	if u.Column != "" {
		d.YColumns = []string{u.Column}
	}
	return d
}

// UnmarshalText reads a curve that is one value.
func (c *curveFile[V, P]) UnmarshalText(text []byte) error {
	c.Flat, c.scalar = new(V), true
	return P(c.Flat).UnmarshalText(text)
}

// bandFile is a band as written: "100 kHz to 80 MHz".
type bandFile struct{ Band }

// UnmarshalText reads "LOW to HIGH".
func (b *bandFile) UnmarshalText(text []byte) error {
	low, high, ok := strings.Cut(string(text), " to ")
	if !ok {
		return fmt.Errorf("%q is not a band (want for example \"100 kHz to 80 MHz\")", text)
	}
	var err error
	if b.Low, err = rf.ParseFrequency(low); err != nil {
		return err
	}
	if b.High, err = rf.ParseFrequency(high); err != nil {
		return err
	}
	if b.Low >= b.High {
		return fmt.Errorf("the band %q does not rise", text)
	}
	return nil
}

// SourceLevel is a generator's level as it shows it: a power, or a voltage under its load setting.
type SourceLevel struct {
	power   rf.Power
	voltage rf.Voltage
	emf     bool
}

// bareVolts are volts that do not say which: peak to peak and r.m.s. lie 9 dB apart.
var bareVolts = regexp.MustCompile(`(?i)^([-+0-9.,e \x{00a0}]+)([munkµμ]?)V$`)

// UnmarshalText reads a power, else a voltage that says which one it is.
func (s *SourceLevel) UnmarshalText(text []byte) error {
	*s = SourceLevel{}
	t := strings.TrimSpace(string(text))
	p, perr := rf.Parse[rf.Watt](t)
	if perr == nil {
		s.power = p
		return nil
	}
	if m := bareVolts.FindStringSubmatch(t); m != nil {
		number, unit := strings.TrimSpace(m[1]), m[2]+"V"
		return fmt.Errorf("%q does not say which voltage: peak to peak and r.m.s. lie 9 dB apart (want \"%s %spp\", "+
			"\"%s %srms\", \"%s %spk\" or \"%s %s emf\")",
			t, number, unit, number, unit, number, unit, number, unit)
	}
	t, s.emf = strings.CutSuffix(t, " emf")
	v, verr := rf.Parse[rf.Volt](t)
	if verr != nil {
		if strings.Contains(perr.Error(), "unit") {
			return fmt.Errorf("%q is neither a power nor a voltage (want for example \"10 dBm\" or \"10 Vpp\")", text)
		}
		return perr
	}
	s.voltage = v
	return nil
}

// Available returns the power into 50 Ω of a level shown under a load setting. Set for high-Z a
// generator shows the open-circuit voltage, twice what it gives into 50 Ω; an e.m.f. is that, whatever is set.
func (s SourceLevel) Available(load LoadSetting) rf.Power {
	if s.voltage.Absent() {
		return s.power
	}
	v := s.voltage
	if load == LoadHighZ || s.emf {
		v = v.Add(rf.GainOfAmplitudeRatio(0.5))
	}
	return rf.PowerInto(v, rf.Z0)
}

// toleranceFile is a half-width with the unit of what is watched: "0.05 kg".
type toleranceFile struct {
	value float64
	unit  string
}

var tolerancePattern = regexp.MustCompile(`^\s*(\d+(?:[.,]\d+)?)\s*(\S.*?)?\s*$`)

// UnmarshalText reads a number and the unit that the monitored reading counts in.
func (t *toleranceFile) UnmarshalText(text []byte) error {
	m := tolerancePattern.FindStringSubmatch(string(text))
	if m == nil {
		return fmt.Errorf("%q is not a tolerance (want for example \"0.05 kg\")", text)
	}
	if m[2] == "" {
		return fmt.Errorf("%q has no unit (want the unit that the reading counts in, for example \"0.05 kg\")", text)
	}
	_, err := fmt.Sscanf(strings.Replace(m[1], ",", ".", 1), "%g", &t.value)
	t.unit = m[2]
	return err
}

// The closed sets of words.
type (
	sourceKindFile  string
	passiveKindFile string
	monitorKindFile string
	countsFile      string
	loadFile        string
	clientsFile     string
	deadManKindFile string
)

func word(into *string, text []byte, words ...string) error {
	*into = strings.TrimSpace(string(text))
	return document.OneOf(*into, words...)
}

// UnmarshalText reads the kind of generator.
func (s *sourceKindFile) UnmarshalText(t []byte) error {
	return word((*string)(s), t, SignalGenerator, FunctionGenerator)
}

// UnmarshalText reads the kind of a passive piece.
func (p *passiveKindFile) UnmarshalText(t []byte) error {
	return word((*string)(p), t, "pad", "coax", "filter", "adaptor")
}

// UnmarshalText reads the unit that a generator counts in.
func (c *countsFile) UnmarshalText(t []byte) error {
	return word((*string)(c), t, string(CountsDBm), string(CountsVpp))
}

// UnmarshalText reads a load setting: "50 Ω" in any spelling, or "high-Z".
func (l *loadFile) UnmarshalText(t []byte) error {
	var r rf.Resistance
	if r.UnmarshalText(t) == nil && r == rf.Z0 {
		*l = loadFile(Load50)
		return nil
	}
	return word((*string)(l), t, string(Load50), string(LoadHighZ))
}

// UnmarshalText reads how many connections an instrument takes.
func (c *clientsFile) UnmarshalText(t []byte) error {
	return word((*string)(c), t, "several", oneConnection)
}

const oneConnection = "one"

// UnmarshalText reads by what a hardware dead-man is fed.
func (k *deadManKindFile) UnmarshalText(t []byte) error {
	return word((*string)(k), t, deadManRelay, LineDTR, LineRTS)
}

const deadManRelay = "relay"
