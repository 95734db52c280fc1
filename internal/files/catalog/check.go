package catalog

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/resource"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// connection checks how a piece is reached. Table is the command table where the file names none.
func (b *builder) connection(path, table, id string, f connectionFile) Connection {
	c := f.connection()
	if f.ByHand {
		return b.byHand(path, c)
	}
	if c.Address == "" {
		if f.Table != "" && !b.doc.Has(path+".address") {
			b.doc.Problem(path+".table", path+" has a table but no address", "add the address, or remove the table of a piece that is set by hand")
		}
		return Connection{}
	}
	b.address(path, id, c)
	if c.Table == "" {
		c.Table = table
	}
	b.table(path, c.Table, table)
	return c
}

func (f connectionFile) connection() Connection {
	return Connection{Address: strings.TrimSpace(f.Address), Through: strings.TrimSpace(f.Through),
		SerialLine: strings.TrimSpace(f.SerialLine), Table: f.Table, Timeout: f.Timeout, OneClient: f.Clients == oneConnection}
}

// linePattern is speed, format and flow control of a serial port.
var linePattern = regexp.MustCompile(`^[1-9]\d{1,6} [5-8][NEO][12]( rts-cts| xon-xoff)?$`)

// address checks the form of an address with what belongs to it, and that no two pieces share it.
func (b *builder) address(path, id string, c Connection) resource.Resource {
	r, err := resource.Parse(c.Address)
	if err != nil {
		b.doc.Problem(path+".address", err.Error(), "for example TCPIP::192.168.1.20::5025::SOCKET")
	} else {
		b.wired(path, r, c)
	}
	key := strings.ToUpper(c.Address + " " + c.Through)
	if first, twice := b.used[key]; twice {
		b.doc.Warning(path+".address", fmt.Sprintf("%s has the same address as %s", id, first), "two pieces on one connection answer in turn; check that it is meant")
	}
	b.used[key] = id
	return r
}

// wired checks what an address needs beside it.
func (b *builder) wired(path string, r resource.Resource, c Connection) {
	serial := r.Kind == resource.Serial
	switch {
	case r.Kind != resource.GPIB && c.Through != "":
		b.doc.Problem(path+".through", path+" goes through an adapter but is not on GPIB", "remove it, or write the address as GPIB0::9::INSTR")
	case r.Kind == resource.GPIB && c.Through == "":
		b.doc.Problem(path+".address", path+" is on GPIB but nothing leads there",
			"add the adapter, for example \"through: TCPIP::192.168.1.30::1234::SOCKET\"; a VXI-11 gateway is written TCPIP::192.168.1.30::gpib0,9::INSTR")
	case r.Kind == resource.GPIB:
		by, err := resource.Parse(c.Through)
		if err == nil && by.Kind != resource.Socket && by.Kind != resource.Serial {
			err = fmt.Errorf("an adapter cannot be reached by %s", by.Kind)
		}
		if err != nil {
			b.doc.Problem(path+".through", err.Error(), "an adapter that takes ++ commands has a raw socket or a serial port")
		}
		serial = by.Kind == resource.Serial
	}
	b.serialLine(path, serial, c.SerialLine)
}

func (b *builder) serialLine(path string, serial bool, line string) {
	switch {
	case serial && line == "":
		b.doc.Problem(path, path+" is on a serial port but has no serial_line", "add speed and format, for example \"serial_line: 9600 8N1\"")
	case !serial && line != "":
		b.doc.Problem(path+".serial_line", path+" has a serial_line but is not on a serial port", "remove it")
	case line != "" && !linePattern.MatchString(line):
		b.doc.Problem(path+".serial_line", fmt.Sprintf("%q is not speed and format of a serial port", line), "for example 9600 8N1, or 9600 8N1 rts-cts")
	}
}

// builtInTables are the command tables that package driver has built in, each with the generic one of its role.
var builtInTables = map[string]string{
	SignalGenerator: SignalGenerator, SignalGenerator + WithLimits: SignalGenerator,
	FunctionGenerator: SignalGenerator, FunctionGenerator + WithLimits: SignalGenerator,
	TableAmplifier: TableAmplifier, TableAnalyser: TableAnalyser, TablePowerMeter: TablePowerMeter, TableMeter: TableMeter,
	TableInterlock: TableInterlock, TableRelay: TableRelay, TableCapture: TableCapture, TableSwitch: TableSwitch,
}

// BuiltInTable returns the generic command table of the role that a built-in one is for; "" for one that is
// not built in.
func BuiltInTable(name string) string { return builtInTables[name] }

// table checks the name of a command table: a built-in one of the right role, or the user's own.
func (b *builder) table(path, name, role string) {
	of := builtInTables[name]
	if !b.doc.Has(path+".table") || of == builtInTables[role] {
		return
	}
	if of != "" {
		b.doc.Problem(path+".table", fmt.Sprintf("the command table %q is not one for %s", name, path), fmt.Sprintf("use %q", role))
		return
	}
	if near := document.Nearest(name, slices.Sorted(maps.Keys(builtInTables))); near != "" {
		b.doc.Problem(path+".table", fmt.Sprintf("no command table is called %q", name), fmt.Sprintf("did you mean %q?", near))
		return
	}
	if len(b.bench.Tables) == 0 && !b.doc.Has("tables") {
		b.doc.Warning(path+".table", fmt.Sprintf("the command table %q is not built in", name), "it must come from a file of your own: name it under tables")
	}
}

// check looks at the bench as a whole.
func (b *builder) check() {
	out, doc := b.bench, b.doc
	if out.PowerMeter != nil && out.Coupler == nil {
		doc.Problem("power_meter", "the bench has a power meter but no coupler that it could read", "add the coupler")
	}
	if out.Analyser != nil && out.Probe == nil {
		doc.Problem("analyser", "the bench has an analyser but no monitoring probe", "add the probe with its transfer impedance")
	}
	if len(out.ToAnalyser) > 0 && out.Analyser == nil {
		doc.Problem("to_analyser", "the bench has pieces to an analyser but no analyser", "add the analyser, or remove them")
	}
	if out.Probe == nil || out.Analyser == nil {
		doc.Warning("", "the bench has no probe with an analyser: the current is computed, never measured", "first light and the closed loop need both")
	}
	if out.Interlock == nil {
		doc.Warning("", "the bench has no interlock", "an input that opens with the door of the shielded room stops RF by itself")
	}
	if len(out.Monitors) == 0 {
		doc.Warning("", "the bench has no monitors: an upset would not be noticed", "add at least the operator's key: {id: KEY, kind: operator}")
	}
	if !out.Source.Connection.Present() && !out.Source.ByHand && !doc.Has("source.address") {
		doc.Warning("source", "source has no address: it cannot be driven from here", "budget and plan work; run and off do not")
	}
	if doc.Problems().Err() == nil && b.foreign.Err() == nil {
		b.bands()
	}
}

// reach is where a piece is known.
type reach struct {
	path, id  string
	low, high rf.Frequency
}

func reachOf[V curve.Value](path, id string, c curve.Curve[V]) reach {
	low, high := c.Band()
	return reach{path, id, low, high}
}

// bands checks that the bands overlap, and warns of measuring pieces that see less than the rest can
// drive.
func (b *builder) bands() {
	out := b.bench
	driving := []reach{{"source.band", out.Source.ID, out.Source.Band.Low, out.Source.Band.High}}
	passives := func(rs []reach, list string, ps []Passive) []reach {
		for i, p := range ps {
			rs = append(rs, reachOf(fmt.Sprintf("%s[%d].loss", list, i), p.ID, p.Loss))
		}
		return rs
	}
	driving = passives(driving, "to_amplifier", out.ToAmplifier)
	if a := out.Amplifier; a != nil {
		driving = append(driving, reach{"amplifier.band", a.ID, a.Band.Low, a.Band.High},
			reachOf("amplifier.gain", a.ID, a.Gain), reachOf("amplifier.compression", a.ID, a.Compression))
	}
	driving = passives(driving, "to_clamp", out.ToClamp)
	var seeing []reach
	if c := out.Coupler; c != nil {
		driving = append(driving, reachOf("coupler.loss", c.ID, c.Loss))
		if out.PowerMeter != nil {
			seeing = append(seeing, reachOf("coupler.forward", c.ID, c.Forward), reachOf("coupler.reverse", c.ID, c.Reverse))
		}
	}
	driving = append(driving, reachOf("clamp.insertion_loss", out.Clamp.ID, out.Clamp.InsertionLoss))
	seeing = append(seeing, reachOf("clamp.return_loss", out.Clamp.ID, out.Clamp.ReturnLoss), reachOf("clamp.series_impedance", out.Clamp.ID, out.Clamp.SeriesImpedance))
	if out.Probe != nil {
		seeing = append(seeing, reachOf("probe.transfer_impedance", out.Probe.ID, out.Probe.TransferImpedance))
	}
	seeing = passives(seeing, "to_analyser", out.ToAnalyser)
	if a := out.Analyser; a != nil {
		seeing = append(seeing, reach{"analyser.band", a.ID, a.Band.Low, a.Band.High})
	}
	b.overlap(driving, seeing)
}

func (b *builder) overlap(driving, seeing []reach) {
	low, high := driving[0], driving[0]
	for _, r := range driving {
		if !r.low.Known() {
			continue
		}
		if r.low > low.low {
			low = r
		}
		if r.high < high.high {
			high = r
		}
		if low.low > high.high {
			b.doc.Problem(r.path, fmt.Sprintf("no frequency is left: %s begins at %v and %s ends at %v", low.id, low.low, high.id, high.high), "")
			return
		}
	}
	for _, r := range seeing {
		switch {
		case !r.low.Known():
		case r.low > high.high || r.high < low.low:
			b.doc.Problem(r.path, fmt.Sprintf("%s covers %v to %v, nothing of the %v to %v that the rest can drive", r.path, r.low, r.high, low.low, high.high), "")
		case r.low > low.low || r.high < high.high:
			b.doc.Aside(r.path, fmt.Sprintf("%s covers only %v to %v of the %v to %v that the rest can drive", r.path, r.low, r.high, low.low, high.high), "frequencies outside are refused")
		}
	}
}
