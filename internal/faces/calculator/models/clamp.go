package models

import (
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"strings"

	"provoke/internal/faces/calculator"
	"provoke/internal/findings/jig"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// PrintClamp writes a clamp for a person.
func PrintClamp(w io.Writer, m jig.Clamp) error {
	fmt.Fprintf(w, "injection clamp in the 50 + 50 Ω jig, %s\n", english.Count(len(m.Points), "frequency",
		"frequencies"))
	t := terminal.Table(w)
	fmt.Fprintln(t, "frequency\tinsertion loss\tfor 100 mA\treturn loss\tseries "+
		"impedance\tmagnitude\tdirectivity\tspread")
	for _, i := range calculator.Spread(len(m.Points), calculator.Rows) {
		p := m.Points[i]
		series, magnitude := "–", "–"
		if p.HasSeries {
			series, magnitude = complexOhm(p.Series), rf.Ohms(cmplx.Abs(p.Series)).Linear()
		}
		fmt.Fprintf(t, "%v\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", p.Frequency, p.InsertionLoss.Text(2),
			p.Forward100mA.Linear(), gainText(p.ReturnLoss, 1),
			series, magnitude, gainText(p.Directivity, 1), gainText(p.Spread, 2))
	}
	t.Flush()
	printRepeat(w, m.Repeat)
	for _, r := range m.Remarks {
		fmt.Fprintf(w, "remark: %s\n", r)
	}
	return nil
}

// complexOhm prints an impedance: "29.0 + j10.6 Ω".
func complexOhm(z complex128) string {
	sign := "+"
	if imag(z) < 0 {
		sign = "−"
	}
	re := fmt.Sprintf("%.1f", real(z))
	if re == "-0.0" {
		re = "0.0"
	}
	return fmt.Sprintf("%s %s j%.1f Ω", strings.Replace(re, "-", "−", 1), sign, math.Abs(imag(z)))
}

type clampJSON struct {
	Points  []clampPointJSON  `json:"points"`
	Repeat  repeatJSON        `json:"repeat"`
	Sources []Source          `json:"sources"`
	SHA256  map[string]string `json:"sha256"`
	Remarks []string          `json:"remarks"`
}

type clampPointJSON struct {
	Hz            float64      `json:"hz"`
	InsertionLoss *float64     `json:"insertion_loss_db"`
	ReturnLoss    *float64     `json:"return_loss_db"`
	Series        *[2]float64  `json:"series_ohm"`
	Directivity   *float64     `json:"directivity_db"`
	Forward       *rf.Quantity `json:"forward_for_100mA"`
	Spread        *float64     `json:"spread_db"`
}

// ClampShape is a measured clamp for --json.
func ClampShape(m jig.Clamp, sources []Source) clampJSON {
	out := clampJSON{Repeat: repeatShape(m.Repeat), Sources: sources, Remarks: append([]string{}, m.Remarks...),
		SHA256: map[string]string{}}
	for what, hash := range map[string]string{"insertion_loss": m.InsertionLoss.Hash(),
		"return_loss":      m.ReturnLoss.Hash(),
		"series_impedance": m.Series.Hash(), "directivity": m.Directivity.Hash()} {
		if hash != "" {
			out.SHA256[what] = hash
		}
	}
	for _, p := range m.Points {
		x := clampPointJSON{Hz: p.Frequency.Hz(), InsertionLoss: rf.OrNullRounded(p.InsertionLoss, 6),
			ReturnLoss: rf.OrNullRounded(p.ReturnLoss, 6), Directivity: rf.OrNullRounded(p.Directivity, 6),
			Forward: p.Forward100mA.Quantity(), Spread: rf.OrNullRounded(p.Spread, 6)}
		if p.HasSeries {
			x.Series = &[2]float64{real(p.Series), imag(p.Series)}
		}
		out.Points = append(out.Points, x)
	}
	return out
}
