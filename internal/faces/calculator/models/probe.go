package models

import (
	"fmt"
	"io"

	"provoke/internal/faces/calculator"
	"provoke/internal/findings/jig"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Source is a file that was read.
type Source struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
}

// PrintProbe writes a probe for a person.
func PrintProbe(w io.Writer, p jig.Probe) error {
	fmt.Fprintf(w, "transfer impedance by the method %q, %s\n", p.Method,
		english.Count(len(p.Points), "frequency", "frequencies"))
	t := terminal.Table(w)
	fmt.Fprintln(t, "frequency\tZt\tlinear\tnaive 50·S21\tone-port\tturns\tratio\tspread")
	for _, i := range calculator.Spread(len(p.Points), calculator.Rows) {
		x := p.Points[i]
		fmt.Fprintf(t, "%v\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", x.Frequency, x.Zt.Text(2), x.Zt.Linear(), x.Naive.Text(2),
			x.OnePort.Text(2), x.Lumped.Text(2), x.Ratio.Text(2), gainText(x.Spread, 2))
	}
	t.Flush()
	f := p.Flat
	fmt.Fprintf(w, "\nflat from %v to %v: %s (%s), ripple %s\n", f.Low, f.High, f.Value.Text(2), f.Value.Linear(),
		f.Ripple.Text(2))
	fmt.Fprintf(w, "3 dB down at %s below and %s above\n", known(f.LowCorner), known(f.HighCorner))
	printRepeat(w, p.Repeat)
	for _, r := range p.Remarks {
		fmt.Fprintf(w, "remark: %s\n", r)
	}
	return nil
}

func printRepeat(w io.Writer, r jig.Repeat) {
	if r.Known() {
		fmt.Fprintf(w, "%d sweeps: standard deviation of one %s over all frequencies, %s at worst (at %v)\n", r.Sweeps,
			r.Pooled.Text(3), r.Worst.Text(3), r.WorstAt)
	}
}

func known(f rf.Frequency) string {
	if !f.Known() {
		return "(not reached)"
	}
	return f.String()
}

type repeatJSON struct {
	Sweeps  int      `json:"sweeps"`
	Spread  *float64 `json:"spread_db"`
	Worst   *float64 `json:"worst_db"`
	WorstHz *float64 `json:"worst_hz"`
}

func repeatShape(r jig.Repeat) repeatJSON {
	out := repeatJSON{Sweeps: r.Sweeps}
	if r.Known() {
		out.Spread, out.Worst, out.WorstHz = rf.OrNullRounded(r.Pooled, 6), rf.OrNullRounded(r.Worst, 6),
			r.WorstAt.OrNull()
	}
	return out
}

type probeJSON struct {
	Method  jig.Method       `json:"method"`
	Points  []probePointJSON `json:"points"`
	Flat    flatJSON         `json:"flat"`
	Repeat  repeatJSON       `json:"repeat"`
	Sources []Source         `json:"sources"`
	SHA256  string           `json:"sha256"`
	Remarks []string         `json:"remarks"`
}

type probePointJSON struct {
	Hz      float64      `json:"hz"`
	Zt      *rf.Quantity `json:"zt"`
	Naive   *float64     `json:"naive_dbohm"`
	OnePort *float64     `json:"one_port_dbohm"`
	Turns   *float64     `json:"turns_dbohm"`
	Ratio   *float64     `json:"ratio_dbohm"`
	Spread  *float64     `json:"spread_db"`
}

type flatJSON struct {
	Low        *float64     `json:"low_hz"`
	High       *float64     `json:"high_hz"`
	Zt         *rf.Quantity `json:"zt"`
	Ripple     *float64     `json:"ripple_db"`
	LowCorner  *float64     `json:"low_corner_hz"`
	HighCorner *float64     `json:"high_corner_hz"`
}

// ProbeShape is a measured probe for --json.
func ProbeShape(p jig.Probe, sources []Source) probeJSON {
	out := probeJSON{Method: p.Method, Repeat: repeatShape(p.Repeat), Sources: sources, SHA256: p.Curve.Hash(),
		Remarks: append([]string{}, p.Remarks...),
		Flat: flatJSON{p.Flat.Low.OrNull(), p.Flat.High.OrNull(), p.Flat.Value.Quantity(),
			rf.OrNullRounded(p.Flat.Ripple, 6), p.Flat.LowCorner.OrNull(), p.Flat.HighCorner.OrNull()}}
	for _, x := range p.Points {
		out.Points = append(out.Points, probePointJSON{x.Frequency.Hz(), x.Zt.Quantity(),
			rf.OrNullRounded(x.Naive.DB(), 6), rf.OrNullRounded(x.OnePort.DB(), 6), rf.OrNullRounded(x.Lumped.DB(), 6),
			rf.OrNullRounded(x.Ratio.DB(), 6), rf.OrNullRounded(x.Spread, 6)})
	}
	return out
}
