package catalog

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"provoke/internal/files/document"
	"provoke/internal/files/resource"
	"provoke/internal/units/rf"
)

// MonitorKind is how a device under test is watched.
type MonitorKind string

// The kinds of monitors; monitorKinds says what each of them is.
const (
	MonitorMeter    MonitorKind = "meter"
	MonitorText     MonitorKind = "text"
	MonitorCommand  MonitorKind = "command"
	MonitorOperator MonitorKind = "operator"
	MonitorModbus   MonitorKind = "modbus"
	MonitorMQTT     MonitorKind = "mqtt"
	MonitorHTTP     MonitorKind = "http"
	MonitorPing     MonitorKind = "ping"
	MonitorAnalogue MonitorKind = "analogue"
	MonitorCamera   MonitorKind = "camera"
	MonitorSound    MonitorKind = "sound"
)

// monitorKinds is everything that a bench file and a run have to know about a kind of monitor. Package dut
// makes the monitor itself.
var monitorKinds = []monitorKind{
	{kind: MonitorMeter, does: "the reading of a meter with SCPI commands",
		must: []string{"address", "tolerance"}, may: []string{"query", "silence", "latency", "every", "table",
			"timeout"},
		table: TableMeter, period: 250e6},
	{kind: MonitorText, does: "lines of text over TCP or a serial port",
		must: []string{"address"}, may: []string{"pattern", "tolerance", "error_pattern", "silence", "latency", "reset",
			"serial_line", "timeout"},
		wired: true, unasked: true, check: (*builder).text},
	{kind: MonitorCommand, does: "the exit status of a program",
		must: []string{"command"}, may: []string{"silence", "latency", "every"},
		period: 1e9, baseline: 1, check: (*builder).command},
	{kind: MonitorOperator, does: "the operator's key",
		may: []string{"latency"}},
	{kind: MonitorModbus, does: "a register over Modbus TCP or RTU",
		must: []string{"address", "register", "tolerance"}, may: []string{"station", "format", "word_order",
			"scale", "serial_line", "silence", "latency", "every", "timeout"},
		wired: true, period: 250e6, check: (*builder).modbus},
	{kind: MonitorMQTT, does: "the messages of a topic",
		must: []string{"address", "topic"}, may: []string{"field", "pattern", "tolerance", "error_pattern", "silence",
			"latency", "credentials", "certificates", "encrypted"},
		wired: true, unasked: true, check: (*builder).message},
	{kind: MonitorHTTP, does: "a web answer, or a field in it",
		must: []string{"url"}, may: []string{"field", "pattern", "tolerance", "error_pattern", "silence", "latency",
			"every", "timeout", "credentials", "certificates"},
		period: 500e6, check: (*builder).web},
	{kind: MonitorPing, does: "echo replies of a host",
		must: []string{"host", "silence"}, may: []string{"latency", "every", "timeout"},
		period: 200e6, check: (*builder).ping},
	{kind: MonitorAnalogue, does: "an analogue output, captured fast during the dwell",
		must: []string{"address", "tolerance", "capture"}, may: []string{"samples", "peak_tolerance", "silence",
			"latency", "every", "table", "timeout"},
		table: TableCapture, period: 250e6, check: (*builder).analogue},
	{kind: MonitorCamera, does: "display and lamps, in the pictures of a camera",
		must: []string{"regions"}, may: []string{"url", "command", "tolerance", "silence", "latency", "every",
			"timeout",
			"credentials", "certificates"},
		period: 100e6, check: (*builder).camera},
	{kind: MonitorSound, does: "how loud a band of frequencies is before a microphone",
		must:  []string{"sample_rate", "channels", "format", "from", "to", "tolerance", "silence"},
		may:   []string{"command", "address", "serial_line", "latency", "every", "timeout"},
		wired: true, period: usualReading, baseline: 20, check: (*builder).sound},
}

// monitorKind is one kind of monitor.
type monitorKind struct {
	kind      MonitorKind
	does      string   // what is watched, for the page of keys
	must, may []string // the keys that it needs and may have besides those of every piece
	// table is the command table of the instrument that reads it; empty for what needs no instrument.
	table string
	// wired: its address is a raw socket or a serial port.
	wired bool
	// unasked: readings come by themselves, as often as the product sends them.
	unasked bool
	// period is how often it asks where the file says nothing (engineering choices: quick enough to see an
	// upset in a dwell of a second, slow enough for small instruments and products); 0 for what is told.
	period rf.Duration
	// baseline is how many samples show what "well" is; 0 for the usual five.
	baseline int
	// check takes and checks the keys that only this kind has.
	check func(b *builder, path string, m *Monitor, f monitorFile)
}

// kindOf returns what a kind is; nothing is known of one that is not in the table.
func kindOf(kind MonitorKind) monitorKind {
	for _, k := range monitorKinds {
		if k.kind == kind {
			return k
		}
	}
	return monitorKind{}
}

// MonitorKinds returns every kind of monitor.
func MonitorKinds() []MonitorKind {
	var out []MonitorKind
	for _, k := range monitorKinds {
		out = append(out, k.kind)
	}
	return out
}

// MonitorNeeds returns the keys that a kind of monitor needs and may have besides those of every piece.
func MonitorNeeds(kind MonitorKind) (must, may []string) {
	k := kindOf(kind)
	return slices.Clone(k.must), slices.Clone(k.may)
}

// Monitor watches the device under test.
type Monitor struct {
	Identity
	Connection
	Kind      MonitorKind
	Query     string  // meter: the query for a reading, from the table when empty
	Pattern   string  // text: regular expression whose first group is the number
	Unit      string  // what the number counts, e.g. "kg"
	Tolerance float64 // half-width round the baseline, in Unit
	// ErrorPattern is a regular expression for a line that is an upset by itself.
	ErrorPattern string
	Silence      rf.Duration // longest time without a line or an answer
	Latency      rf.Duration // from the DUT's state to the reading
	Every        rf.Duration // period of a monitor that asks; 0 for Period's own
	Command      []string
	Reset        string // line sent to reset a latched DUT; empty when only a person can
	Modbus       ModbusRegister
	Topic        string // mqtt
	URL          string // http; camera, or BrowserCamera
	Field        string // mqtt and http: where in a JSON text the reading stands, "net.value" or "cells[2].volt"
	Host         string // ping
	// Capture is how long one capture of an analogue output lasts, Samples how many readings it takes.
	// PeakTolerance is how far a single reading of a capture may lie from the baseline, in Unit.
	Capture       rf.Duration
	Samples       int
	PeakTolerance float64
	// Credentials say where name and password of a server stand, "env NAME" or "file PATH"; empty for none. Authority
	// is the certificate in PEM that vouches for it; nil for those that this computer trusts.
	Credentials string
	Authority   []byte
	Encrypted   bool           // mqtt: TLS
	Regions     []CameraRegion // camera
	Sound       PCM            // sound
}

// Period returns how often the monitor asks; 0 for one that is told (text, mqtt, operator).
func (m Monitor) Period() rf.Duration {
	if d := kindOf(m.Kind).period; d > 0 && m.Every <= 0 {
		return d
	}
	return max(m.Every, 0)
}

// Unasked reports that readings come by themselves, as often as the product sends them.
func (m Monitor) Unasked() bool { return kindOf(m.Kind).unasked }

// BaselineSamples returns how many samples without RF show what "well" is.
func (m Monitor) BaselineSamples() int {
	if n := kindOf(m.Kind).baseline; n > 0 {
		return n
	}
	return 5
}

// monitorFile is a monitor as written.
type monitorFile struct {
	identityFile
	connectionFile
	Kind         monitorKindFile `yaml:"kind,required" says:"what is watched"`
	Query        string          `yaml:"query" says:"meter: the query for a reading; default the table's"`
	Pattern      string          `yaml:"pattern" says:"text: regular expression, its first group is the number"`
	Tolerance    toleranceFile   `yaml:"tolerance" says:"half-width round the reading before RF, in the unit of what is watched; beyond it is an upset"`
	ErrorPattern string          `yaml:"error_pattern" says:"text: a line that matches is an upset by itself"`
	Silence      rf.Duration     `yaml:"silence" says:"longest time without a line or an answer; longer is an upset"`
	Latency      rf.Duration     `yaml:"latency" says:"from the DUT's state to the reading"`
	Every        rf.Duration     `yaml:"every" says:"period of a monitor that asks"`
	Command      []string        `yaml:"command" says:"command: the program and its arguments; exit status 0 is well"`
	Reset        string          `yaml:"reset" says:"line that is sent to reset a latched DUT; without it a person is asked"`

	Station       document.Count `yaml:"station" says:"modbus: unit identifier; default 1"`
	Register      registerFile   `yaml:"register" says:"modbus: table and number from 0, for example holding 100"`
	Format        formatFile     `yaml:"format" says:"modbus: how the number is written; sound: s16le, how a sample is"`
	WordOrder     wordOrderFile  `yaml:"word_order" says:"modbus: which word of a long number stands first; default high first"`
	Scale         toleranceFile  `yaml:"scale" says:"modbus: unit for one count, for example 0.01 kg"`
	Topic         string         `yaml:"topic" says:"mqtt: topic of the messages"`
	URL           string         `yaml:"url" says:"http, camera: address that is asked; browser is the camera of the browser that shows the page"`
	Field         string         `yaml:"field" says:"mqtt and http: where the reading stands in a JSON text, for example net.value"`
	Host          string         `yaml:"host" says:"ping: who is asked"`
	Capture       rf.Duration    `yaml:"capture" says:"analogue: how long a capture lasts"`
	Samples       document.Count `yaml:"samples" says:"analogue: readings in a capture"`
	PeakTolerance toleranceFile  `yaml:"peak_tolerance" says:"analogue: half-width for a single reading; default three times tolerance"`

	Credentials  string             `yaml:"credentials" says:"camera, http, mqtt: where name:password stands, env NAME or file PATH"`
	Certificates string             `yaml:"certificates" says:"camera, http, mqtt: PEM file of who vouches for the server; default those that this computer trusts"`
	Encrypted    bool               `yaml:"encrypted" says:"mqtt: true speaks TLS to the broker"`
	Regions      []cameraRegionFile `yaml:"regions" says:"camera: what is looked at in its pictures"`
	SampleRate   rf.Frequency       `yaml:"sample_rate" says:"sound: samples a second of each channel, for example 48 kHz"`
	Channels     document.Count     `yaml:"channels" says:"sound: channels, one sample of each in turn"`
	From         rf.Frequency       `yaml:"from" says:"sound: lower end of the band that is listened to"`
	To           rf.Frequency       `yaml:"to" says:"sound: its upper end"`
}

// registerFile is a Modbus register as written: "holding 100".
type registerFile struct {
	table  RegisterTable
	number int
}

// UnmarshalText reads a table and a number from 0.
func (r *registerFile) UnmarshalText(text []byte) error {
	t, n, ok := strings.Cut(strings.TrimSpace(string(text)), " ")
	if !ok {
		return fmt.Errorf("%q is not a register (want a table and a number, for example \"holding 100\"; a manual's "+
			"40101 is holding 100)", text)
	}
	if err := document.OneOf(t, string(HoldingRegister), string(InputRegister), string(Coil),
		string(DiscreteInput)); err != nil {
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
var formats = []string{"uint16", "int16", "uint32", "int32", "float32", "uint64", "int64", "float64",
	SoundFormat}

// UnmarshalText reads the format of a number.
func (f *formatFile) UnmarshalText(t []byte) error { return word((*string)(f), t, formats...) }

// UnmarshalText reads which word of a long number stands first.
func (w *wordOrderFile) UnmarshalText(t []byte) error {
	return word((*string)(w), t, "high first", "low first")
}

// UnmarshalText reads the kind of a monitor.
func (m *monitorKindFile) UnmarshalText(t []byte) error {
	var words []string
	for _, k := range monitorKinds {
		words = append(words, string(k.kind))
	}
	return word((*string)(m), t, words...)
}

// monitor takes one monitor of the file.
func (b *builder) monitor(path string, f monitorFile) Monitor {
	m := Monitor{
		Identity: b.identity(path, f.identityFile), Kind: MonitorKind(f.Kind),
		Query: f.Query, Pattern: f.Pattern, Unit: f.Tolerance.unit, Tolerance: f.Tolerance.value,
		ErrorPattern: f.ErrorPattern, Silence: f.Silence, Latency: f.Latency, Every: f.Every,
		Command: f.Command, Reset: f.Reset,
		Topic: f.Topic, URL: f.URL, Field: f.Field, Host: strings.TrimSpace(f.Host),
		Capture: f.Capture, Samples: int(f.Samples), PeakTolerance: f.PeakTolerance.value,
	}
	if check := kindOf(m.Kind).check; check != nil {
		check(b, path, &m, f)
	}
	for _, x := range []struct{ key, unit string }{{"scale", f.Scale.unit}, {"peak_tolerance", f.PeakTolerance.unit}} {
		if b.doc.Taken(path+"."+x.key) && b.doc.Taken(path+".tolerance") && x.unit != m.Unit {
			b.doc.Problem(path+"."+x.key, fmt.Sprintf("%s.%s counts in %s and its tolerance in %s", path, x.key, x.unit,
				m.Unit), "write both in the unit of the reading")
		}
	}
	m.Connection = b.monitorConnection(path, m, f)
	b.monitorKeys(path, m)
	b.pattern(path+".pattern", f.Pattern, 1)
	b.pattern(path+".error_pattern", f.ErrorPattern, 0)
	return m
}

// monitorConnection checks how a monitor is reached.
func (b *builder) monitorConnection(path string, m Monitor, f monitorFile) Connection {
	kind := kindOf(m.Kind)
	if kind.table != "" {
		return b.connection(path, kind.table, m.ID, f.connectionFile)
	}
	c := f.connection()
	c.Table = ""
	if f.Table != "" {
		b.doc.Problem(path+".table", fmt.Sprintf("a monitor of kind %s has no command table", m.Kind), "remove it")
	}
	if c.Address == "" {
		return c
	}
	if !kind.wired {
		b.doc.Problem(path+".address", fmt.Sprintf("a monitor of kind %s has no address", m.Kind), "remove it")
		return c
	}
	if r := b.address(path, m.ID, c); r.Kind != "" && r.Kind != resource.Socket && r.Kind != resource.Serial {
		b.doc.Problem(path+".address", fmt.Sprintf(
			"a monitor of kind %s listens on a raw socket or a serial port, not over %s", m.Kind, r.Kind),
			"for example TCPIP::192.168.1.30::4001::SOCKET")
	}
	return c
}

// keysOfPieces are keys that every piece may have: what they mean for a monitor is checked with its connection.
var keysOfPieces = []string{"address", "table", "timeout"}

// monitorKeys checks that a monitor has the keys of its kind, and no others.
func (b *builder) monitorKeys(path string, m Monitor) {
	kind := kindOf(m.Kind)
	if kind.kind == "" {
		return
	}
	for _, k := range kind.must {
		if !b.doc.Has(path+"."+k) && !(k == "address" && m.ByHand) {
			b.doc.Problem(path, fmt.Sprintf("%s has no %s", path, k),
				fmt.Sprintf("a monitor of kind %s needs it", m.Kind))
		}
	}
	told := slices.Concat(keysOfPieces, kind.must, kind.may)
	for _, other := range monitorKinds {
		for _, k := range slices.Concat(other.must, other.may) {
			if b.doc.Has(path+"."+k) && !slices.Contains(told, k) {
				b.doc.Problem(path+"."+k, fmt.Sprintf("a monitor of kind %s has no %s", m.Kind, k), "remove it")
				told = append(told, k)
			}
		}
	}
	if m.Kind != MonitorOperator && m.Silence == 0 {
		b.doc.Warning(path, path+" has no silence limit: a DUT that stops answering is not noticed by it",
			"add for example \"silence: 3 s\"")
	}
}

// command checks a program and its arguments.
func (b *builder) command(path string, m *Monitor, _ monitorFile) {
	if b.doc.Has(path+".command") && (len(m.Command) == 0 || m.Command[0] == "") {
		b.doc.Problem(path+".command", path+".command is empty", "write the program and its arguments as a list")
	}
}

// web checks the address of a web answer, and what is found in it.
func (b *builder) web(path string, m *Monitor, f monitorFile) {
	b.webAddress(path, f.URL)
	b.login(path, m, f)
	b.found(path, m)
}

// webAddress checks an address. One with a password in it is not repeated.
func (b *builder) webAddress(path, url string) {
	switch {
	case !b.doc.Taken(path + ".url"):
	case strings.Contains(url, "@"):
		b.doc.Problem(path+".url", path+".url has a name or a password in it",
			"every job would carry it: write \"credentials: env NAME\" and set that variable to name:password")
	case !webAddress.MatchString(url):
		b.doc.Problem(path+".url", fmt.Sprintf("%q is not a web address", url),
			"for example http://192.168.1.30/state.json")
	}
}

// ping checks a host.
func (b *builder) ping(path string, m *Monitor, f monitorFile) {
	if b.doc.Taken(path+".host") && !hostName.MatchString(m.Host) {
		b.doc.Problem(path+".host", fmt.Sprintf("%q is not a host", f.Host),
			"a name or an address, for example 192.168.1.30")
	}
}

// text checks a monitor that reads lines.
func (b *builder) text(path string, _ *Monitor, _ monitorFile) {
	number, tolerance := b.doc.Has(path+".pattern"), b.doc.Has(path+".tolerance")
	switch {
	case !number && !b.doc.Has(path+".error_pattern"):
		b.doc.Problem(path, path+" has neither pattern nor error_pattern",
			"without one of them it watches only for silence")
	case number && !tolerance:
		b.doc.Problem(path, path+" reads a number but has no tolerance", "add for example \"tolerance: 0.05 kg\"")
	case tolerance && !number:
		b.doc.Problem(path+".tolerance", path+" has a tolerance but no pattern that finds a number",
			"add a pattern with the number in parentheses")
	}
}

var (
	webAddress = regexp.MustCompile(`^https?://[^\s/@]+(/\S*)?$`)
	hostName   = regexp.MustCompile(`^[A-Za-z0-9.:%_-]+$`)
	fieldNames = regexp.MustCompile(`^[^.\[\]\s]+(\[\d+\])*(\.[^.\[\]\s]+(\[\d+\])*)*$`)
)

// modbus takes a register and how it counts.
func (b *builder) modbus(path string, m *Monitor, f monitorFile) {
	m.Modbus = ModbusRegister{Table: f.Register.table, Number: f.Register.number, Station: int(f.Station),
		Format:       string(f.Format),
		LowWordFirst: f.WordOrder == "low first", Scale: f.Scale.value}
	r := &m.Modbus
	if !b.doc.Has(path + ".station") {
		r.Station = 1
	}
	if r.Station > 247 {
		b.doc.Problem(path+".station", fmt.Sprintf("station %d is not between 0 and 247", r.Station), "")
	}
	bit := r.Table == Coil || r.Table == DiscreteInput
	switch r.Format {
	case "":
		r.Format = "uint16"
	case SoundFormat:
		b.doc.Problem(path+".format", "a register holds no samples of a sound", "for example int32")
	}
	if bit && (b.doc.Has(path+".format") || b.doc.Has(path+".word_order")) {
		b.doc.Problem(path, fmt.Sprintf("a %s is one bit: it has neither format nor word_order", r.Table),
			"remove them")
	}
	if b.doc.Has(path+".word_order") && strings.HasSuffix(r.Format, "16") {
		b.doc.Problem(path+".word_order", "a number of one register has no order of words",
			"remove it, or write the format")
	}
	if !b.doc.Has(path + ".scale") {
		r.Scale = 1
	}
	if r.Scale == 0 {
		b.doc.Problem(path+".scale", "a scale of 0 makes every reading 0",
			"write what one count means, for example 0.01 kg")
	}
}

// Limits of a capture.
const (
	usualSamples = 1000
	mostSamples  = 100_000
)

// analogue takes what a capture is.
func (b *builder) analogue(path string, m *Monitor, _ monitorFile) {
	if m.Samples == 0 {
		m.Samples = usualSamples
	}
	if m.Samples < 10 || m.Samples > mostSamples {
		b.doc.Problem(path+".samples", fmt.Sprintf("%d readings in a capture; between 10 and %d are taken", m.Samples,
			mostSamples), "")
	}
	if b.doc.Taken(path+".capture") && m.Capture <= 0 {
		b.doc.Problem(path+".capture", "a capture lasts no time",
			"write a few periods of the modulation, for example 20 ms")
	}
	if m.PeakTolerance == 0 {
		m.PeakTolerance = 3 * m.Tolerance
		b.doc.Aside(path, path+" has no peak_tolerance: three times its tolerance is taken",
			"it is how far a single reading may lie from the baseline")
	}
}

// message checks a monitor that is sent texts.
func (b *builder) message(path string, m *Monitor, f monitorFile) {
	b.login(path, m, f)
	b.found(path, m)
}

// found checks how a reading is found in a text.
func (b *builder) found(path string, m *Monitor) {
	field, number, tolerance := b.doc.Has(path+".field"), b.doc.Has(path+".pattern"), b.doc.Has(path+".tolerance")
	switch {
	case field && number:
		b.doc.Problem(path+".pattern", path+" has a field and a pattern: which of them finds the reading?", "keep one")
	case tolerance && !field && !number:
		b.doc.Problem(path+".tolerance", path+" has a tolerance but neither field nor pattern that finds a number",
			"for example \"field: net.weight\"")
	case (field || number) && !tolerance:
		b.doc.Problem(path, path+" reads a number but has no tolerance", "add for example \"tolerance: 0.05 kg\"")
	}
	if field && !fieldNames.MatchString(m.Field) {
		b.doc.Problem(path+".field", fmt.Sprintf("%q does not name a field", m.Field),
			"for example net.weight or cells[2].volt")
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
		b.doc.Problem(path+".by_hand", "nobody can feed it by hand, four times within its own time",
			"give it the address of a relay or of a serial port")
	}
	if !b.doc.Has(path + ".address") {
		b.doc.Problem(path, path+" has no address", "a relay that nobody can reach switches nothing")
	}
	if b.doc.Taken(path+".off_for") && r.OffFor <= 0 {
		b.doc.Problem(path+".off_for", "the DUT is off for no time", "long enough for its capacitors, for example 2 s")
	}
	if b.doc.Taken(path+".cycles") && r.Cycles < 1 {
		b.doc.Problem(path+".cycles", "a limit of 0 cycles forbids every one",
			"remove the relay, or write how often a run may power-cycle the DUT")
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
			b.doc.Problem(path+".address", fmt.Sprintf("%s is a line of a serial port, and the address is none",
				f.Kind), "for example ASRL/dev/ttyUSB0::INSTR")
		}
	}
	if !b.doc.Has(path + ".address") {
		b.doc.Problem(path, path+" has no address", "a line that nobody can feed keeps RF off for good")
	}
	if low, high := 200*time.Millisecond, 10*time.Second; b.doc.Taken(path+".within") &&
		(d.Within.Std() < low || d.Within.Std() > high) {
		b.doc.Problem(path+".within", fmt.Sprintf("%v is not between %v and %v", d.Within, rf.Duration(low),
			rf.Duration(high)), "what the relay or the circuit is set to; it is fed four times within that")
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
		b.doc.Problem(path+".by_hand", "an interlock that a person answers for is none",
			"name it as hardware_off of the source, or give it an address")
	case "power_relay", "switch":
		b.doc.Problem(path+".by_hand", path+" is there so that nobody has to do it by hand", "remove it")
	case "source":
		if !b.doc.Has("source.hardware_off") {
			b.doc.Problem(path, "source is set by hand and has no hardware_off",
				"name the switch, socket or interlock that switches it off: provoke cannot")
		}
	}
	return Connection{Timeout: c.Timeout, ByHand: true}
}

// PerBaseUnit returns how many of a unit are its base unit, for what instruments answer in base units:
// 1000 for mV. It is 1 for a unit that has none.
func PerBaseUnit(unit string) float64 {
	for _, base := range []string{"V", "A", "Ω", "W", "Hz"} {
		if prefix, ok := strings.CutSuffix(unit, base); ok {
			if scale, ok := map[string]float64{"n": 1e9, "µ": 1e6, "u": 1e6, "m": 1e3, "k": 1e-3, "M": 1e-6,
				"G": 1e-9}[prefix]; ok {
				return scale
			}
		}
	}
	return 1
}
