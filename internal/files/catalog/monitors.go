package catalog

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"provoke/internal/files/document"
	"provoke/internal/files/resource"
	"provoke/internal/units/rf"
)

// registerFile is a Modbus register as written: "holding 100".
type registerFile struct {
	table  RegisterTable
	number int
}

// UnmarshalText reads a table and a number from 0.
func (r *registerFile) UnmarshalText(text []byte) error {
	t, n, ok := strings.Cut(strings.TrimSpace(string(text)), " ")
	if !ok {
		return fmt.Errorf("%q is not a register (want a table and a number, for example \"holding 100\"; a manual's 40101 is holding 100)", text)
	}
	if err := document.OneOf(t, string(HoldingRegister), string(InputRegister), string(Coil), string(DiscreteInput)); err != nil {
		return err
	}
	number, err := strconv.Atoi(strings.TrimSpace(n))
	if err != nil || number < 0 || number > 65535 {
		return fmt.Errorf("register number %q is not between 0 and 65535", n)
	}
	r.table, r.number = RegisterTable(t), number
	return nil
}

type (
	formatFile    string
	wordOrderFile string
)

// formats of a number in registers, with the registers that each takes.
var formats = []string{"uint16", "int16", "uint32", "int32", "float32", "uint64", "int64", "float64"}

// UnmarshalText reads the format of a number.
func (f *formatFile) UnmarshalText(t []byte) error { return word((*string)(f), t, formats...) }

// UnmarshalText reads which word of a long number stands first.
func (w *wordOrderFile) UnmarshalText(t []byte) error {
	return word((*string)(w), t, "high first", "low first")
}

// watching takes what only some kinds of monitor have.
func (b *builder) watching(path string, m *Monitor, f monitorFile) {
	m.Topic, m.URL, m.Field, m.Host = f.Topic, f.URL, f.Field, strings.TrimSpace(f.Host)
	m.Capture, m.Samples, m.PeakTolerance = f.Capture, int(f.Samples), f.PeakTolerance.value
	switch m.Kind {
	case MonitorModbus:
		b.modbus(path, m, f)
	case MonitorHTTP:
		if b.doc.Taken(path+".url") && !webAddress.MatchString(f.URL) {
			b.doc.Problem(path+".url", fmt.Sprintf("%q is not a web address", f.URL), "for example http://192.168.1.30/state.json")
		}
	case MonitorPing:
		if b.doc.Taken(path+".host") && !hostName.MatchString(m.Host) {
			b.doc.Problem(path+".host", fmt.Sprintf("%q is not a host", f.Host), "a name or an address, for example 192.168.1.30")
		}
	case MonitorAnalogue:
		b.analogue(path, m)
	}
	for _, key := range []string{"scale", "peak_tolerance"} {
		other := f.Scale.unit
		if key == "peak_tolerance" {
			other = f.PeakTolerance.unit
		}
		if b.doc.Taken(path+"."+key) && b.doc.Taken(path+".tolerance") && other != m.Unit {
			b.doc.Problem(path+"."+key, fmt.Sprintf("%s.%s counts in %s and its tolerance in %s", path, key, other, m.Unit), "write both in the unit of the reading")
		}
	}
}

var (
	webAddress = regexp.MustCompile(`^https?://[^\s/@]+(/\S*)?$`)
	hostName   = regexp.MustCompile(`^[A-Za-z0-9.:%_-]+$`)
	fieldNames = regexp.MustCompile(`^[^.\[\]\s]+(\[\d+\])*(\.[^.\[\]\s]+(\[\d+\])*)*$`)
)

func (b *builder) modbus(path string, m *Monitor, f monitorFile) {
	m.Modbus = ModbusRegister{Table: f.Register.table, Number: f.Register.number, Station: int(f.Station), Format: string(f.Format),
		LowWordFirst: f.WordOrder == "low first", Scale: f.Scale.value}
	r := &m.Modbus
	if !b.doc.Has(path + ".station") {
		r.Station = 1
	}
	if r.Station > 247 {
		b.doc.Problem(path+".station", fmt.Sprintf("station %d is not between 0 and 247", r.Station), "")
	}
	bit := r.Table == Coil || r.Table == DiscreteInput
	if r.Format == "" {
		r.Format = "uint16"
	}
	if bit && (b.doc.Has(path+".format") || b.doc.Has(path+".word_order")) {
		b.doc.Problem(path, fmt.Sprintf("a %s is one bit: it has neither format nor word_order", r.Table), "remove them")
	}
	if b.doc.Has(path+".word_order") && strings.HasSuffix(r.Format, "16") {
		b.doc.Problem(path+".word_order", "a number of one register has no order of words", "remove it, or write the format")
	}
	if !b.doc.Has(path + ".scale") {
		r.Scale = 1
	}
	if r.Scale == 0 {
		b.doc.Problem(path+".scale", "a scale of 0 makes every reading 0", "write what one count means, for example 0.01 kg")
	}
}

// Limits of a capture.
const (
	usualSamples = 1000
	mostSamples  = 100_000
)

func (b *builder) analogue(path string, m *Monitor) {
	if m.Samples == 0 {
		m.Samples = usualSamples
	}
	if m.Samples < 10 || m.Samples > mostSamples {
		b.doc.Problem(path+".samples", fmt.Sprintf("%d readings in a capture; between 10 and %d are taken", m.Samples, mostSamples), "")
	}
	if b.doc.Taken(path+".capture") && m.Capture <= 0 {
		b.doc.Problem(path+".capture", "a capture lasts no time", "write a few periods of the modulation, for example 20 ms")
	}
	if m.PeakTolerance == 0 {
		m.PeakTolerance = 3 * m.Tolerance
		b.doc.Aside(path, path+" has no peak_tolerance: three times its tolerance is taken", "it is how far a single reading may lie from the baseline")
	}
}

// messageMonitor checks a monitor that finds its reading in a text.
func (b *builder) messageMonitor(path string, m Monitor) {
	field, number, tolerance := b.doc.Has(path+".field"), b.doc.Has(path+".pattern"), b.doc.Has(path+".tolerance")
	switch {
	case field && number:
		b.doc.Problem(path+".pattern", path+" has a field and a pattern: which of them finds the reading?", "keep one")
	case tolerance && !field && !number:
		b.doc.Problem(path+".tolerance", path+" has a tolerance but neither field nor pattern that finds a number", "for example \"field: net.weight\"")
	case (field || number) && !tolerance:
		b.doc.Problem(path, path+" reads a number but has no tolerance", "add for example \"tolerance: 0.05 kg\"")
	}
	if field && !fieldNames.MatchString(m.Field) {
		b.doc.Problem(path+".field", fmt.Sprintf("%q does not name a field", m.Field), "for example net.weight or cells[2].volt")
	}
}

// relay checks the output that resets or power-cycles the DUT.
func (b *builder) relay(f relayFile) *Relay {
	const path = "power_relay"
	r := &Relay{
		Identity: b.identity(path, f.identityFile), Connection: b.connection(path, TableRelay, f.ID, f.connectionFile),
		OffFor: f.OffFor, StartsIn: f.StartsIn, Cycles: int(f.Cycles),
	}
	if b.doc.Has(path + ".by_hand") {
		b.doc.Problem(path+".by_hand", "nobody can feed it by hand, four times within its own time", "give it the address of a relay or of a serial port")
	}
	if !b.doc.Has(path + ".address") {
		b.doc.Problem(path, path+" has no address", "a relay that nobody can reach switches nothing")
	}
	if b.doc.Taken(path+".off_for") && r.OffFor <= 0 {
		b.doc.Problem(path+".off_for", "the DUT is off for no time", "long enough for its capacitors, for example 2 s")
	}
	if b.doc.Taken(path+".cycles") && r.Cycles < 1 {
		b.doc.Problem(path+".cycles", "a limit of 0 cycles forbids every one", "remove the relay, or write how often a run may power-cycle the DUT")
	}
	return r
}

func (b *builder) deadMan(f deadManFile) *HardwareDeadMan {
	const path = "hardware_dead_man"
	d := &HardwareDeadMan{Identity: b.identity(path, f.identityFile), Within: f.Within}
	if f.Kind == deadManRelay {
		d.Connection = b.connection(path, TableRelay, f.ID, f.connectionFile)
	} else {
		d.Connection, d.Line = f.connection(), string(f.Kind)
		if r, err := resource.Parse(d.Address); err != nil || r.Kind != resource.Serial {
			b.doc.Problem(path+".address", fmt.Sprintf("%s is a line of a serial port, and the address is none", f.Kind), "for example ASRL/dev/ttyUSB0::INSTR")
		}
	}
	if !b.doc.Has(path + ".address") {
		b.doc.Problem(path, path+" has no address", "a line that nobody can feed keeps RF off for good")
	}
	if low, high := 200*time.Millisecond, 10*time.Second; b.doc.Taken(path+".within") && (d.Within.Std() < low || d.Within.Std() > high) {
		b.doc.Problem(path+".within", fmt.Sprintf("%v is not between %v and %v", d.Within, rf.Duration(low), rf.Duration(high)), "what the relay or the circuit is set to; it is fed four times within that")
	}
	return d
}

// ownTables reads the files with command tables of the user's own. What is in them is known by
// package driver.
func (b *builder) ownTables(names []string) {
	for i, name := range names {
		at := fmt.Sprintf("tables[%d]", i)
		if _, ok := b.file(at, name); ok {
			b.bench.Tables = append(b.bench.Tables, name)
		}
	}
}

// byHand checks a piece that a person sets or reads.
func (b *builder) byHand(path string, c Connection) Connection {
	for _, key := range []string{"address", "table", "through", "serial_line"} {
		if b.doc.Has(path + "." + key) {
			b.doc.Problem(path+"."+key, fmt.Sprintf("%s is set by hand and has %s", path, key), "keep one of the two")
		}
	}
	switch path {
	case "interlock":
		b.doc.Problem(path+".by_hand", "an interlock that a person answers for is none", "name it as hardware_off of the source, or give it an address")
	case "power_relay", "switch":
		b.doc.Problem(path+".by_hand", path+" is there so that nobody has to do it by hand", "remove it")
	case "source":
		if !b.doc.Has("source.hardware_off") {
			b.doc.Problem(path, "source is set by hand and has no hardware_off", "name the switch, socket or interlock that switches it off: provoke cannot")
		}
	}
	return Connection{Timeout: c.Timeout, ByHand: true}
}

// PerBaseUnit returns how many of a unit are its base unit, for what instruments answer in base units:
// 1000 for mV. It is 1 for a unit that has none.
func PerBaseUnit(unit string) float64 {
	for _, base := range []string{"V", "A", "Ω", "W", "Hz"} {
		if prefix, ok := strings.CutSuffix(unit, base); ok {
			if scale, ok := map[string]float64{"n": 1e9, "µ": 1e6, "u": 1e6, "m": 1e3, "k": 1e-3, "M": 1e-6, "G": 1e-9}[prefix]; ok {
				return scale
			}
		}
	}
	return 1
}
