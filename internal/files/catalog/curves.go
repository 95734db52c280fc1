package catalog

import (
	"encoding"
	"fmt"
	"path"
	"strconv"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/touchstone"
	"provoke/internal/files/trace"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// MaximumFile is the largest curve file that a bench may name, in bytes.
const MaximumFile = 32 << 20

// networkReading is how a Touchstone parameter is turned into the values of a curve.
type networkReading struct {
	words []string // accepted for "reading"; the first is taken where none is given
	// points turns the magnitude of a parameter, in dB, into a value under a word.
	value func(word string, magnitude rf.Gain) any
}

// A loss is what the network takes; a gain what it gives; jig is a probe in a 50 Ω jig, where
// Zt = 50 Ω·|S21|.
var (
	lossOf = &networkReading{[]string{"loss", "gain"}, func(word string, m rf.Gain) any {
		if word == "gain" {
			return m
		}
		return -m
	}}
	gainOf = &networkReading{[]string{"gain", "loss"}, func(word string, m rf.Gain) any {
		if word == "loss" {
			return -m
		}
		return m
	}}
	jigOf = &networkReading{[]string{"jig"}, func(_ string, m rf.Gain) any { return rf.TransimpedanceOfJigGain(m) }}
)

// makeCurve turns a curve as written into a curve. Own is the band of the piece, in which a value
// without a band holds; network is nil where a Touchstone file has no meaning.
func makeCurve[V curve.Value, P interface {
	*V
	encoding.TextUnmarshaler
}](b *builder, at string, f curveFile[V, P], own Band, network *networkReading, source string) curve.Curve[V] {
	var none curve.Curve[V]
	if !b.doc.Taken(at) {
		return none
	}
	if f.scalar {
		return flatCurve(b, at, *f.Flat, own, source, network == lossOf)
	}
	switch b.which(at) {
	case "flat":
		if f.Flat == nil { // its problem is told
			return none
		}
		if f.Band != nil {
			own = f.Band.Band
		}
		return flatCurve(b, at, *f.Flat, own, source, network == lossOf)
	case "points":
		return pointCurve(b, at+".points", f.Points, source)
	case "csv":
		if !b.doc.Taken(at + ".csv") {
			return none
		}
		if data, ok := b.file(at+".csv", f.CSV); ok {
			c, problems := trace.Curve[V](f.CSV, data, f.Units.Declared())
			b.foreign = append(b.foreign, problems...)
			return c
		}
	case "touchstone":
		if !b.doc.Taken(at + ".touchstone") {
			return none
		}
		if data, ok := b.file(at+".touchstone", f.Touchstone); ok {
			return networkCurve[V](b, at, f.Touchstone, data, f.Parameter, f.Reading, network, source)
		}
	}
	return none
}

// pointCurve makes a curve of the points in the file. Where one of them has a problem that was told,
// no curve is made.
func pointCurve[V curve.Value](b *builder, at string, from map[rf.Frequency]V, source string) curve.Curve[V] {
	if !b.doc.Taken(at) || b.doc.TroubleBelow(at) {
		return curve.Curve[V]{}
	}
	var points []curve.Point[V]
	for f, v := range from {
		points = append(points, curve.Point[V]{At: f, Value: v})
	}
	c, err := curve.New(points, source)
	if err != nil {
		b.doc.Problem(at, err.Error(), "")
	}
	return c
}

// which returns the one key that says where the figures of a curve are.
func (b *builder) which(at string) string {
	var given []string
	for _, key := range []string{"flat", "points", "csv", "touchstone"} {
		if b.doc.Has(at + "." + key) {
			given = append(given, key)
		}
	}
	companions := map[string]string{"band": "flat", "units": "csv", "parameter": "touchstone", "reading": "touchstone"}
	for _, key := range []string{"band", "units", "parameter", "reading"} {
		if b.doc.Has(at+"."+key) && !b.doc.Has(at+"."+companions[key]) {
			b.doc.Problem(at+"."+key, fmt.Sprintf("%s has %s without %s", at, key, companions[key]),
				fmt.Sprintf("%s belongs to %s", key, companions[key]))
		}
	}
	switch len(given) {
	case 1:
		return given[0]
	case 0:
		b.doc.Problem(at, at+" has no figures", "write one value, or one of the keys flat, points, csv, touchstone")
	default:
		b.doc.Problem(at, fmt.Sprintf("%s has %s: which of them counts?", at, strings.Join(given, " and ")), "keep one")
	}
	return ""
}

// flatCurve makes a curve of one value. Only a plain loss may hold at any frequency: what is
// transformed or amplified depends on it.
func flatCurve[V curve.Value](b *builder, at string, v V, band Band, source string, anywhere bool) curve.Curve[V] {
	if !band.Low.Known() && !(anywhere && passive(at)) {
		for _, of := range []string{at, at[:max(0, strings.LastIndexByte(at, '.'))]} {
			if key := of + ".band"; b.doc.Has(key) && !b.doc.Taken(key) {
				return curve.Curve[V]{} // the band was refused, and that is told
			}
		}
		b.doc.Problem(at, fmt.Sprintf("%s is one value without a band", at),
			"say where it holds: {flat: VALUE, band: 100 kHz to 80 MHz}")
		return curve.Curve[V]{}
	}
	c := curve.Flat(v, band.Low, band.High, source)
	if c.Absent() {
		b.doc.Problem(at, fmt.Sprintf("%s is not one exact value", at), "")
	}
	return c
}

// passive reports that a path is the loss of a pad or coax, or of a coupler's through line.
func passive(at string) bool {
	return strings.HasPrefix(at, "to_") || at == "coupler.loss"
}

// file reads a file that the bench names, and keeps its bytes.
func (b *builder) file(at, name string) ([]byte, bool) {
	if why := wrongName(name); why != "" {
		b.doc.Problem(at, fmt.Sprintf("%s: %q %s", at, name, why),
			"curve files lie beside the bench file or in a folder below it, so that the job can carry them")
		return nil, false
	}
	if data, ok := b.bench.Files[name]; ok {
		return data, true
	}
	if b.read == nil {
		b.doc.Problem(at, fmt.Sprintf("%s: no files can be read here", at), "")
		return nil, false
	}
	data, err := b.read(name)
	if err != nil {
		b.doc.Problem(at, fmt.Sprintf("%s: cannot read %q: %v", at, name, err),
			"the name counts from the folder of the bench file")
		return nil, false
	}
	if len(data) > MaximumFile {
		b.doc.Problem(at, fmt.Sprintf("%s: %q has %d bytes; at most %d are read", at, name, len(data), MaximumFile), "")
		return nil, false
	}
	b.bench.Files[name] = data
	return data, true
}

// wrongName says why a file name is refused, or nothing.
func wrongName(name string) string {
	switch {
	case strings.TrimSpace(name) == "":
		return "is no file name"
	case strings.ContainsAny(name, "\\"):
		return "has a backslash; write folders with /"
	case path.IsAbs(name), len(name) > 1 && name[1] == ':':
		return "is an absolute path"
	case strings.ContainsAny(name, "\x00:*?\"<>|"):
		return "has a character that not every system allows in a file name"
	case path.Clean(name) != name, name == ".", name == "..", strings.HasPrefix(name, "../"):
		return "leads out of the bench file's folder or is not the shortest way to write the name"
	}
	return ""
}

// networkCurve makes a curve of one S-parameter of a Touchstone file.
func networkCurve[V curve.Value](b *builder, at, name string, data []byte, parameter, reading string,
	network *networkReading, source string) curve.Curve[V] {
	var none curve.Curve[V]
	if network == nil {
		b.doc.Problem(at+".touchstone", at+" cannot come from a Touchstone file", "write points or a CSV file")
		return none
	}
	if reading == "" {
		reading = network.words[0]
	}
	if err := document.OneOf(reading, network.words...); err != nil {
		b.doc.Problem(at+".reading", fmt.Sprintf("%s.reading: %v", at, err), "")
		return none
	}
	if parameter == "" {
		parameter = "S21"
	}
	var points []curve.Point[V]
	for _, m := range b.magnitudes(at, name, data, parameter) {
		points = append(points, curve.Point[V]{At: m.At, Value: network.value(reading, m.Value).(V)})
	}
	if points == nil { // its problems are told
		return none
	}
	c, err := curve.New(points, fmt.Sprintf("%s (%s of %s)", source, parameter, name))
	if err != nil {
		b.doc.Problem(at+".touchstone", err.Error(), "")
	}
	return c
}

// magnitudes returns the magnitude of an S-parameter in dB between 50 Ω gear, or nil after telling
// what is wrong.
func (b *builder) magnitudes(at, name string, data []byte, parameter string) []curve.Point[rf.Gain] {
	to, from, ok := ports(parameter)
	if !ok {
		b.doc.Problem(at+".parameter", fmt.Sprintf("%s.parameter: %q is not an S-parameter", at, parameter),
			"for example S21; with ten ports or more S10,2")
		return nil
	}
	n, problems := touchstone.Parse(name, data)
	b.foreign = append(b.foreign, problems...)
	if problems.Err() != nil || n == nil {
		return nil
	}
	c, err := n.GainCurve(to, from)
	if err != nil {
		b.doc.Problem(at+".touchstone", fmt.Sprintf("%s: %v", at, err), "")
		return nil
	}
	return c.Points()
}

// ports reads "S21" or "S10,2".
func ports(parameter string) (to, from int, ok bool) {
	rest, ok := strings.CutPrefix(strings.ToUpper(strings.TrimSpace(parameter)), "S")
	a, b, comma := strings.Cut(rest, ",")
	if !comma {
		if len(rest) != 2 {
			return 0, 0, false
		}
		a, b = rest[:1], rest[1:]
	}
	to, errTo := strconv.Atoi(a)
	from, errFrom := strconv.Atoi(b)
	return to, from, ok && errTo == nil && errFrom == nil && to > 0 && from > 0
}
