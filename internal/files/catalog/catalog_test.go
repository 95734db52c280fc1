package catalog_test

import (
	"bytes"
	"io/fs"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/resource"
	"provoke/internal/units/rf"
)

func fromTestdata(name string) ([]byte, error) { return os.ReadFile("testdata/" + name) }

func sample(t testing.TB) []byte {
	t.Helper()
	data, err := fromTestdata("belt-weigher.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func beltWeigher(t testing.TB) *catalog.Bench {
	t.Helper()
	b, list := catalog.Parse("belt-weigher.yaml", sample(t), fromTestdata)
	if len(list) > 0 {
		t.Fatalf("the sample has problems:\n%v", list)
	}
	return b
}

func gainAt(t *testing.T, what string, c interface {
	At(rf.Frequency) (rf.Gain, error)
}, f rf.Frequency, want rf.Gain) {
	t.Helper()
	got, err := c.At(f)
	if err != nil || math.Abs(float64(got-want)) > 1e-6 {
		t.Errorf("%s at %v is %v (%v), want %v", what, f, got, err, want)
	}
}

// Every figure is the one that stands in the file.
func TestTheSampleBenchIsReadWhole(t *testing.T) {
	b := beltWeigher(t)
	// 10 Vpp into 50 Ω is 23.979 dBm, 2 mVpp −50 dBm (check values G05 and, 60 dB lower, G04).
	if b.Source.Maximum.Text(3) != "23.979 dBm" || b.Source.Minimum.Text(3) != "-50.000 dBm" ||
		b.Source.Kind != catalog.FunctionGenerator {
		t.Errorf("source %+v", b.Source)
	}
	gainAt(t, "coax by points", b.ToAmplifier[1].Loss, 10*rf.Megahertz, 0.1)
	gainAt(t, "coax by CSV", b.ToClamp[0].Loss, 10*rf.Megahertz, 0.10)
	gainAt(t, "coax by Touchstone", b.ToAnalyser[1].Loss, 10*rf.Megahertz, 0.15)
	gainAt(t, "pad", b.ToAmplifier[0].Loss, rf.Gigahertz, 20)
	gainAt(t, "insertion loss", b.Clamp.InsertionLoss, rf.Megahertz, 9.56)
	// Zt[dBΩ] = S21[dB] + 33.9794 (physics.md 2.3): −20.05 + 33.9794.
	zt, err := b.Probe.TransferImpedance.At(rf.Megahertz)
	if err != nil || math.Abs(zt.In()-13.9294) > 1e-4 {
		t.Errorf("Zt = %v, %v", zt, err)
	}
	if b.Amplifier.MaximumInput != rf.DBm(3) || b.Amplifier.MaximumDuty != 1 || b.Cable.ExpectedHigh != 10 ||
		b.DUT.Port != "X2, RS-485 output" {
		t.Errorf("%+v %+v %+v", b.Amplifier, b.Cable, b.DUT)
	}
	m := b.Monitors[0]
	if len(b.Monitors) != 4 || m.Kind != catalog.MonitorText || m.Tolerance != 0.05 || m.Unit != "kg" ||
		m.Silence.Std() != 3*time.Second {
		t.Errorf("monitors %+v", b.Monitors)
	}
	if b.Interlock == nil || b.Interlock.Table != catalog.TableInterlock || b.Source.Timeout.Std() != 2*time.Second {
		t.Errorf("%+v", b.Interlock)
	}
	if got := len(b.Pieces()); got != 19 {
		t.Errorf("%d pieces", got)
	}
}

func TestTheHashCoversTheNamedFiles(t *testing.T) {
	b := beltWeigher(t)
	if len(b.Files) != 4 || !bytes.Equal(b.Bytes, sample(t)) {
		t.Fatalf("files %d", len(b.Files))
	}
	again, _ := catalog.Parse("elsewhere.yaml", b.Bytes, func(name string) ([]byte, error) {
		return b.Files[name],
			nil
	})
	if again.Hash != b.Hash || len(b.Hash) != 64 {
		t.Errorf("the same bytes under another name: %s, %s", again.Hash, b.Hash)
	}
	other, _ := catalog.Parse("belt-weigher.yaml", b.Bytes, func(name string) ([]byte, error) {
		return append(append([]byte(nil), b.Files[name]...), '\n'), nil
	})
	if other.Hash == b.Hash {
		t.Error("a changed curve file does not change the hash")
	}
}

func TestCalibrationIsOverdueTheDayAfter(t *testing.T) {
	b := beltWeigher(t) // due 2027-03-02
	if late := b.Overdue(time.Date(2027, 3, 2, 23, 0, 0, 0, time.UTC)); len(late) != 0 {
		t.Errorf("overdue on the day: %v", late)
	}
	late := b.Overdue(time.Date(2027, 3, 3, 1, 0, 0, 0, time.UTC))
	if len(late) != 5 || late[0].ID != "GEN1" {
		t.Errorf("overdue: %v", late)
	}
}

// Check values G03, G08 and G09: 1 Vpp is 3.979 dBm; set for high-Z the generator shows 2 Vpp for it.
func TestLoadSettingIsSixDecibels(t *testing.T) {
	for _, c := range []struct {
		load catalog.LoadSetting
		text string
		dBm  float64
	}{
		{catalog.Load50, "1 Vpp", 3.979400087},
		{catalog.LoadHighZ, "2 Vpp", 3.979400087},
		{catalog.Load50, "632.455532 mVpp", 0},
		{catalog.LoadHighZ, "-3 dBm", -3},
	} {
		s := catalog.Source{CountsIn: catalog.CountsVpp, Load: c.load}
		p, err := s.ParseSetting(c.text)
		if err != nil || math.Abs(p.In()-c.dBm) > 1e-6 {
			t.Errorf("%s set for %s is %v (%v), want %g dBm", c.text, c.load, p.Text(6), err, c.dBm)
		}
	}
}

func TestASettingIsRoundedDown(t *testing.T) {
	for _, c := range []struct {
		source catalog.Source
		dBm    float64
		want   string
	}{
		{catalog.Source{CountsIn: catalog.CountsDBm}, -12.345, "-12.35 dBm"},
		{catalog.Source{CountsIn: catalog.CountsDBm}, 3, "3.00 dBm"},
		{catalog.Source{CountsIn: catalog.CountsVpp, Load: catalog.Load50}, 0, "632.4 mVpp (set for 50 Ω)"},
		{catalog.Source{CountsIn: catalog.CountsVpp, Load: catalog.LoadHighZ}, 3.979400087,
			"2.000 Vpp (set for high-Z)"},
		{catalog.Source{CountsIn: catalog.CountsVpp, Load: catalog.Load50}, 23.97940009, "10.00 Vpp (set for 50 Ω)"},
		{catalog.Source{CountsIn: catalog.CountsVpp, Load: catalog.Load50}, -56.0205999133,
			"1.000 mVpp (set for 50 Ω)"},
		{catalog.Source{CountsIn: catalog.CountsVpp, Load: catalog.Load50}, -76.0205999, "100.0 µVpp (set for 50 Ω)"},
	} {
		if got := c.source.Setting(rf.DBm(c.dBm)); got != c.want {
			t.Errorf("%g dBm: %s, want %s", c.dBm, got, c.want)
		}
	}
	if got := (catalog.Source{}).Setting(rf.Power{}); got != "–" {
		t.Errorf("absent: %s", got)
	}
}

// least is a bench with all it must have and nothing else.
const least = `provoke: bench 1
name: least
source:
  id: GEN1
  kind: signal generator
  band: 100 kHz to 80 MHz
  minimum: -60 dBm
  maximum: 10 dBm
  resolution: 0.1 dB
  counts_in: dBm
to_amplifier:
  - {id: PAD1, kind: pad, loss: 10 dB, maximum_power: 1 W}
amplifier:
  id: AMP1
  band: 100 kHz to 100 MHz
  gain: 40 dB
  compression: 37 dBm
  saturation: 39 dBm
  maximum_input: 3 dBm
  reflected_limit: 10 W
clamp:
  id: CLAMP1
  insertion_loss: {flat: 8 dB, band: 150 kHz to 80 MHz}
  return_loss: {flat: 3 dB, band: 150 kHz to 80 MHz}
  maximum_forward: 10 W
cable:
  id: W1
  length: 2 m
  maximum_current: 300 mA
dut:
  id: DUT1
probe:
  id: PROBE1
  transfer_impedance: {flat: 5 Ω, band: 150 kHz to 80 MHz}
  maximum_current: 1 A
analyser:
  id: SA1
  band: 9 kHz to 1 GHz
  maximum_input: 20 dBm
  mixer_limit: -10 dBm
  bandwidths: [1 kHz]
  floor: -110 dBm
monitors:
  - {id: KEY, kind: operator}
interlock:
  id: LOCK1
  address: TCPIP::10.0.0.1::5025::SOCKET
`

// Each case changes one thing of the least bench; what is told is compared as a whole.
func TestEveryFaultOfABenchIsToldWithItsPlace(t *testing.T) {
	const noAddress = "b:3:1: warning: source has no address: it cannot be driven from here"
	files := map[string]string{
		"good.csv":  "f/MHz;loss/dB\n0,1;6\n100;8\n",
		"bad.csv":   "f/MHz;loss/dB\n0,1;6\n100;x\n",
		"pad.s2p":   "# MHz S DB R 50\n0.1 -40 0 -6 0 -6 0 -40 0\n100 -40 0 -7 0 -7 0 -40 0\n",
		"bad.s2p":   "# MHz S DB R 50\n0.1 -40 0 -6\n",
		"short.csv": "f/MHz;loss/dB\n1;6\n2;8\n",
	}
	for name, c := range map[string]struct{ from, to, want string }{
		"nothing":  {"", "", ""},
		"not YAML": {"name: least", "name: [", "b:2:7: YAML: sequence end token ']' not found"},
		"two pieces of one name": {"id: AMP1", "id: GEN1",
			"b:14:7: source and amplifier are both called GEN1"},
		"unknown key": {"saturation:", "saturaton:",
			"b:13:1: warning: amplifier has no saturation: no output level can be shown to be safe\nb:18:3: " +
				"amplifier has no key \"saturaton\""},
		"due before calibrated": {"id: DUT1", "id: DUT1\n  calibrated: 2026-03-02\n  due: 2026-03-01",
			"b:33:8: dut is due before it was calibrated"},
		"minimum above maximum": {"minimum: -60 dBm", "minimum: 11 dBm",
			"b:8:12: source.maximum (10.0 dBm into 50 Ω) is not above source.minimum (11.0 dBm)"},
		"resolution of nothing": {"resolution: 0.1 dB", "resolution: 0 dB",
			"b:9:15: source.resolution is 0.000 dB; it must lie between 0 dB and 6 dB"},
		"Vpp without a load": {"counts_in: dBm", "counts_in: Vpp",
			"b:3:1: source counts in Vpp but does not say under which load setting"},
		"dBm under high-Z": {"counts_in: dBm", "counts_in: dBm\n  load: high-Z",
			"b:11:9: a generator set for a high-Z load cannot count in dBm"},
		"load of 75 Ω": {"counts_in: dBm", "counts_in: dBm\n  load: 75 Ω",
			`b:11:9: source.load: "75 Ω" is not one of: 50 Ω, high-Z`},
		"counts in dBmV": {"counts_in: dBm", "counts_in: dBmV",
			`b:10:14: source.counts_in: "dBmV" is not one of: dBm, Vpp`},
		"level that is neither": {"maximum: 10 dBm", "maximum: 10 mA",
			`b:8:12: source.maximum: "10 mA" is neither a power nor a voltage (want for example "10 dBm" or "10 Vpp")`},
		"level without a unit": {"maximum: 10 dBm", "maximum: 10",
			`b:8:12: source.maximum: "10" is neither a power nor a voltage (want for example "10 dBm" or "10 Vpp")`},
		"rating that is a bound": {"maximum_input: 3 dBm", "maximum_input: at most 3 dBm",
			"b:19:18: amplifier.maximum_input is at most 3.0 dBm; it must be one exact value"},
		"rating that is off": {"maximum_forward: 10 W", "maximum_forward: off",
			"b:25:20: clamp.maximum_forward is off; it must be one exact value"},
		"band that falls": {"band: 100 kHz to 80 MHz", "band: 80 MHz to 100 kHz",
			`b:6:9: source.band: the band "80 MHz to 100 kHz" does not rise`},
		"band of one end": {"band: 100 kHz to 80 MHz", "band: 80 MHz",
			`b:6:9: source.band: "80 MHz" is not a band (want for example "100 kHz to 80 MHz")`},
		"passive of unknown kind": {"kind: pad", "kind: padd",
			`b:12:22: to_amplifier[0].kind: "padd" is not one of: pad, coax, filter, adaptor`},
		"negative loss": {"loss: 10 dB", "loss: -10 dB",
			"b:12:33: to_amplifier[0].loss is -10.00 dB: a loss cannot be negative"},
		"insertion loss below 3 dB": {"flat: 8 dB", "flat: 2 dB",
			"b:23:3: warning: an insertion loss of 2.00 dB at 150 kHz is less than the 3.01 dB that the jig's far " +
				"end takes"},
		"one value without a band": {"{flat: 8 dB, band: 150 kHz to 80 MHz}",
			"8 dB", "b:23:19: clamp.insertion_loss is one value without a band"},
		"curve without figures": {"{flat: 8 dB, band: 150 kHz to 80 MHz}", "{band: 1 kHz to 2 MHz}",
			"b:23:3: clamp.insertion_loss has no figures\nb:23:26: clamp.insertion_loss has band without flat"},
		"curve with two origins": {"{flat: 8 dB, band", "{flat: 8 dB, csv: good.csv, band",
			"b:23:3: clamp.insertion_loss has flat and csv: which of them counts?"},
		"points in a wrong unit": {"{flat: 8 dB, band: 150 kHz to 80 MHz}", "{points: {1 MHz: 8 dBm}}",
			`b:23:36: clamp.insertion_loss.points.1 MHz: unknown gain unit "dBm" in "8 dBm" (want dB)`},
		"point of an infinite value": {"transfer_impedance: {flat: 5 Ω, band: 150 kHz to 80 MHz}",
			"transfer_impedance: {points: {1 MHz: 0 Ω, 2 MHz: 1 Ω}}",
			"b:34:24: PROBE1 transfer impedance has no finite value at 1 MHz"},
		"curve file with a fault": {"{flat: 8 dB, band: 150 kHz to 80 MHz}", "{csv: bad.csv}",
			`bad.csv:3:5: "x" is no figure`},
		"curve file that is missing": {"{flat: 8 dB, band: 150 kHz to 80 MHz}", "{csv: none.csv}",
			`b:23:25: clamp.insertion_loss.csv: cannot read "none.csv": file does not exist`},
		"curve file in another place": {"{flat: 8 dB, band: 150 kHz to 80 MHz}", "{csv: ../good.csv}",
			`b:23:25: clamp.insertion_loss.csv: "../good.csv" leads out of the bench file's folder or is not the shortest way to write the name`},
		"curve file by absolute path": {"{flat: 8 dB, band: 150 kHz to 80 MHz}", "{csv: /good.csv}",
			`b:23:25: clamp.insertion_loss.csv: "/good.csv" is an absolute path`},
		"curve file with a backslash": {"{flat: 8 dB, band: 150 kHz to 80 MHz}", `{csv: 'a\good.csv'}`,
			`b:23:25: clamp.insertion_loss.csv: "a\\good.csv" has a backslash; write folders with /`},
		"curve file on a drive": {"{flat: 8 dB, band: 150 kHz to 80 MHz}", `{csv: 'C:good.csv'}`,
			`b:23:25: clamp.insertion_loss.csv: "C:good.csv" is an absolute path`},
		"Touchstone file with a fault": {"loss: 10 dB", "loss: {touchstone: bad.s2p}", "bad.s2p:2"},
		"Touchstone parameter": {"loss: 10 dB", "loss: {touchstone: pad.s2p, parameter: T21}",
			`b:12:66: to_amplifier[0].loss.parameter: "T21" is not an S-parameter`},
		"Touchstone port that is not": {"loss: 10 dB", "loss: {touchstone: pad.s2p, parameter: S31}",
			"b:12:46: to_amplifier[0].loss: pad.s2p has 2 ports, not S31"},
		"Touchstone read as the opposite": {"loss: 10 dB", "loss: {touchstone: pad.s2p, reading: gain}",
			"b:12:27: to_amplifier[0].loss is -7.00 dB: a loss cannot be negative"},
		"Touchstone for a power": {"compression: 37 dBm", "compression: {touchstone: pad.s2p}",
			"b:17:29: amplifier.compression cannot come from a Touchstone file"},
		"compression above saturation": {"compression: 37 dBm", "compression: 39.5 dBm",
			"b:18:15: the 1 dB compression of 39.5 dBm at 100 kHz is above the saturation of 39.0 dBm"},
		"duty of more than the whole": {"saturation: 39 dBm", "saturation: 39 dBm\n  maximum_duty: 120 %",
			"b:19:17: amplifier.maximum_duty: fraction \"120 %\" is out of range; it lies between 0 % and 100 %"},
		"cable shorter than the clamp": {"length: 2 m", "length: 2 m\n  clamp_to_dut: 3 m",
			"b:29:17: cable.clamp_to_dut is 3 m on a cable of 2 m"},
		"expected range upside down": {"length: 2 m", "length: 2 m\n  expected_low: 20 dB",
			"b:29:17: cable.expected_low is 20.0 dB; it must not be above 0 dB"},
		"power meter without a coupler": {"dut:\n  id: DUT1",
			"dut:\n  id: DUT1\npower_meter: {id: PM1, maximum_input: 20 dBm, floor: -60 dBm}",
			"b:32:1: the bench has a power meter but no coupler that it could read"},
		"no amplifier rating": {"  maximum_input: 3 dBm\n", "",
			"b:13:1: warning: amplifier has no maximum_input: no input level can be shown to be safe"},
		"no cap on the cable": {"  maximum_current: 300 mA\n",
			"", "b:26:1: warning: cable has no maximum_current: no current on it can be shown to be safe"},
		"no floor": {"  floor: -110 dBm\n",
			"", "b:36:1: warning: analyser has no floor: a reading cannot be told from its noise"},
		"no bandwidth in the list": {"bandwidths: [1 kHz]", "bandwidths: []",
			"b:41:3: analyser.bandwidths is empty"},
		"band that is refused, told once": {"band: 100 kHz to 100 MHz", "band: 100 kHz to 100 Mhz",
			"b:15:9: amplifier.band: unknown frequency unit \"Mhz\" in \"100 Mhz\": did you mean \"MHz\"?"},
		"no match": {"  return_loss: {flat: 3 dB, band: 150 kHz to 80 MHz}\n",
			"", "b:21:1: warning: clamp has no return_loss: total reflection is assumed"},
		"bands that do not meet": {"{flat: 8 dB, band: 150 kHz to 80 MHz}",
			"{flat: 8 dB, band: 1 kHz to 50 kHz}",
			"b:23:3: no frequency is left: GEN1 begins at 100 kHz and CLAMP1 ends at 50 kHz"},
		"probe that sees less": {"{flat: 5 Ω, band: 150 kHz to 80 MHz}",
			"{flat: 5 Ω, band: 1 MHz to 30 MHz}",
			"b:34:3: warning: probe.transfer_impedance covers only 1 MHz to 30 MHz of the 150 kHz to 80 MHz that the " +
				"rest can drive"},
		"probe that sees nothing": {"{flat: 5 Ω, band: 150 kHz to 80 MHz}", "{flat: 5 Ω, band: 1 kHz to 3 kHz}",
			"b:34:3: probe.transfer_impedance covers 1 kHz to 3 kHz, nothing of the 150 kHz to 80 MHz that the rest " +
				"can drive"},
		"GPIB without an adapter": {"TCPIP::10.0.0.1::5025::SOCKET", "GPIB0::18::INSTR",
			"b:47:12: interlock is on GPIB but nothing leads there"},
		"GPIB through an adapter": {"TCPIP::10.0.0.1::5025::SOCKET",
			"GPIB0::18::INSTR\n  through: TCPIP::10.0.0.1::1234::SOCKET", ""},
		"an adapter for no bus": {"TCPIP::10.0.0.1::5025::SOCKET",
			"TCPIP::10.0.0.1::5025::SOCKET\n  through: TCPIP::10.0.0.1::1234::SOCKET",
			"b:48:12: interlock goes through an adapter but is not on GPIB"},
		"an adapter that is none": {"TCPIP::10.0.0.1::5025::SOCKET",
			"GPIB0::18::INSTR\n  through: GPIB1::3::INSTR", "b:48:12: an adapter cannot be reached by GPIB"},
		"VXI-11": {"TCPIP::10.0.0.1::5025::SOCKET", "TCPIP::10.0.0.1::inst0::INSTR", ""},
		"HiSLIP": {"TCPIP::10.0.0.1::5025::SOCKET", "TCPIP::10.0.0.1::hislip0::INSTR", ""},
		"USB":    {"TCPIP::10.0.0.1::5025::SOCKET", "USB0::0x1234::0x5678::SER1::INSTR", ""},
		"instrument on a serial port": {"TCPIP::10.0.0.1::5025::SOCKET",
			"ASRL3::INSTR\n  serial_line: 9600 8N1 rts-cts", ""},
		"instrument on a nameless line": {"TCPIP::10.0.0.1::5025::SOCKET", "ASRL3::INSTR",
			"b:45:1: interlock is on a serial port but has no serial_line"},
		"monitor of lines over VXI-11": {"kind: operator",
			"kind: text, address: 'TCPIP::h::INSTR', silence: 1 s, error_pattern: E",
			"b:44:36: a monitor of kind text listens on a raw socket or a serial port, not over VXI-11"},
		"address that is none": {"TCPIP::10.0.0.1::5025::SOCKET", "10.0.0.1:5025",
			`b:47:12: address "10.0.0.1:5025": it begins with none of TCPIP, USB, GPIB, ASRL (addresses are written ` +
				resource.Forms + ")"},
		"table of another role": {"::5025::SOCKET", "::5025::SOCKET\n  table: meter",
			`b:48:10: the command table "meter" is not one for interlock`},
		"table with a slip": {"::5025::SOCKET", "::5025::SOCKET\n  table: interlok",
			`b:48:10: no command table is called "interlok"`},
		"table of one's own": {"::5025::SOCKET", "::5025::SOCKET\n  table: door box 7",
			`b:48:10: warning: the command table "door box 7" is not built in`},
		"table without an address": {"id: SA1", "id: SA1\n  table: analyser",
			"b:38:10: analyser has a table but no address"},
		"two pieces at one address": {"id: SA1", "id: SA1\n  address: TCPIP::10.0.0.1::5025::SOCKET",
			"b:48:12: warning: LOCK1 has the same address as SA1"},
		"monitor without its keys": {"kind: operator", "kind: meter",
			"b:44:5: monitors[0] has no address\nb:44:5: monitors[0] has no tolerance\nb:44:5: warning: monitors[0] " +
				"has no silence limit: a DUT that stops answering is not noticed by it"},
		"monitor with a wrong key": {"kind: operator", "kind: operator, query: X",
			"b:44:38: a monitor of kind operator has no query"},
		"pattern that is none": {"kind: operator",
			"kind: text, address: 'TCPIP::h::1::SOCKET', silence: 1 s, tolerance: 1 kg, pattern: '('",
			"b:44:99: monitors[0].pattern is not a regular expression: error parsing regexp: missing closing ): `(`"},
		"pattern without a group": {"kind: operator",
			"kind: text, address: 'TCPIP::h::1::SOCKET', silence: 1 s, tolerance: 1 kg, pattern: 'a'",
			"b:44:99: monitors[0].pattern has no group"},
		"number without a tolerance": {"kind: operator",
			"kind: text, address: 'TCPIP::h::1::SOCKET', silence: 1 s, pattern: '(a)'",
			"b:44:5: monitors[0] reads a number but has no tolerance"},
		"tolerance without a unit": {"kind: operator",
			"kind: text, address: 'TCPIP::h::1::SOCKET', silence: 1 s, pattern: '(a)', tolerance: 1",
			`b:44:100: monitors[0].tolerance: "1" has no unit (want the unit that the reading counts in, for example "0.05 kg")`},
		"serial port without its line": {"kind: operator",
			"kind: text, address: 'ASRL3::INSTR', silence: 1 s, error_pattern: E",
			"b:44:5: monitors[0] is on a serial port but has no serial_line"},
		"serial line that is none": {"kind: operator",
			"kind: text, address: 'ASRL3::INSTR', silence: 1 s, error_pattern: E, serial_line: fast",
			`b:44:97: "fast" is not speed and format of a serial port`},
		"no probe": {"probe:\n  id: PROBE1\n  transfer_impedance: {flat: 5 Ω, band: 150 kHz " +
			"to 80 MHz}\n  maximum_current: 1 A\n",
			"",
			"b:1:1: warning: the bench has no probe with an analyser: the current is computed, never " +
				"measured\nb:32:1: the bench has an analyser but no monitoring probe"},
		"no monitors": {"monitors:\n  - {id: KEY, kind: operator}\n",
			"", "b:1:1: warning: the bench has no monitors: an upset would not be noticed"},
		"no interlock": {"interlock:\n  id: LOCK1\n  address: TCPIP::10.0.0.1::5025::SOCKET\n",
			"", "b:1:1: warning: the bench has no interlock"},
		"no clamp, no cable, no dut": {least[strings.Index(least, "clamp:"):strings.Index(least, "probe:")],
			"", "b:1:1: the file has no clamp\nb:1:1: the file has no cable\nb:1:1: the file has no dut"},
	} {
		t.Run(name, func(t *testing.T) {
			if !strings.Contains(least, c.from) {
				t.Fatalf("%q is not in the least bench", c.from)
			}
			text := strings.Replace(least, c.from, c.to, 1)
			_, list := catalog.Parse("b", []byte(text), func(name string) ([]byte, error) {
				if s, ok := files[name]; ok {
					return []byte(s), nil
				}
				return nil, fs.ErrNotExist
			})
			var told []string
			for _, p := range list {
				p.Hint = ""
				if s := p.String(); s != noAddress {
					told = append(told, s)
				}
			}
			if strings.HasPrefix(c.want, "bad.s2p") { // the words are those of package touchstone
				if len(told) == 0 || !strings.HasPrefix(told[0], c.want) {
					t.Errorf("told %q", told)
				}
				return
			}
			if got := strings.Join(told, "\n"); got != c.want {
				t.Errorf("told\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

func TestCurvesMayComeFromFiles(t *testing.T) {
	text := strings.Replace(least, "loss: 10 dB",
		"loss: {csv: a/b.csv, units: {frequency: MHz, value: dB, decimal: ','}}", 1)
	b, list := catalog.Parse("b", []byte(text), func(string) ([]byte, error) { return []byte("0,1;6,5\n100;8\n"), nil })
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	gainAt(t, "loss", b.ToAmplifier[0].Loss, 100*rf.Kilohertz, 6.5)
}

func FuzzParse(f *testing.F) {
	f.Add(sample(f))
	f.Add([]byte(least))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, list := catalog.Parse("b", data, fromTestdata)
		if b == nil && list.Err() == nil {
			t.Error("no bench and no problem")
		}
		if b == nil || list.Err() != nil {
			return
		}
		// What is accepted has the figures without which nothing can be computed.
		if !b.Source.Minimum.Exact() || !b.Source.Maximum.Exact() || b.Source.Resolution <= 0 ||
			b.Clamp.InsertionLoss.Absent() || b.Source.ID == "" {
			t.Errorf("accepted %+v", b.Source)
		}
	})
}

func BenchmarkParse(b *testing.B) {
	data := sample(b)
	for b.Loop() {
		catalog.Parse("belt-weigher.yaml", data, fromTestdata)
	}
}
