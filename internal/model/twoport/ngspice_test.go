package twoport_test

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	. "provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// outside returns a program that is not ours, or skips; where CI is set it fails.
func outside(t testing.TB, name string) string {
	t.Helper()
	p, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skipf("outside check skipped: %v", err)
	}
	return p
}

// spice runs an AC analysis of a netlist at n frequencies and returns them with what was asked for.
func spice(t testing.TB, netlist string, low, high float64, n int, ask ...string) (hz []float64, out [][]complex128) {
	t.Helper()
	program := outside(t, "ngspice")
	dir := t.TempDir()
	perDecade := float64(n-1) / math.Log10(high/low)
	// ngspice wants a whole number of points per decade: the upper end moves a little.
	whole := math.Round(perDecade)
	high = low * math.Pow(10, (float64(n-1)+0.5)/whole)
	deck := fmt.Sprintf("network\n%s\n.control\nset numdgt=15\nset wr_singlescale\nac dec %.0f %.12g %.12g\nwrdata "+
		"out %s\n.endc\n.end\n", netlist, whole, low, high, strings.Join(ask, " "))
	cmd := exec.Command(program, "-b", "deck.cir")
	cmd.Dir = dir
	if err := os.WriteFile(filepath.Join(dir, "deck.cir"), []byte(deck), 0o600); err != nil {
		t.Fatal(err)
	}
	said, err := cmd.CombinedOutput()
	data, missing := os.ReadFile(filepath.Join(dir, "out"))
	if missing != nil {
		t.Fatalf("ngspice wrote nothing (%v):\n%s\n%s", err, said, deck)
	}
	lines := bufio.NewScanner(bytes.NewReader(data))
	for lines.Scan() {
		f := strings.Fields(lines.Text())
		if len(f) != 1+2*len(ask) {
			t.Fatalf("ngspice wrote %q", lines.Text())
		}
		var x []float64
		for _, s := range f {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			x = append(x, v)
		}
		hz = append(hz, x[0])
		var row []complex128
		for k := range ask {
			row = append(row, complex(x[1+2*k], x[2+2*k]))
		}
		out = append(out, row)
	}
	if len(hz) < n {
		t.Fatalf("ngspice computed %d frequencies, not %d", len(hz), n)
	}
	return hz, out
}

func gridOf(t testing.TB, hz []float64) Grid {
	t.Helper()
	var f []rf.Frequency
	for _, x := range hz {
		f = append(f, rf.Frequency(x))
	}
	return grid(t, f...)
}

// agree compares complex figures over a grid.
func agree(t *testing.T, what string, g Grid, got []complex128, out [][]complex128, column int, tolerance float64) {
	t.Helper()
	worst := 0.0
	for i := range got {
		want := out[i][column]
		d := cmplx.Abs(got[i]-want) / cmplx.Abs(want)
		worst = math.Max(worst, d)
		if !(d <= tolerance) {
			t.Fatalf("%s at %v: %v, ngspice says %v (%.2g relative)", what, g.Frequency(i), got[i], want, d)
		}
	}
	t.Logf("%s: %d frequencies, worst difference %.1e", what, len(got), worst)
}

// ferriteModel is a material whose winding is exactly a row of lumped parts: each Debye term an
// inductance with a resistance across it, each Lorentz term with a capacitance too. The figures are
// the physics notes' own fit to the table of the NiZn 800, with an invented second resonance.
var ferriteModel = Dispersion{
	Debye:   []Debye{{303.6, 31.3e6}},
	Lorentz: []Lorentz{{551.2, 9.622e6, 19.32e6}},
}

// winding writes n² times the turn of a core of air inductance l0 between two nodes.
func winding(name, from, to string, l0 float64, n float64, d Dispersion) string {
	var b strings.Builder
	l0 *= n * n
	fmt.Fprintf(&b, "L%s0 %s %sa %.15g\n", name, from, name, l0)
	at := name + "a"
	for k, x := range d.Debye {
		next := fmt.Sprintf("%sd%d", name, k)
		l := l0 * x.K
		fmt.Fprintf(&b, "L%[1]sD%[2]d %[3]s %[4]s %.15[5]g\nR%[1]sD%[2]d %[3]s %[4]s %.15[6]g\n", name, k, at,
			next, l, 2*math.Pi*x.Relaxation.Hz()*l)
		at = next
	}
	for k, x := range d.Lorentz {
		next := fmt.Sprintf("%sl%d", name, k)
		if k == len(d.Lorentz)-1 {
			next = to
		}
		l, f0 := l0*x.K, x.Resonance.Hz()
		// K·f0²/(f0² − f² + jfb) is 1/(1 − f²/f0² + jfb/f0²): L ∥ C ∥ R with LC = 1/(2πf0)², L/R = b/(2πf0²).
		fmt.Fprintf(&b,
			"L%[1]sL%[2]d %[3]s %[4]s %.15[5]g\nC%[1]sL%[2]d %[3]s %[4]s %.15[6]g\nR%[1]sL%[2]d %[3]s %[4]s %.15[7]g\n",
			name, k, at, next,
			l, 1/(4*math.Pi*math.Pi*f0*f0*l), 2*math.Pi*f0*f0*l/x.Damping.Hz())
		at = next
	}
	return b.String()
}

// clampNetlist writes the clamp between the node "in" (its source's e.m.f.) and a loop from "x" to
// "y": the series e.m.f. drives current out of x.
func clampNetlist(turns float64) string {
	return "Rs in a 50\nCw a 0 6p\nLp a b 40n\n" + winding("M", "b", "0", coreA.AirInductance(), turns, ferriteModel) +
		fmt.Sprintf("Es e y b 0 %.15[1]g\nVe e e2 0\nFp b 0 Ve %.15[1]g\nLs e2 x 25n\n", 1/turns)
}

func TestNgspiceAgreesOnTheClampInTheJig(t *testing.T) {
	for _, turns := range []int{1, 2, 5} {
		deck := "Vs in 0 AC 1\n" + clampNetlist(float64(turns)) + "R1 x 0 50\nR2 y 0 50\n"
		hz, out := spice(t, deck, 150e3, 230e6, 200, "i(Ve)")
		g := gridOf(t, hz)
		emf, z := make([]complex128, g.Len()), make([]complex128, g.Len())
		if err := (Clamp{Core: coreA, Material: ferriteModel, Turns: turns, Farad: 6e-12, Primary: 40e-9,
			Secondary: 25e-9}).Inject(g, emf, z); err != nil {
			t.Fatal(err)
		}
		for i := range emf {
			emf[i] /= z[i] + 100
		}
		agree(t, fmt.Sprintf("jig current, %d turns", turns), g, emf, out, 0, 1e-6)
	}
}

func TestNgspiceAgreesOnSeriesInjectionIntoATerminatedLine(t *testing.T) {
	p := cableB(t, Clamp{Core: coreA, Material: ferriteModel, Turns: 2, Farad: 6e-12, Primary: 40e-9, Secondary: 25e-9})
	z0 := float64(z0B(t).Impedance)
	wire := func(name, a, b string, l float64) string {
		return fmt.Sprintf("T%s %s 0 %s 0 Z0=%.15g TD=%.15g\n", name, a, b, z0, l/SpeedOfLight)
	}
	deck := "Vs in 0 AC 1\n" + clampNetlist(2) +
		wire("1", "x", "m1", 0.25) + "Rm m1 m2 0.5\nVm m2 m3 0\n" + wire("2", "m3", "d1",
		0.05) + "Vd d1 d2 0\nRd d2 d3 10\nCd d3 0 150p\n" +
		wire("3", "y", "a1", 0.7) + "Ra a1 0 150\n"
	hz, out := spice(t, deck, 150e3, 230e6, 200, "i(Vd)", "i(Vm)", "i(Ve)", "v(a1)")
	g := gridOf(t, hz)
	var s Solution
	if err := p.Solve(g, &s); err != nil {
		t.Fatal(err)
	}
	agree(t, "current at the DUT", g, s.DUT, out, 0, 1e-4)
	agree(t, "current at the probe", g, s.Taps[0], out, 1, 1e-4)
	agree(t, "current at the clamp", g, s.Clamp, out, 2, 1e-4)
	for i := range s.AE { // voltage across the AE's 150 Ω; its current runs toward the clamp
		s.AE[i] *= -150
	}
	agree(t, "voltage at the AE", g, s.AE, out, 3, 1e-4)
}

func TestNgspiceAgreesOnALadderWithChokeAndYCapacitors(t *testing.T) {
	choke := Choke{Henry: 1e-3, Coupling: 0.98, Farad: 8e-12, Core: 4700, Ohm: 0.2}
	y := Capacitor{Farad: 4.7e-9, ESL: 5e-9, ESR: 0.05}
	chain := Chain{Shunt{y}, Series{choke}, Shunt{y}, Series{Inductor{1e-6, 0.5}},
		Shunt{Capacitor{Farad: 1e-9, ESL: 2e-9, ESR: 0.1}}}
	// The choke as its two windings, both conductors in parallel: coupled inductors, not our formula.
	deck := "Vs s 0 AC 1\nRs s a 150\nC1 a a1 4.7n\nL1 a1 a2 5n\nR1 a2 0 0.05\n" +
		"L2 w b 1m\nL3 w b 1m\nK23 L2 L3 0.98\nRw a w 0.2\nC2 w b 8p\nR2 w b 4.7k\n" +
		"C3 b b1 4.7n\nL4 b1 b2 5n\nR3 b2 0 0.05\nL5 b b3 1u\nR4 b3 c 0.5\nC4 c c1 1n\nL6 c1 c2 2n\nR5 c2 0 0.1\nRl " +
		"c 0 50\n"
	hz, out := spice(t, deck, 10e3, 100e6, 200, "v(c)")
	g := gridOf(t, hz)
	m, err := MatricesOf(chain, g)
	if err != nil {
		t.Fatal(err)
	}
	got := make([]complex128, g.Len())
	for i := range m {
		got[i] = 50 / (m[i].A*50 + m[i].B + m[i].C*150*50 + m[i].D*150)
	}
	agree(t, "voltage behind the ladder", g, got, out, 0, 1e-6)
}

func TestNgspiceAgreesOnAFerriteStackOfTwoFamilies(t *testing.T) {
	manganese := Dispersion{Debye: []Debye{{165.2, 20.2e6}}, Lorentz: []Lorentz{{573.2, 16.52e6, 20.86e6}}}
	sleeve := Toroid{Outer: 26e-3, Inner: 13e-3, Height: 28.5e-3, Count: 2}
	stack := SeriesOf{Ferrite{Core: coreA, Material: ferriteModel, Turns: 3, Farad: 2e-12},
		Ferrite{Core: sleeve, Material: manganese, Turns: 1}}
	deck := "I1 0 a AC 1\n" + winding("P", "a", "b", coreA.AirInductance(), 3, ferriteModel) + "Cp a b 2p\n" +
		winding("Q", "b", "0", sleeve.AirInductance(), 1, manganese)
	hz, out := spice(t, deck, 150e3, 230e6, 200, "v(a)")
	g := gridOf(t, hz)
	z, err := ImpedancesOf(stack, g)
	if err != nil {
		t.Fatal(err)
	}
	agree(t, "impedance of the stack", g, z, out, 0, 1e-6)
}

func TestNgspiceAgreesOnTheLISNs(t *testing.T) {
	for _, l := range []LISN{LISN50uH, LISN50uH5Ohm, LISN5uH, LISN5uH1Ohm} {
		deck := fmt.Sprintf("I1 0 a AC 1\nRp a 0 50\nL1 a b %.15g\nR1 b 0 %.15g\n", float64(l.Henry),
			math.Max(float64(l.Ohm), 1e-12))
		hz, out := spice(t, deck, 9e3, 108e6, 200, "v(a)")
		g := gridOf(t, hz)
		z, err := ImpedancesOf(l, g)
		if err != nil {
			t.Fatal(err)
		}
		agree(t, fmt.Sprintf("LISN of %v", l.Henry), g, z, out, 0, 1e-6)
	}
}

// benchmarkDeck is a network like that of benchmarkCable, as ngspice takes it: lossless lines, the
// clamp and the ferrites with fitted parts.
func benchmarkDeck(points int) string {
	var b strings.Builder
	b.WriteString("like\nVs in 0 AC 1\n" + clampNetlist(1))
	at, z0 := "x", 234.5350007
	wire := func(name, from, to string, l float64) {
		fmt.Fprintf(&b, "T%s %s 0 %s 0 Z0=%g TD=%.15g\n", name, from, to, z0, l/SpeedOfLight)
	}
	wire("0", at, "p0", 0.05)
	b.WriteString("Rp p0 q0 0.5\n")
	at = "q0"
	for k := range 5 {
		fmt.Fprintf(&b,
			"Cs%[1]d %[2]s s%[1]d 10p\nLs%[1]d s%[1]d t%[1]d 5n\nRs%[1]d t%[1]d 0 0.05\nLw%[1]d %[2]s u%[1]d "+
				"20n\nRw%[1]d u%[1]d v%[1]d 0.1\n", k, at)
		wire(fmt.Sprintf("w%d", k), fmt.Sprintf("v%d", k), fmt.Sprintf("n%d", k), 0.05)
		at = fmt.Sprintf("n%d", k)
	}
	fmt.Fprintf(&b, "Rd %s d1 10\nCd d1 0 150p\n", at)
	wire("a0", "y", "y1", 0.1)
	b.WriteString("Ca y1 y2 100p\nLa y2 y3 5n\nRa y3 0 1\n")
	wire("a1", "y1", "y4", 0.2)
	b.WriteString(winding("F", "y4", "y5", coreA.AirInductance(), 3, ferriteModel) + "Cf y4 y5 2p\n")
	wire("a2", "y5", "y6", 0.5)
	b.WriteString("Re y6 0 150\n")
	if points > 0 {
		fmt.Fprintf(&b, ".control\nac lin %d 150k 150meg\nquit\n.endc\n", points)
	} else {
		b.WriteString(".control\nquit\n.endc\n")
	}
	b.WriteString(".end\n")
	return b.String()
}

// BenchmarkNgspiceOnALikeNetwork prints, beside BenchmarkCableWithTwentyParts, what ngspice takes
// for the AC analysis of a like network at 10,000 frequencies: the whole run of the program less that
// of the same deck without an analysis. Its ferrites are lumped parts; ours interpolate a table, or
// (BenchmarkCableWithCurvesOnTheGrid) have their curves already on the grid.
func BenchmarkNgspiceOnALikeNetwork(b *testing.B) {
	program, dir := outside(b, "ngspice"), b.TempDir()
	once := func(points int) time.Duration {
		if err := os.WriteFile(filepath.Join(dir, "deck.cir"), []byte(benchmarkDeck(points)), 0o600); err != nil {
			b.Fatal(err)
		}
		best := time.Hour
		for range 3 {
			cmd := exec.Command(program, "-b", "deck.cir")
			cmd.Dir = dir
			start := time.Now()
			if out, err := cmd.CombinedOutput(); err != nil || bytes.Contains(out, []byte("rror")) {
				b.Fatalf("%v\n%s", err, out)
			}
			best = min(best, time.Since(start))
		}
		return best
	}
	var empty, full time.Duration
	for b.Loop() {
		empty, full = once(0), once(10000)
	}
	b.Log("ngspice's figure is the whole run less that of the same deck without an analysis; its ferrites are lumped " +
		"parts. Ours: CableWithTwentyParts interpolates tables of permeability, CableWithCurvesOnTheGrid has every " +
		"part in the wire on the grid before")
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(full-empty)/1e6, "ms/analysis-less-empty-deck")
	b.ReportMetric(float64(empty)/1e6, "ms/empty-deck")
}

func BenchmarkCableWithCurvesOnTheGrid(b *testing.B) {
	p, g := benchmarkCable(b)
	for _, side := range [][]TwoPort{p.ToDUT, p.ToAE} {
		for i, t := range side {
			if s, ok := t.(Series); ok {
				z, err := OnGrid(g, s.Z)
				if err != nil {
					b.Fatal(err)
				}
				side[i] = Series{z}
			}
		}
	}
	var s Solution
	b.ReportAllocs()
	for b.Loop() {
		if err := p.Solve(g, &s); err != nil {
			b.Fatal(err)
		}
	}
}
