package web

import (
	"fmt"
	"strconv"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/files/touchstone"
	"provoke/internal/files/trace"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// curvePart is one curve of a part.
type curvePart struct {
	Item, What, Source, Text string
	Chart                    chart
}

// curvesOf draws every curve of a bench.
func curvesOf(b *catalog.Bench) []curvePart {
	var out []curvePart
	gain := func(id, what string, c curve.Curve[rf.Gain]) { out = addCurve(out, id, what, "dB", c, rf.Gain.DB) }
	passives := func(list []catalog.Passive) {
		for _, q := range list {
			gain(q.ID, "loss", q.Loss)
		}
	}
	passives(b.ToAmplifier)
	if a := b.Amplifier; a != nil {
		gain(a.ID, "gain", a.Gain)
		out = addCurve(out, a.ID, "output at 1 dB compression", "dBm", a.Compression, rf.Power.In)
	}
	passives(b.ToClamp)
	if k := b.Coupler; k != nil {
		gain(k.ID, "forward coupling", k.Forward)
		gain(k.ID, "reverse coupling", k.Reverse)
		gain(k.ID, "loss", k.Loss)
	}
	gain(b.Clamp.ID, "insertion loss", b.Clamp.InsertionLoss)
	gain(b.Clamp.ID, "return loss", b.Clamp.ReturnLoss)
	out = addCurve(out, b.Clamp.ID, "series impedance", "dBΩ", b.Clamp.SeriesImpedance, rf.Transimpedance.In)
	if q := b.Probe; q != nil {
		out = addCurve(out, q.ID, "transfer impedance", "dBΩ", q.TransferImpedance, rf.Transimpedance.In)
	}
	passives(b.ToAnalyser)
	return out
}

func addCurve[V curve.Value](list []curvePart, id, what, unit string, c curve.Curve[V],
	in func(V) float64) []curvePart {
	if c.Absent() {
		return list
	}
	p := curvePart{Item: id, What: what, Source: c.Source()}
	if c.IsFlat() {
		low, high := c.Band()
		at := low
		if !at.Known() {
			at = rf.Megahertz
		}
		v, _ := c.At(at)
		p.Text = fmt.Sprintf("%.2f %s", in(v), unit)
		if low.Known() {
			p.Text += fmt.Sprintf(", %v to %v", low, high)
		}
		return append(list, p)
	}
	s := chartSeries{Name: what, Sign: "line", Paint: "first"}
	p.Chart = chart{ID: "curve-" + strconv.Itoa(len(list)), Title: id + ", " + what, X: frequencyAxis,
		Y: axis{Label: what + " (" + unit + ")"}}
	for _, q := range c.Points() {
		y := in(q.Value)
		p.Chart.At = append(p.Chart.At, inMHz(q.At))
		s.Y = append(s.Y, &y)
	}
	p.Chart.Series = []chartSeries{s}
	return append(list, p)
}

// importPart is a curve file that was dropped on a block: what is in it, and where it was put.
type importPart struct {
	Name     string
	Kind     string
	Chart    chart
	Problems problem.List
	Into     string // the key that takes its curve from it now; empty where it was not taken
}

// readCurve reads a file as Touchstone or CSV and draws what is in it.
func readCurve(name string, data []byte) *importPart {
	lower := strings.ToLower(name)
	if dot := strings.LastIndexByte(lower, '.'); dot >= 0 &&
		(lower[dot:] == ".ts" || strings.HasPrefix(lower[dot:], ".s") && strings.HasSuffix(lower, "p")) {
		return readNetwork(name, data)
	}
	p := &importPart{Name: name, Kind: "CSV"}
	best := problem.List(nil)
	for _, try := range []func() bool{
		func() bool { return tryCSV(p, &best, name, data, "dB", rf.Gain.DB) },
		func() bool { return tryCSV(p, &best, name, data, "dBΩ", rf.Transimpedance.In) },
		func() bool { return tryCSV(p, &best, name, data, "dBm", rf.Power.In) },
		func() bool { return tryCSV(p, &best, name, data, "dBµA", rf.Current.In) },
		func() bool { return tryCSV(p, &best, name, data, "dBµV", rf.Voltage.In) },
	} {
		if try() {
			return p
		}
	}
	// A file without units is a curve all the same: the bench file says which they are.
	c, list := trace.Curve[rf.Gain](name, data, trace.Declared{XUnit: "MHz", YUnit: "dB"})
	if list.Err() == nil && !c.Absent() {
		p.Kind, p.Problems = "CSV without units", list
		return p
	}
	p.Problems = best
	return p
}

// tryCSV reads a CSV file as one kind of value; it keeps the shortest list of problems for the case
// that no kind fits.
func tryCSV[V curve.Value](p *importPart, best *problem.List, name string, data []byte, unit string,
	in func(V) float64) bool {
	c, list := trace.Curve[V](name, data, trace.Declared{})
	if list.Err() != nil || c.Absent() {
		if *best == nil || len(list) < len(*best) {
			*best = list
		}
		return false
	}
	list2 := addCurve(nil, name, "value", unit, c, in)
	p.Chart, p.Problems = list2[0].Chart, list
	p.Chart.ID, p.Kind = "imported-curve", "CSV in "+unit
	return true
}

func readNetwork(name string, data []byte) *importPart {
	p := &importPart{Name: name, Kind: "Touchstone"}
	n, list := touchstone.Parse(name, data)
	p.Problems = list
	if list.Err() != nil || n == nil {
		return p
	}
	p.Chart = chart{ID: "imported-curve", Title: name, X: frequencyAxis, Y: axis{Label: "magnitude (dB)"}}
	paints := []string{"first", "second", "third", "fourth"}
	for k := range 4 { // S11, S21, S12, S22: what a curve is most often taken from
		to, from := 1+k%2, 1+k/2
		c, err := n.GainCurve(to, from)
		if err != nil {
			continue // no such port, or a parameter that is zero somewhere
		}
		points := c.Points()
		if p.Chart.At == nil {
			for _, q := range points {
				p.Chart.At = append(p.Chart.At, inMHz(q.At))
			}
		}
		sr := chartSeries{Name: fmt.Sprintf("S%d%d", to, from), Sign: "line", Paint: paints[k]}
		for _, q := range points[:min(len(points), len(p.Chart.At))] {
			y := q.Value.DB()
			sr.Y = append(sr.Y, &y)
		}
		p.Chart.Series = append(p.Chart.Series, sr)
	}
	return p
}

// value is what a key of a bench file says that takes its curve from the file.
func (p *importPart) value(key string) string {
	quoted := strconv.Quote(p.Name)
	switch {
	case p.Kind == "CSV without units":
		return "{csv: " + quoted + ", units: {frequency: FILL IN, value: FILL IN}}"
	case p.Kind != "Touchstone":
		return "{csv: " + quoted + "}"
	case strings.HasSuffix(key, "gain"):
		return "{touchstone: " + quoted + ", parameter: S21, reading: gain}"
	case strings.HasSuffix(key, "transfer_impedance"):
		return "{touchstone: " + quoted + ", parameter: S21, reading: jig}"
	case strings.HasSuffix(key, "return_loss"):
		return "{touchstone: " + quoted + ", parameter: S11, reading: loss}"
	}
	return "{touchstone: " + quoted + ", parameter: S21, reading: loss}"
}
