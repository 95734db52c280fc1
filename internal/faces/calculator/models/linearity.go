package models

import (
	"fmt"
	"io"

	"provoke/internal/findings/jig"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// PrintLinearity writes a linearity for a person.
func PrintLinearity(w io.Writer, l jig.Linearity, modulation string) error {
	fmt.Fprintf(w, "compression up to %v counts as usable; crest of %s %s above the carrier\n", l.Setup.Limit,
		modulation, l.Setup.Crest.Text(1))
	if l.Check != nil {
		fmt.Fprintf(w, "saturation check of the %s edition: %v; %s\n", l.Check.Edition, *l.Check, l.Check.Mark())
	}
	t := terminal.Table(w)
	fmt.Fprintln(t, "frequency\tdrives\tmost compression\tat\tusable carrier\tcheck\tpassed up to")
	for _, p := range l.Points {
		top, check, to := p.Levels[len(p.Levels)-1], "–", "–"
		if l.Check != nil {
			check = "no step that large was measured"
		}
		if p.Checked {
			check = fmt.Sprintf("fails: rise %s", p.Rise.Text(1))
			if p.Passed {
				check = fmt.Sprintf("passes: rise %s", p.Rise.Text(1))
			}
			to = p.PassedTo.String()
		}
		fmt.Fprintf(t, "%v\t%d\t%s\t%v\t%v\t%s\t%s\n", p.Frequency, len(p.Levels), top.Compression.Text(2), top.Current,
			p.Usable, check, to)
	}
	t.Flush()
	fmt.Fprintf(w, "usable at every frequency: %v, limited at %v\n", l.Usable, l.UsableAt)
	for _, r := range l.Remarks {
		fmt.Fprintf(w, "remark: %s\n", r)
	}
	return nil
}

type linearityJSON struct {
	Limit    *float64          `json:"limit_db"`
	Crest    *float64          `json:"crest_db"`
	Check    *checkJSON        `json:"check"`
	Usable   *rf.Quantity      `json:"usable"`
	UsableHz *float64          `json:"usable_hz"`
	Points   []linearPointJSON `json:"points"`
	Remarks  []string          `json:"remarks"`
}

type checkJSON struct {
	Edition jig.Edition `json:"edition"`
	Step    *float64    `json:"step_db"`
	Least   *float64    `json:"least_db"`
	Most    *float64    `json:"most_db"`
	Mark    string      `json:"mark"`
}

type linearPointJSON struct {
	Hz       float64           `json:"hz"`
	Usable   *rf.Quantity      `json:"usable"`
	Checked  bool              `json:"checked"`
	Passed   bool              `json:"passed"`
	PassedTo *rf.Quantity      `json:"passed_to"`
	Rise     *float64          `json:"rise_db"`
	Levels   []linearLevelJSON `json:"levels"`
}

type linearLevelJSON struct {
	Drive       *rf.Quantity `json:"drive"`
	Current     *rf.Quantity `json:"current"`
	Compression *float64     `json:"compression_db"`
	Slope       *float64     `json:"db_per_db"`
}

// LinearityShape is a linearity for --json.
func LinearityShape(l jig.Linearity) linearityJSON {
	out := linearityJSON{Limit: rf.OrNullRounded(l.Setup.Limit, 6), Crest: rf.OrNullRounded(l.Setup.Crest, 6),
		Usable: l.Usable.Quantity(), UsableHz: l.UsableAt.OrNull(), Remarks: append([]string{}, l.Remarks...)}
	if c := l.Check; c != nil {
		out.Check = &checkJSON{Edition: c.Edition, Step: rf.OrNullRounded(c.Step, 6),
			Least: rf.OrNullRounded(c.Least, 6), Mark: c.Mark()}
		if c.Most != 0 {
			out.Check.Most = rf.OrNullRounded(c.Most, 6)
		}
	}
	for _, p := range l.Points {
		x := linearPointJSON{Hz: p.Frequency.Hz(), Usable: p.Usable.Quantity(), Checked: p.Checked, Passed: p.Passed,
			PassedTo: p.PassedTo.Quantity(), Rise: rf.OrNullRounded(p.Rise, 6)}
		for _, y := range p.Levels {
			x.Levels = append(x.Levels, linearLevelJSON{y.Drive.Quantity(), y.Current.Quantity(),
				rf.OrNullRounded(y.Compression, 6), rf.OrNullRounded(y.Step, 6)})
		}
		out.Points = append(out.Points, x)
	}
	return out
}
