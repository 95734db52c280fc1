package models

import (
	"fmt"
	"io"
	"strings"

	"provoke/internal/faces/calculator"
	"provoke/internal/model/design"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/twoport"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// PrintDesign writes a design for a person: the table over turns and stacks, and one of them over frequency.
func PrintDesign(w io.Writer, d *design.Clamp, all []design.Result, shown design.Result) error {
	fmt.Fprintf(w, "%s\ncore %s; material %s\n", d.Name, coreWords(d.Core), materialWords(d.Material))
	fmt.Fprintf(w, "wanted: %s in a loop of %v, %v to %v", d.Current.Linear(), d.Loop, d.Low, d.High)
	if d.Crest > 0 {
		fmt.Fprintf(w, "; the modulation adds %s at the crest and %s of mean power", d.Crest.Text(1), d.Mean.Text(1))
	}
	fmt.Fprint(w, "\n\n")
	t := terminal.Table(w)
	fmt.Fprintln(t, "turns\tcores\tforward needed\tat\tvaries by\tpeak flux\tat\tcore heat\thotter by\tworst |Γ|\tin "+
		"the cable\tagainst it")
	for _, r := range all {
		against := "–"
		if !r.Usable() {
			against = strings.Join(r.Against, "; ")
		}
		fmt.Fprintf(t, "%d\t%d\t%s\t%v\t%s\t%v\t%v\t%s\t%.0f K\t%.2f\t%s\t%s\n", r.Winding.Turns, r.Stack,
			r.Needed.Linear(), r.NeededAt, r.Flattest.Text(1),
			r.Flux, r.FluxAt, r.Heat.Linear(), r.Rise, r.Reflection, rf.Ohms(r.Series).Linear(), against)
	}
	t.Flush()
	fmt.Fprintln(w, "ranked by the forward power (CW) needed at the worst frequency. Flux is the peak at the crest, "+
		"heat the mean. The rise of temperature is that of the bare core in still air after hours at the worst "+
		"frequency: an estimate (10 W/m²K, from memory).")
	fmt.Fprintf(w, "\n%s on %s\n", english.Count(shown.Winding.Turns, "turn", "turns"),
		english.Count(shown.Stack, "core", "cores"))
	t = terminal.Table(w)
	fmt.Fprintln(t, "frequency\tjig insertion loss\tin the cable\tcurrent per W\tforward needed\tpeak flux\tcore "+
		"heat\t|Γ|")
	for _, i := range calculator.Spread(len(shown.Points), calculator.Rows) {
		p := shown.Points[i]
		fmt.Fprintf(t, "%v\t%s\t%s\t%s\t%s\t%v\t%s\t%.2f\n", p.Frequency, p.InsertionLoss.Text(2), complexOhm(p.Series),
			p.Current.Linear(), p.Needed.Linear(),
			p.FluxWanted, p.HeatWanted.Linear(), p.Reflection)
	}
	t.Flush()
	printProbeAsInjector(w, d)
	return nil
}

// printProbeAsInjector says why the monitoring probe is no injector.
func printProbeAsInjector(w io.Writer, d *design.Clamp) {
	x := d.WhyNotTheProbe()
	if x == nil {
		return
	}
	fmt.Fprintf(w, "\nwhy the monitoring probe (%d turns, %v, core %s) is no injector, %s at %v:\n", d.Probe.Turns,
		d.Probe.Load, coreWords(d.Probe.Core), d.Current.Linear(), d.Low)
	verdict := ""
	if d.Probe.Limit > 0 {
		verdict = fmt.Sprintf("; it stands %v", d.Probe.Limit)
	}
	fmt.Fprintf(w, "  it monitors that current with a peak flux of %v, because its winding cancels the cable's "+
		"ampere-turns; to inject it into %v it needs %v, %.0f times as much%s (unmodulated)\n", x.Monitoring, d.Loop,
		x.Injecting, x.Ratio, verdict)
	fmt.Fprintf(w, "  its %d turns would need %s, and its own load of %v would take %s of it\n", d.Probe.Turns,
		voltsWords(x.Drive), d.Probe.Load, rf.Watts(x.Load).Linear())
}

func voltsWords(v float64) string { return rf.Volts(v).Linear() + " r.m.s." }

func coreWords(t twoport.Toroid) string {
	s := fmt.Sprintf("%v × %v × %v", t.Outer, t.Inner, t.Height)
	if t.Gap > 0 {
		s += fmt.Sprintf(", gap %v", ferrite.Gap(t.Gap))
	}
	return s
}

func materialWords(m ferrite.Material) string {
	s := m.Name
	if m.Invented {
		s += " (invented)"
	}
	s += ", " + m.File
	if m.Saturation > 0 {
		s += fmt.Sprintf(", saturation %v", m.Saturation)
	}
	if m.Fit != nil {
		s += fmt.Sprintf("; computed with the model %q, %v", m.Model, *m.Fit)
	}
	return s
}
