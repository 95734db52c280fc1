package catalog

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"sort"
	"strings"
	"time"

	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Kind is the first line's value of a bench file.
const Kind = "bench 1"

// Parse reads a bench file. File is its name for problems, data its bytes; read returns the bytes of
// a curve file that the bench names, relative to the bench file. All problems come back at once,
// warnings among them; the bench is complete only when problems.Err() is nil, and nil when the file
// could not be read at all.
func Parse(file string, data []byte, read func(name string) ([]byte, error)) (*Bench, problem.List) {
	var raw benchFile
	doc := document.Decode(file, data, Kind, &raw)
	if !doc.Readable() {
		return nil, doc.Problems()
	}
	b := &builder{doc: doc, read: read, bench: &Bench{
		Name: raw.Name, File: file, Bytes: append([]byte(nil), data...), Files: map[string][]byte{},
	}}
	b.build(raw)
	b.check()
	b.bench.Hash = Hash(b.bench.Bytes, b.bench.Files)
	list := append(doc.Problems(), b.foreign...)
	return b.bench, list
}

// Hash returns the SHA-256, in hex, of a canonical text of a bench file and the files it names: one
// line "SHA-256 of the bytes, space, name" for each, the bench file first under an empty name, the
// others in the order of their names.
func Hash(data []byte, files map[string][]byte) string {
	digest := func(b []byte) string { sum := sha256.Sum256(b); return hex.EncodeToString(sum[:]) }
	text := digest(data) + " \n"
	names := make([]string, 0, len(files))
	for name := range files {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		text += digest(files[name]) + " " + name + "\n"
	}
	return digest([]byte(text))
}

// builder turns the file's shapes into a bench.
type builder struct {
	doc     *document.Document
	read    func(string) ([]byte, error)
	bench   *Bench
	foreign problem.List // problems inside curve files
	ids     map[string]string
	used    map[string]string // address → id
}

func (b *builder) build(raw benchFile) {
	b.ids, b.used = map[string]string{}, map[string]string{}
	out := b.bench
	out.SinglePath, out.UnmeasuredGain = raw.SinglePath, raw.UnmeasuredGain
	if raw.Source != nil {
		b.source(*raw.Source)
	}
	out.ToAmplifier = b.passives("to_amplifier", raw.ToAmplifier)
	if raw.Amplifier != nil {
		out.Amplifier = b.amplifier(*raw.Amplifier)
	}
	out.ToClamp = b.passives("to_clamp", raw.ToClamp)
	if raw.Coupler != nil {
		out.Coupler = b.coupler(*raw.Coupler)
	}
	if raw.PowerMeter != nil {
		out.PowerMeter = b.powerMeter(*raw.PowerMeter)
	}
	if raw.Clamp != nil {
		b.clamp(*raw.Clamp)
	}
	if raw.Cable != nil {
		b.cable(*raw.Cable)
	}
	if raw.DUT != nil {
		out.DUT = DUT{Identity: b.identity("dut", raw.DUT.identityFile), Version: raw.DUT.Version,
			Port: raw.DUT.Port, Cycle: raw.DUT.Cycle, NeededDwell: raw.DUT.NeededDwell}
	}
	if raw.Probe != nil {
		out.Probe = b.probe(*raw.Probe)
	}
	out.ToAnalyser = b.passives("to_analyser", raw.ToAnalyser)
	if raw.Analyser != nil {
		out.Analyser = b.analyser(*raw.Analyser)
	}
	for i, m := range raw.Monitors {
		out.Monitors = append(out.Monitors, b.monitor(fmt.Sprintf("monitors[%d]", i), m))
	}
	if raw.Interlock != nil {
		out.Interlock = &Interlock{
			Identity:   b.identity("interlock", raw.Interlock.identityFile),
			Connection: b.connection("interlock", TableInterlock, raw.Interlock.ID, raw.Interlock.connectionFile),
		}
	}
	if raw.DeadMan != nil {
		out.HardwareDeadMan = b.deadMan(*raw.DeadMan)
	}
	if raw.PowerRelay != nil {
		out.PowerRelay = b.relay(*raw.PowerRelay)
	}
	if raw.Switch != nil {
		out.Switch = &PathSwitch{
			Identity:   b.identity("switch", raw.Switch.identityFile),
			Connection: b.connection("switch", TableSwitch, raw.Switch.ID, raw.Switch.connectionFile),
			Route:      strings.TrimSpace(raw.Switch.Route),
		}
	}
	b.ownTables(raw.Tables)
}

func (b *builder) identity(path string, f identityFile) Identity {
	if f.ID != "" {
		if first, twice := b.ids[f.ID]; twice {
			b.doc.Problem(path+".id", fmt.Sprintf("%s and %s are both called %s", first, path, f.ID),
				"give every piece an id of its own")
		} else {
			b.ids[f.ID] = path
		}
	}
	if !f.Calibrated.IsZero() && !f.Due.IsZero() && f.Due.Before(f.Calibrated.Time) {
		b.doc.Problem(path+".due", fmt.Sprintf("%s is due before it was calibrated", path), "")
	}
	return Identity{ID: f.ID, Description: f.Description, Serial: f.Serial, Calibrated: f.Calibrated.Time,
		Due: f.Due.Time, Certificate: f.Certificate}
}

// rating tells of a rating that is no rating, and of one that is missing and what that forbids.
func rating[U rf.Unit](b *builder, path, key string, l rf.Level[U], forbids string) rf.Level[U] {
	at := path + "." + key
	switch {
	case l.Absent() && !b.doc.Has(at) && forbids != "":
		b.doc.Warning(path, fmt.Sprintf("%s has no %s: %s", path, key, forbids),
			"a rating that is not known is not taken as unlimited")
	case !l.Absent() && !l.Exact():
		b.doc.Problem(at, fmt.Sprintf("%s is %v; it must be one exact value", at, l), "")
		return rf.Level[U]{}
	}
	return l
}

func (b *builder) source(f sourceFile) {
	s := Source{
		Identity: b.identity("source", f.identityFile), Connection: b.connection("source", string(f.Kind), f.ID,
			f.connectionFile),
		Kind: string(f.Kind), Band: f.Band.Band, Resolution: f.Resolution,
		CountsIn: CountsIn(f.CountsIn), Load: LoadSetting(f.Load),
		MaximumReverse: rating(b, "source", "maximum_reverse", f.MaximumReverse, ""),
		HardwareOff:    strings.TrimSpace(f.HardwareOff),
		Uncertainty:    b.uncertainty("source.uncertainty", f.Uncertainty, nil),
	}
	switch {
	case s.CountsIn == CountsVpp && s.Load == "" && !b.doc.Has("source.load"):
		b.doc.Problem("source", "source counts in Vpp but does not say under which load setting",
			"add \"load: 50 Ω\" or \"load: high-Z\": between the two lie 6 dB")
	case s.CountsIn == CountsDBm && s.Load == LoadHighZ:
		b.doc.Problem("source.load", "a generator set for a high-Z load cannot count in dBm",
			"set it for 50 Ω, or let it count in Vpp")
	case s.Load == "":
		s.Load = Load50
	}
	s.Minimum = rating(b, "source", "minimum", f.Minimum.Available(s.Load), "")
	s.Maximum = rating(b, "source", "maximum", f.Maximum.Available(s.Load), "")
	if s.Minimum.Exact() && s.Maximum.Exact() && !s.Maximum.Above(s.Minimum) {
		b.doc.Problem("source.maximum", fmt.Sprintf("source.maximum (%v into 50 Ω) is not above source.minimum (%v)",
			s.Maximum, s.Minimum), "")
	}
	if b.doc.Taken("source.resolution") && (f.Resolution <= 0 || f.Resolution > 6) {
		b.doc.Problem("source.resolution", fmt.Sprintf("source.resolution is %v; it must lie between 0 dB and 6 dB",
			f.Resolution.Text(3)), "write the smallest step of level that you want to be used, for example 0.1 dB")
	}
	b.bench.Source = s
}

func (b *builder) passives(list string, fs []passiveFile) []Passive {
	var out []Passive
	for i, f := range fs {
		path := fmt.Sprintf("%s[%d]", list, i)
		p := Passive{Identity: b.identity(path, f.identityFile), Quality: b.quality(path, f.qualityFile, lossOf),
			Kind: string(f.Kind)}
		p.Loss = loss(b, path+".loss", f.Loss, f.ID+" loss")
		p.MaximumPower = rating(b, path, "maximum_power", f.MaximumPower, "no level into it can be shown to be safe")
		out = append(out, p)
	}
	return out
}

func (b *builder) amplifier(f amplifierFile) *Amplifier {
	const path = "amplifier"
	a := &Amplifier{
		Identity: b.identity(path, f.identityFile), Connection: b.connection(path, TableAmplifier,
			f.ID, f.connectionFile),
		Quality: b.quality(path, f.qualityFile, gainOf), Harmonics: b.harmonics(path+".harmonics", f.Harmonics),
		Band:         f.Band.Band,
		Gain:         makeCurve(b, path+".gain", f.Gain, f.Band.Band, gainOf, f.ID+" gain"),
		GainMeasured: f.GainMeasured.Time,
		Compression:  makeCurve(b, path+".compression", f.Compression, f.Band.Band, nil, f.ID+" 1 dB compression"),
		Saturation:   rating(b, path, "saturation", f.Saturation, "no output level can be shown to be safe"),
		MaximumInput: rating(b, path, "maximum_input", f.MaximumInput, "no input level can be shown to be safe"),
		MaximumDuty:  b.share(path+".maximum_duty", f.MaximumDuty),
		ReflectedLimit: rating(b, path, "reflected_limit", f.ReflectedLimit,
			"no clamp can be driven; an amplifier that stands any load at full power has its saturation power here"),
	}
	if a.Compression.Absent() && !b.doc.Has(path+".compression") {
		b.doc.Warning(path,
			"amplifier has no compression: no output level can be predicted near saturation, so none is allowed",
			"write the output power at 1 dB compression")
	}
	for _, p := range a.Compression.Points() {
		if a.Saturation.Exact() && p.Value.Above(a.Saturation) {
			b.doc.Problem(path+".saturation",
				fmt.Sprintf("the 1 dB compression of %v at %v is above the saturation of %v", p.Value, p.At,
					a.Saturation), "")
			break
		}
	}
	return a
}

func (b *builder) coupler(f couplerFile) *Coupler {
	const path = "coupler"
	return &Coupler{
		Identity: b.identity(path, f.identityFile), Quality: b.quality(path, f.qualityFile, lossOf),
		Forward: loss(b, path+".forward", f.Forward, f.ID+" forward coupling"), Reverse: loss(b, path+".reverse",
			f.Reverse, f.ID+" reverse coupling"),
		Loss:         loss(b, path+".loss", f.Loss, f.ID+" loss"),
		MaximumPower: rating(b, path, "maximum_power", f.MaximumPower, "no level into it can be shown to be safe"),
	}
}

func (b *builder) powerMeter(f powerMeterFile) *PowerMeter {
	const path = "power_meter"
	return &PowerMeter{
		Identity: b.identity(path, f.identityFile), Connection: b.connection(path, TablePowerMeter,
			f.ID, f.connectionFile),
		Quality: b.quality(path, f.qualityFile, nil),
		MaximumInput: rating(b, path, "maximum_input", f.MaximumInput,
			"no level at the coupler's ports can be shown to be safe"),
		Floor: rating(b, path, "floor", f.Floor, "a reading cannot be told from its noise"),
	}
}

func (b *builder) clamp(f clampFile) {
	const path = "clamp"
	c := Clamp{
		Identity: b.identity(path, f.identityFile), Quality: b.quality(path, f.qualityFile, lossOf),
		InsertionLoss: loss(b, path+".insertion_loss", f.InsertionLoss, f.ID+" insertion loss"),
		ReturnLoss: b.returnLoss(path+".return_loss", makeCurve(b, path+".return_loss", f.ReturnLoss, Band{},
			lossOf, f.ID+" return loss")),
		SeriesImpedance: makeCurve(b, path+".series_impedance", f.SeriesImpedance, Band{},
			nil, f.ID+" series impedance"),
		MaximumForward: rating(b, path, "maximum_forward", f.MaximumForward,
			"no level into it can be shown to be safe"),
		MaximumTime: f.MaximumTime, MaximumDuty: b.share(path+".maximum_duty", f.MaximumDuty),
	}
	if c.ReturnLoss.Absent() && !b.doc.Has(path+".return_loss") {
		b.doc.Aside(path, "clamp has no return_loss: total reflection is assumed",
			"measure its input match in the jig and write it as a curve")
	}
	for _, p := range c.InsertionLoss.Points() {
		if p.Value < 3 {
			b.doc.Warning(path+".insertion_loss",
				fmt.Sprintf("an insertion loss of %v at %v is less than the 3.01 dB that the jig's far end takes",
					p.Value.Text(2), p.At),
				"insertion loss counts from forward power at the clamp to power in one 50 Ω port of the jig")
			break
		}
	}
	b.bench.Clamp = c
}

// Common practice, no single source: a cable's current lies up to 10 dB above and 20 dB below the
// jig's at the same forward power.
const (
	usualLow  rf.Gain = -20
	usualHigh rf.Gain = 10
)

func (b *builder) cable(f cableFile) {
	const path = "cable"
	c := Cable{
		Identity: b.identity(path, f.identityFile), Kind: f.Kind, Decoupling: f.Decoupling,
		PositionTolerance: f.PositionTolerance,
		Length:            f.Length, Height: f.Height, ClampToDUT: f.ClampToDUT, ProbeToDUT: f.ProbeToDUT,
		MaximumCurrent: rating(b, path, "maximum_current", f.MaximumCurrent,
			"no current on it can be shown to be safe"),
		ExpectedLow: usualLow, ExpectedHigh: usualHigh,
	}
	if f.ExpectedLow != nil {
		c.ExpectedLow = *f.ExpectedLow
	}
	if f.ExpectedHigh != nil {
		c.ExpectedHigh = *f.ExpectedHigh
	}
	if c.ExpectedLow > 0 {
		b.doc.Problem(path+".expected_low", fmt.Sprintf("cable.expected_low is %v; it must not be above 0 dB",
			c.ExpectedLow), "it says how far the cable's current may lie below the jig's, for example -20 dB")
	}
	if c.ExpectedHigh < 0 {
		b.doc.Problem(path+".expected_high", fmt.Sprintf("cable.expected_high is %v; it must not be below 0 dB",
			c.ExpectedHigh), "it says how far the cable's current may lie above the jig's, for example 10 dB")
	}
	for key, l := range map[string]rf.Length{"length": c.Length, "height": c.Height, "clamp_to_dut": c.ClampToDUT,
		"probe_to_dut": c.ProbeToDUT} {
		if b.doc.Taken(path+"."+key) && l < 0 {
			b.doc.Problem(path+"."+key, fmt.Sprintf("cable.%s cannot be negative", key), "")
		}
	}
	for key, l := range map[string]rf.Length{"clamp_to_dut": c.ClampToDUT, "probe_to_dut": c.ProbeToDUT} {
		if c.Length > 0 && l > c.Length {
			b.doc.Problem(path+"."+key, fmt.Sprintf("cable.%s is %v on a cable of %v", key, l, c.Length), "")
		}
	}
	if c.ClampToDUT > 0 && c.ProbeToDUT > c.ClampToDUT {
		b.doc.Aside(path+".probe_to_dut", "the probe is farther from the DUT than the clamp",
			"the probe belongs between clamp and DUT, near the DUT")
	}
	b.bench.Cable = c
}

func (b *builder) probe(f probeFile) *Probe {
	const path = "probe"
	p := &Probe{
		Identity: b.identity(path, f.identityFile), Quality: b.quality(path, f.qualityFile, jigOf),
		TransferImpedance: makeCurve(b, path+".transfer_impedance", f.TransferImpedance, Band{},
			jigOf, f.ID+" transfer impedance"),
		MaximumCurrent: rating(b, path, "maximum_current", f.MaximumCurrent,
			"no current through it can be shown to be safe"),
	}
	if zt := f.TransferImpedance; zt.Touchstone != "" && !p.TransferImpedance.Absent() && !b.doc.Has(path+".vswr") {
		p.Match = b.matchBeside(path, zt.Touchstone, zt.Parameter)
	}
	return p
}

func (b *builder) analyser(f analyserFile) *Analyser {
	const path = "analyser"
	a := &Analyser{
		Identity: b.identity(path, f.identityFile), Connection: b.connection(path, TableAnalyser,
			f.ID, f.connectionFile),
		Quality: b.quality(path, f.qualityFile, nil),
		Band:    f.Band.Band, Bandwidths: append([]rf.Frequency(nil), f.Bandwidths...),
		MaximumInput: rating(b, path, "maximum_input", f.MaximumInput, "no level into it can be shown to be safe"),
		MixerLimit:   rating(b, path, "mixer_limit", f.MixerLimit, "a reading cannot be told from an overloaded one"),
		Floor:        rating(b, path, "floor", f.Floor, "a reading cannot be told from its noise"),
	}
	if b.doc.Taken(path + ".reading_spread") {
		if a.ReadingSpread = f.Spread; !(f.Spread > 0 && f.Spread <= 1) {
			b.doc.Problem(path+".reading_spread",
				fmt.Sprintf("%s.reading_spread is %v; it must lie between 0 dB and 1 dB", path, f.Spread.Text(3)),
				"read a steady carrier ten times and write the standard deviation, for example 0.05 dB")
		}
	}
	sort.Slice(a.Bandwidths, func(i, j int) bool { return a.Bandwidths[i] < a.Bandwidths[j] })
	return a
}

// harmonics checks the level of the strongest harmonic.
func (b *builder) harmonics(path string, g rf.Gain) rf.Gain {
	if b.doc.Has(path) && !(g < 0) {
		b.doc.Problem(path, fmt.Sprintf("%s is %v; it is the strongest harmonic against the carrier, below 0 dB",
			path, g), "for example -20 dB")
		return 0
	}
	return g
}

// share checks a fraction that is at most the whole.
func (b *builder) share(path string, f rf.Fraction) rf.Fraction {
	if b.doc.Taken(path) && (f <= 0 || f > 1) {
		b.doc.Problem(path, fmt.Sprintf("%s is %v; it must lie between 0 %% and 100 %%", path, f), "")
	}
	return f
}

// pattern checks a regular expression and that it has the groups that are used.
func (b *builder) pattern(path, text string, groups int) {
	if text == "" {
		return
	}
	re, err := regexp.Compile(text)
	switch {
	case err != nil:
		b.doc.Problem(path, fmt.Sprintf("%s is not a regular expression: %v", path, err),
			"put it in single quotes, so that YAML leaves backslashes alone")
	case re.NumSubexp() < groups:
		b.doc.Problem(path, path+" has no group", "put parentheses round the part that is the number")
	}
}

// Overdue returns the pieces whose calibration is no longer due at a time, in the order of the chain.
func (b *Bench) Overdue(at time.Time) []Identity {
	var out []Identity
	for _, p := range b.Pieces() {
		if !p.Due.IsZero() && at.After(p.Due.AddDate(0, 0, 1)) {
			out = append(out, p)
		}
	}
	return out
}

// Pieces returns the identity of every piece, in the order of the chain.
func (b *Bench) Pieces() []Identity {
	out := []Identity{b.Source.Identity}
	passives := func(ps []Passive) {
		for _, p := range ps {
			out = append(out, p.Identity)
		}
	}
	passives(b.ToAmplifier)
	if b.Amplifier != nil {
		out = append(out, b.Amplifier.Identity)
	}
	passives(b.ToClamp)
	if b.Coupler != nil {
		out = append(out, b.Coupler.Identity)
	}
	if b.PowerMeter != nil {
		out = append(out, b.PowerMeter.Identity)
	}
	out = append(out, b.Clamp.Identity, b.Cable.Identity, b.DUT.Identity)
	if b.Probe != nil {
		out = append(out, b.Probe.Identity)
	}
	passives(b.ToAnalyser)
	if b.Analyser != nil {
		out = append(out, b.Analyser.Identity)
	}
	for _, m := range b.Monitors {
		out = append(out, m.Identity)
	}
	if b.Interlock != nil {
		out = append(out, b.Interlock.Identity)
	}
	if b.PowerRelay != nil {
		out = append(out, b.PowerRelay.Identity)
	}
	if b.Switch != nil {
		out = append(out, b.Switch.Identity)
	}
	return out
}

// loss makes a curve of losses, none of which may be a gain.
func loss(b *builder, path string, f gainFile, source string) curve.Curve[rf.Gain] {
	c := makeCurve(b, path, f, Band{}, lossOf, source)
	if v, ok := lowest(c); ok && v < 0 {
		b.doc.Problem(path, fmt.Sprintf("%s is %v: a loss cannot be negative", path, v.Text(2)),
			"write the loss as a positive number")
	}
	return c
}

func lowest(c curve.Curve[rf.Gain]) (rf.Gain, bool) {
	points := c.Points()
	if c.IsFlat() && len(points) == 0 {
		v, err := c.At(rf.Megahertz)
		return v, err == nil
	}
	if len(points) == 0 {
		return 0, false
	}
	low := points[0].Value
	for _, p := range points {
		low = min(low, p.Value)
	}
	return low, true
}
