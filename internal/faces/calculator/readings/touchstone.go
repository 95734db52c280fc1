package readings

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"strings"

	"provoke/internal/faces/calculator"
	"provoke/internal/files/touchstone"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// touchstonePoint is one matrix that is to be printed.
type touchstonePoint struct {
	hz      float64
	s       touchstone.Matrix
	between bool // not a point of the file
}

// NetworkPoints returns the asked frequencies, else all points or some of them spread over the file.
func NetworkPoints(n *touchstone.Network, asked []rf.Frequency, all bool) ([]touchstonePoint, error) {
	var out []touchstonePoint
	for _, f := range asked {
		s, err := n.At(f)
		if err != nil {
			return nil, fmt.Errorf("--at: %w", err)
		}
		between := true
		for _, hz := range n.Frequencies {
			between = between && math.Abs(hz-f.Hz()) > 1e-9*hz
		}
		out = append(out, touchstonePoint{f.Hz(), s, between})
	}
	if len(asked) > 0 {
		return out, nil
	}
	most := calculator.Rows
	if all {
		most = n.Points()
	}
	for _, i := range calculator.Spread(n.Points(), most) {
		out = append(out, touchstonePoint{hz: n.Frequencies[i], s: n.S(i)})
	}
	return out, nil
}

type complexJSON [2]float64

type touchstonePointJSON struct {
	Hz float64         `json:"hz"`
	S  [][]complexJSON `json:"s"`
}

type touchstoneNoiseJSON struct {
	Hz         float64     `json:"hz"`
	MinimumNF  float64     `json:"minimum_noise_figure_db"`
	Optimum    complexJSON `json:"optimum_reflection"`
	Resistance float64     `json:"resistance_ohm"`
}

// NetworkJSON prints the shape that Help documents.
func NetworkJSON(w io.Writer, n *touchstone.Network, points []touchstonePoint) error {
	out := struct {
		Ports     int                   `json:"ports"`
		Parameter string                `json:"parameter"`
		Format    string                `json:"format"`
		Reference []float64             `json:"reference"`
		Points    []touchstonePointJSON `json:"points"`
		Noise     []touchstoneNoiseJSON `json:"noise"`
		Warnings  []string              `json:"warnings"`
	}{n.Ports, n.Parameter, n.Format, n.Reference, make([]touchstonePointJSON, len(points)), []touchstoneNoiseJSON{},
		inLines(n.Warnings)}
	for i, p := range points {
		out.Points[i] = touchstonePointJSON{p.hz, make([][]complexJSON, p.s.N)}
		for to := range p.s.N {
			for from := range p.s.N {
				x := p.s.At(to+1, from+1)
				out.Points[i].S[to] = append(out.Points[i].S[to], complexJSON{real(x), imag(x)})
			}
		}
	}
	for _, p := range n.Noise {
		out.Noise = append(out.Noise, touchstoneNoiseJSON{p.Hz, p.MinimumNF.DB(),
			complexJSON{real(p.OptimumGamma), imag(p.OptimumGamma)}, p.Resistance})
	}
	return compactJSON(w, out)
}

// PrintNetwork prints what a person wants to know of the file.
func PrintNetwork(w io.Writer, n *touchstone.Network, points []touchstonePoint, asked bool) error {
	b := bufio.NewWriter(w)
	describeNetwork(b, n)
	for _, line := range touchstoneRemarks(n) {
		fmt.Fprintln(b, line)
	}
	if len(n.Noise) > 0 {
		span := showHz(n.Noise[0].Hz)
		if last := n.Noise[len(n.Noise)-1].Hz; len(n.Noise) > 1 {
			span += " to " + showHz(last)
		}
		fmt.Fprintf(b, "noise data at %s, %s\n", english.Count(len(n.Noise), "frequency", "frequencies"), span)
	}
	fmt.Fprintln(b)
	if !asked && len(points) < n.Points() {
		fmt.Fprintf(b, "%d of %d points; --at FREQUENCY shows others, --json all\n", len(points), n.Points())
	}
	writeMatrices(b, n, points)
	return b.Flush()
}

func showHz(hz float64) string {
	if hz == 0 {
		return "0 Hz"
	}
	return rf.Frequency(hz).String()
}

func describeNetwork(w io.Writer, n *touchstone.Network) {
	first, last := n.Frequencies[0], n.Frequencies[n.Points()-1]
	fmt.Fprintf(w, "%s: Touchstone %s, %s, %s", n.Name, n.Version, english.Count(n.Ports, "port", "ports"),
		english.Count(n.Points(), "point", "points"))
	if n.Points() > 1 {
		fmt.Fprintf(w, " from %s to %s\n", showHz(first), showHz(last))
	} else {
		fmt.Fprintf(w, " at %s\n", showHz(first))
	}
	format := map[string]string{"MA": "magnitude and angle", "DB": "decibel and angle",
		"RI": "real and imaginary part"}[n.Format]
	fmt.Fprintf(w, "the file holds %s as %s; shown is S at the file's reference, %s\n", n.Parameter, format,
		n.DescribeReference())
	if len(n.Modes) > 0 {
		fmt.Fprintf(w,
			"mixed-mode, rows and columns are %v; the reference of D is twice, of C half that of its ports\n",
			n.Modes)
	}
}

// touchstoneRemarks says what an engineer would look for first.
func touchstoneRemarks(n *touchstone.Network) []string {
	var out []string
	if d, hz := n.Asymmetry(); n.Ports > 1 {
		switch {
		case d == 0:
			out = append(out, "reciprocal: Sij = Sji everywhere")
		case d <= 1e-3:
			out = append(out, fmt.Sprintf("reciprocal within |Sij − Sji| = %.1g", d))
		default:
			out = append(out, fmt.Sprintf("not reciprocal: |Sij − Sji| is up to %.3g, at %s", d, showHz(hz)))
		}
	}
	g, hz := n.LargestGain()
	switch over := rf.GainOfAmplitudeRatio(g); {
	case g <= 1+1e-6:
		out = append(out, fmt.Sprintf("passive: at most %s of what goes in comes out, at %s", over.Text(2), showHz(hz)))
	case over < 0.1:
		out = append(out, fmt.Sprintf("passive within the figures: up to %s more comes out than goes in, at %s",
			over.Text(3), showHz(hz)))
	default:
		out = append(out,
			fmt.Sprintf("active: up to %s more comes out than goes in, at %s (an amplifier; in a passive "+
				"part a fault of calibration)", over.Text(1), showHz(hz)))
	}
	if n.Ports > 1 {
		switch turn, hz := n.FastestTurn(2, 1); {
		case turn > 150:
			out = append(out, fmt.Sprintf("coarse: the phase of S21 turns by %.0f° from %s to the next point; between "+
				"the points S is a guess", turn, showHz(hz)))
		case turn > 15: // half way the chord is cos(φ/2) of the arc, 0.07 dB for 15°
			low := -rf.GainOfAmplitudeRatio(math.Cos(turn / 2 * math.Pi / 180))
			out = append(out, fmt.Sprintf("coarse: the phase of S21 turns by %.0f° from %s to the next point; between "+
				"them S21 may be shown up to %s low", turn, showHz(hz), low.Text(1)))
		}
	}
	return out
}

// writeMatrices prints one row per frequency for one and two ports, else one per element.
func writeMatrices(w io.Writer, n *touchstone.Network, points []touchstonePoint) {
	t := terminal.ExactTable(w)
	t.Right = true
	if n.Ports > 2 {
		fmt.Fprint(t, "f\tS\tdB\tdegree\t\t\n")
	} else {
		fmt.Fprint(t, "f\t")
		for _, ij := range elements(n.Ports) {
			fmt.Fprintf(t, "S%d%d/dB\tS%d%d/°\t", ij[0], ij[1], ij[0], ij[1])
		}
		fmt.Fprint(t, "\t\n")
	}
	for _, p := range points {
		mark := ""
		if p.between {
			mark = "between points"
		}
		if n.Ports <= 2 {
			fmt.Fprintf(t, "%s\t", showHz(p.hz))
		}
		for _, ij := range elements(n.Ports) {
			x := p.s.At(ij[0], ij[1])
			db := rf.GainOfAmplitudeRatio(cmplx.Abs(x))
			shown := strings.TrimSuffix(db.Text(2), " dB")
			degree := cmplx.Phase(x) * 180 / math.Pi
			if n.Ports > 2 {
				fmt.Fprintf(t, "%s\tS%s\t%s\t%.1f\t%s\t\n", showHz(p.hz), portPair(n.Ports, ij), shown, degree, mark)
			} else {
				fmt.Fprintf(t, "%s\t%.1f\t", shown, degree)
			}
		}
		if n.Ports <= 2 {
			fmt.Fprintf(t, "%s\t\n", mark)
		}
	}
	t.Flush()
}

// elements lists a matrix as an engineer reads it: 11, 21, 12, 22 for a two-port, else row after row.
func elements(n int) [][2]int {
	if n == 2 {
		return [][2]int{{1, 1}, {2, 1}, {1, 2}, {2, 2}}
	}
	var out [][2]int
	for i := 1; i <= n; i++ {
		for j := 1; j <= n; j++ {
			out = append(out, [2]int{i, j})
		}
	}
	return out
}

func portPair(n int, ij [2]int) string {
	if n > 9 {
		return fmt.Sprintf("%d,%d", ij[0], ij[1])
	}
	return fmt.Sprintf("%d%d", ij[0], ij[1])
}
