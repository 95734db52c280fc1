package catalog

import (
	"encoding"
	"fmt"
	"regexp"
	"strings"

	"provoke/internal/curve"
	"provoke/internal/document"
	"provoke/internal/rf"
)

// The shapes of a bench file as written. Each is turned into its piece in build.go. Every key is
// shown, with a comment, in testdata/belt-weigher.yaml.
type (
	benchFile struct {
		Name        string          `yaml:"name,required"`
		Source      *sourceFile     `yaml:"source,required"`
		ToAmplifier []passiveFile   `yaml:"to_amplifier"`
		Amplifier   *amplifierFile  `yaml:"amplifier"`
		ToClamp     []passiveFile   `yaml:"to_clamp"`
		Coupler     *couplerFile    `yaml:"coupler"`
		PowerMeter  *powerMeterFile `yaml:"power_meter"`
		Clamp       *clampFile      `yaml:"clamp,required"`
		Cable       *cableFile      `yaml:"cable,required"`
		DUT         *dutFile        `yaml:"dut,required"`
		Probe       *probeFile      `yaml:"probe"`
		ToAnalyser  []passiveFile   `yaml:"to_analyser"`
		Analyser    *analyserFile   `yaml:"analyser"`
		Monitors    []monitorFile   `yaml:"monitors"`
		Interlock   *interlockFile  `yaml:"interlock"`
		PowerRelay  *relayFile      `yaml:"power_relay"`
		Switch      *switchFile     `yaml:"switch"`
		Tables      []string        `yaml:"tables"`
	}
	switchFile struct {
		identityFile
		connectionFile
		Route string `yaml:"route,required"`
	}
	identityFile struct {
		ID          string        `yaml:"id,required"`
		Description string        `yaml:"description"`
		Serial      string        `yaml:"serial"`
		Calibrated  document.Date `yaml:"calibrated"`
		Due         document.Date `yaml:"due"`
		Certificate string        `yaml:"certificate"`
	}
	connectionFile struct {
		Address    string      `yaml:"address"`
		Through    string      `yaml:"through"`
		SerialLine string      `yaml:"serial_line"`
		Table      string      `yaml:"table"`
		Timeout    rf.Duration `yaml:"timeout"`
		ByHand     bool        `yaml:"by_hand"`
	}
	sourceFile struct {
		identityFile
		connectionFile
		Kind           sourceKindFile  `yaml:"kind,required"`
		Band           bandFile        `yaml:"band,required"`
		Minimum        sourceLevelFile `yaml:"minimum,required"`
		Maximum        sourceLevelFile `yaml:"maximum,required"`
		Resolution     rf.Gain         `yaml:"resolution,required"`
		CountsIn       countsFile      `yaml:"counts_in,required"`
		Load           loadFile        `yaml:"load"`
		MaximumReverse rf.Power        `yaml:"maximum_reverse"`
		HardwareOff    string          `yaml:"hardware_off"`
	}
	passiveFile struct {
		identityFile
		qualityFile
		Kind         passiveKindFile `yaml:"kind,required"`
		Loss         gainFile        `yaml:"loss,required"`
		MaximumPower rf.Power        `yaml:"maximum_power"`
	}
	amplifierFile struct {
		identityFile
		qualityFile
		connectionFile
		Band           bandFile    `yaml:"band,required"`
		Gain           gainFile    `yaml:"gain,required"`
		Compression    powerFile   `yaml:"compression"`
		Saturation     rf.Power    `yaml:"saturation"`
		MaximumInput   rf.Power    `yaml:"maximum_input"`
		MaximumDuty    rf.Fraction `yaml:"maximum_duty"`
		ReflectedLimit rf.Power    `yaml:"reflected_limit"`
		Harmonics      rf.Gain     `yaml:"harmonics"`
	}
	couplerFile struct {
		identityFile
		qualityFile
		Forward      gainFile `yaml:"forward,required"`
		Reverse      gainFile `yaml:"reverse,required"`
		Loss         gainFile `yaml:"loss,required"`
		MaximumPower rf.Power `yaml:"maximum_power"`
	}
	powerMeterFile struct {
		identityFile
		qualityFile
		connectionFile
		MaximumInput rf.Power `yaml:"maximum_input"`
		Floor        rf.Power `yaml:"floor"`
	}
	clampFile struct {
		identityFile
		qualityFile
		InsertionLoss   gainFile      `yaml:"insertion_loss,required"`
		ReturnLoss      gainFile      `yaml:"return_loss"`
		SeriesImpedance impedanceFile `yaml:"series_impedance"`
		MaximumForward  rf.Power      `yaml:"maximum_forward"`
		MaximumTime     rf.Duration   `yaml:"maximum_time"`
		MaximumDuty     rf.Fraction   `yaml:"maximum_duty"`
	}
	cableFile struct {
		identityFile
		Length            rf.Length  `yaml:"length"`
		Height            rf.Length  `yaml:"height"`
		ClampToDUT        rf.Length  `yaml:"clamp_to_dut"`
		ProbeToDUT        rf.Length  `yaml:"probe_to_dut"`
		PositionTolerance rf.Length  `yaml:"position_tolerance"`
		Decoupling        string     `yaml:"decoupling"`
		MaximumCurrent    rf.Current `yaml:"maximum_current"`
		ExpectedLow       *rf.Gain   `yaml:"expected_low"`
		ExpectedHigh      *rf.Gain   `yaml:"expected_high"`
	}
	dutFile struct {
		identityFile
		Port        string      `yaml:"port"`
		Cycle       rf.Duration `yaml:"cycle"`
		NeededDwell rf.Duration `yaml:"needed_dwell"`
	}
	probeFile struct {
		identityFile
		qualityFile
		TransferImpedance impedanceFile `yaml:"transfer_impedance,required"`
		MaximumCurrent    rf.Current    `yaml:"maximum_current"`
	}
	analyserFile struct {
		identityFile
		qualityFile
		connectionFile
		Band         bandFile       `yaml:"band,required"`
		MaximumInput rf.Power       `yaml:"maximum_input"`
		MixerLimit   rf.Power       `yaml:"mixer_limit"`
		Bandwidths   []rf.Frequency `yaml:"bandwidths"`
		Floor        rf.Power       `yaml:"floor"`
	}
	monitorFile struct {
		identityFile
		connectionFile
		Kind         monitorKindFile `yaml:"kind,required"`
		Query        string          `yaml:"query"`
		Pattern      string          `yaml:"pattern"`
		Tolerance    toleranceFile   `yaml:"tolerance"`
		ErrorPattern string          `yaml:"error_pattern"`
		Silence      rf.Duration     `yaml:"silence"`
		Latency      rf.Duration     `yaml:"latency"`
		Every        rf.Duration     `yaml:"every"`
		Command      []string        `yaml:"command"`
		Reset        string          `yaml:"reset"`

		Station       document.Count `yaml:"station"`
		Register      registerFile   `yaml:"register"`
		Format        formatFile     `yaml:"format"`
		WordOrder     wordOrderFile  `yaml:"word_order"`
		Scale         toleranceFile  `yaml:"scale"`
		Topic         string         `yaml:"topic"`
		URL           string         `yaml:"url"`
		Field         string         `yaml:"field"`
		Host          string         `yaml:"host"`
		Capture       rf.Duration    `yaml:"capture"`
		Samples       document.Count `yaml:"samples"`
		PeakTolerance toleranceFile  `yaml:"peak_tolerance"`
	}
	relayFile struct {
		identityFile
		connectionFile
		OffFor   rf.Duration    `yaml:"off_for,required"`
		StartsIn rf.Duration    `yaml:"starts_in"`
		Cycles   document.Count `yaml:"cycles,required"`
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
	Flat       *V                 `yaml:"flat"`
	Band       *bandFile          `yaml:"band"`
	Points     map[rf.Frequency]V `yaml:"points"`
	CSV        string             `yaml:"csv"`
	Units      csvFile            `yaml:"units"`
	Touchstone string             `yaml:"touchstone"`
	Parameter  string             `yaml:"parameter"`
	Reading    string             `yaml:"reading"`
	scalar     bool
}

// csvFile says what a CSV file does not say itself.
type csvFile struct {
	Frequency string `yaml:"frequency"`
	Value     string `yaml:"value"`
	Column    string `yaml:"column"`
	Decimal   string `yaml:"decimal"`
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

// sourceLevelFile is a generator's level as it shows it: a power, or a voltage under its load
// setting.
type sourceLevelFile struct {
	power   rf.Power
	voltage rf.Voltage
}

// UnmarshalText reads a power, else a voltage.
func (s *sourceLevelFile) UnmarshalText(text []byte) error {
	p, perr := rf.Parse[rf.Watt](string(text))
	if perr == nil {
		s.power = p
		return nil
	}
	v, verr := rf.Parse[rf.Volt](string(text))
	if verr != nil {
		if strings.Contains(perr.Error(), "unit") {
			return fmt.Errorf("%q is neither a power nor a voltage (want for example \"10 dBm\" or \"10 Vpp\")", text)
		}
		return perr
	}
	s.voltage = v
	return nil
}

// available returns the power into 50 Ω of a level shown under a load setting. Set for high-Z a
// generator shows the open-circuit voltage, twice what it gives into 50 Ω.
func (s sourceLevelFile) available(load LoadSetting) rf.Power {
	if s.voltage.Absent() {
		return s.power
	}
	v := s.voltage
	if load == LoadHighZ {
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

// UnmarshalText reads the kind of a monitor.
func (m *monitorKindFile) UnmarshalText(t []byte) error {
	return word((*string)(m), t, string(MonitorMeter), string(MonitorText), string(MonitorCommand), string(MonitorOperator),
		string(MonitorModbus), string(MonitorMQTT), string(MonitorHTTP), string(MonitorPing), string(MonitorAnalogue))
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
