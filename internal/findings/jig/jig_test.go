package jig_test

import (
	"bytes"
	"fmt"
	"math"
	"math/cmplx"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/touchstone"
	"provoke/internal/files/trace"
	"provoke/internal/findings/jig"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/twoport"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

func within(t *testing.T, what string, got, want, absolute float64) {
	t.Helper()
	if !(math.Abs(got-want) <= absolute) {
		t.Errorf("%s is %.10g, want %.10g ± %g", what, got, want, absolute)
	}
}

func network(t testing.TB, name string, reference []float64, hz []float64, s ...complex128) *touchstone.Network {
	t.Helper()
	n, err := touchstone.New(name, reference, hz, s)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

var fifty2, fifty3 = []float64{50, 50}, []float64{50, 50, 50}

// Rows P11 to P15: a probe of 5 Ω and 10 turns (0.5 Ω inserted) in a lumped jig, closed forms
// S21 = 2·Zt/(100 + Zins), S11 = Zins/(100 + Zins).
func TestTheInsertionImpedanceMakesTheNaiveFigureLow(t *testing.T) {
	s21, s11 := complex(2*5/100.5, 0), complex(0.5/100.5, 0)
	within(t, "S21 in dB", 20*math.Log10(real(s21)), -20.04332124, 1e-4)
	n := network(t, "probe.s2p", fifty2, []float64{1e6, 2e6}, s11, s21, s21, 0, s11, s21, s21, 0)
	p, err := jig.MeasureProbe([]*touchstone.Network{n}, jig.ProbeSetup{Turns: 10})
	if err != nil {
		t.Fatal(err)
	}
	if p.Method != jig.OnePort {
		t.Errorf("a two-port is evaluated by %s", p.Method)
	}
	x := p.Points[0]
	within(t, "naive in dBΩ", x.Naive.DB(), 13.93607885, 1e-4)
	within(t, "by S11", x.OnePort.SI(), 5, 1e-6)
	within(t, "by the turns", x.Lumped.SI(), 5, 1e-6)
	within(t, "the curve", p.Curve.Points()[0].Value.SI(), 5, 1e-6)
	if !x.Ratio.Absent() || !math.IsNaN(x.Spread.DB()) || p.Repeat.Known() {
		t.Errorf("a two-port and one sweep give %+v", x)
	}
}

// probeInJig is the three-port of a probe between two pieces of line of the jig, by chain matrices.
// Both are ideal: 10 turns and 50 Ω, so that all that the probe takes arrives in its port.
func probeInJig(t testing.TB, f rf.Frequency, z0 rf.Resistance, length rf.Length) (s []complex128) {
	t.Helper()
	half, err := twoport.MatrixAt(twoport.Line{Impedance: z0, Length: length}, f)
	if err != nil {
		t.Fatal(err)
	}
	const turns, zt, zins = 10, 5, 0.5
	j := half.Times(twoport.SeriesElement(zins)).Times(half)
	i3 := 2 / (j.A*50 + j.B + j.C*2500 + j.D*50) // for an e.m.f. of 2 V behind 50 Ω: a wave of 1
	ip := half.C*50*i3 + half.D*i3
	zin, out := j.Input(50), turns*turns*2*half.Input(50)
	s11, s21, s31, s22 := (zin-50)/(zin+50), zt*ip, 50*i3, (out-50)/(out+50)
	return []complex128{s11, s21, s31, s21, s22, -s21, s31, -s21, s11}
}

// Rows P20 to P22.
func TestTheRatioWithTheJigsLineIsExact(t *testing.T) {
	for _, c := range []struct {
		f            rf.Frequency
		naive, ratio float64
	}{{1e6, 13.9360781, 13.97939956}, {100e6, 13.92861587, 13.97415775}, {400e6, 13.82046537, 13.8964301}} {
		n := network(t, "probe.s3p", fifty3, []float64{c.f.Hz()}, probeInJig(t, c.f, 60, 30e-3)...)
		bare, err := jig.MeasureProbe([]*touchstone.Network{n}, jig.ProbeSetup{})
		if err != nil {
			t.Fatal(err)
		}
		within(t, "naive", bare.Points[0].Naive.DB(), c.naive, 1e-4)
		within(t, "ratio without the line", bare.Points[0].Zt.DB(), c.ratio, 1e-4)
		exact, err := jig.MeasureProbe([]*touchstone.Network{n}, jig.ProbeSetup{Line: 30e-3, LineImpedance: 60})
		if err != nil {
			t.Fatal(err)
		}
		within(t, "exact", exact.Points[0].Zt.SI(), 5, 1e-6)
	}
}

// Port impedances other than 50 Ω: the same jig measured with a 75 Ω analyser is the same probe. The
// conversion is that of the closed form S' = K(S − Γ)(1 − ΓS)⁻¹K⁻¹ in package touchstone, which is
// checked against scikit-rf there.
func TestAnAnalyserOfSeventyFiveOhmGivesTheSameProbe(t *testing.T) {
	at50 := network(t, "probe.s3p", fifty3, []float64{100e6}, probeInJig(t, 100e6, 60, 30e-3)...)
	at75, err := at50.Renormalised(75)
	if err != nil {
		t.Fatal(err)
	}
	p, err := jig.MeasureProbe([]*touchstone.Network{at75}, jig.ProbeSetup{Line: 30e-3, LineImpedance: 60})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "Zt", p.Points[0].Zt.SI(), 5, 1e-6)
	if !strings.Contains(strings.Join(p.Remarks, "\n"), "renormalised from 75 Ω") {
		t.Errorf("remarks %q", p.Remarks)
	}
}

// Row P02: the low corner R/(2πN²L1), here of a first-order high pass with a high corner of the same
// kind at 200 MHz; flat 5 Ω between. The figures come from the closed form, not from the package.
func TestTheCornersOfAProbeAreWhereItHasFallenByThreeDecibel(t *testing.T) {
	const low, high = 39749.53629, 200e6
	var hz []float64
	var s []complex128
	for i := range 601 {
		f := 1e3 * math.Pow(1e9/1e3, float64(i)/600)
		zt := 5 / complex(1, -low/f) / complex(1, f/high)
		zins := zt / 10
		s21, s11 := 2*zt/(100+zins), zins/(100+zins)
		hz, s = append(hz, f), append(s, s11, s21, s21, 0)
	}
	p, err := jig.MeasureProbe([]*touchstone.Network{network(t, "p.s2p", fifty2, hz, s...)},
		jig.ProbeSetup{Turns: 10, Method: jig.Lumped})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "low corner", p.Flat.LowCorner.Hz()/low, 1, 0.02)
	within(t, "high corner", p.Flat.HighCorner.Hz()/high, 1, 0.02)
	if p.Flat.Ripple > 2 || p.Flat.Low > 60e3 || p.Flat.High < 120e6 {
		t.Errorf("flat band %+v", p.Flat)
	}
	short, err := jig.MeasureProbe([]*touchstone.Network{network(t, "p.s2p", fifty2, hz[300:500], s[4*300:4*500]...)},
		jig.ProbeSetup{})
	if err != nil {
		t.Fatal(err)
	}
	if short.Flat.LowCorner.Known() {
		t.Errorf("a corner below the sweep is reported at %v", short.Flat.LowCorner)
	}
}

// Three sweeps 0.1 dB apart: mean the middle one, experimental standard deviation 0.1 dB (working:
// √((0.1² + 0 + 0.1²)/2)).
func TestSeveralSweepsGiveMeanAndSpread(t *testing.T) {
	var sweeps []*touchstone.Network
	for i, db := range []float64{-20.1, -20, -19.9} {
		s21 := complex(math.Pow(10, db/20), 0)
		sweeps = append(sweeps, network(t, fmt.Sprintf("s%d.s2p", i), fifty2, []float64{1e6, 1e7}, 0, s21, s21,
			0, 0, s21, s21, 0))
	}
	p, err := jig.MeasureProbe(sweeps, jig.ProbeSetup{Method: jig.Naive})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "Zt", p.Points[0].Zt.DB(), 20*math.Log10(50)-20, 1e-9)
	within(t, "spread", p.Points[0].Spread.DB(), 0.1, 1e-9)
	within(t, "pooled spread", p.Repeat.Pooled.DB(), 0.1, 1e-9)
	if p.Repeat.Freedom != 2 || p.Repeat.Sweeps != 3 {
		t.Errorf("%+v", p.Repeat)
	}
}

func TestWhatCannotBeAProbeIsRefused(t *testing.T) {
	sound := network(t, "p.s2p", fifty2, []float64{1e6}, 0, 0.1, 0.1, 0)
	active := network(t, "amp.s2p", fifty2, []float64{1e6}, 0, 2, 0.1, 0)
	silent := network(t, "off.s2p", fifty2, []float64{1e6}, 0, 0, 0, 0)
	far := network(t, "far.s2p", fifty2, []float64{1e9}, 0, 0.1, 0.1, 0)
	for name, c := range map[string]struct {
		n     []*touchstone.Network
		setup jig.ProbeSetup
		want  string
	}{
		"active":             {[]*touchstone.Network{active}, jig.ProbeSetup{}, "amp.s2p"},
		"silent":             {[]*touchstone.Network{silent}, jig.ProbeSetup{}, "no transfer impedance at 1 MHz"},
		"ratio of two ports": {[]*touchstone.Network{sound}, jig.ProbeSetup{Method: jig.Ratio}, "third port"},
		"no turns":           {[]*touchstone.Network{sound}, jig.ProbeSetup{Method: jig.Lumped}, "number of turns"},
		"port 3":             {[]*touchstone.Network{sound}, jig.ProbeSetup{In: 1, Probe: 3}, "has 2 ports"},
		"same port":          {[]*touchstone.Network{sound}, jig.ProbeSetup{In: 1, Probe: 1}, "both the"},
		"nothing in common":  {[]*touchstone.Network{sound, far}, jig.ProbeSetup{}, "no frequency in common"},
		"nothing":            {nil, jig.ProbeSetup{}, "no sweep"},
	} {
		if _, err := jig.MeasureProbe(c.n, c.setup); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

func TestACurveFileComesBackWithItsHash(t *testing.T) {
	c, err := curve.New([]curve.Point[rf.Transimpedance]{{At: 1e5, Value: rf.DBOhm(13.123456789)},
		{At: 1e6 / 3, Value: rf.DBOhm(-2e-7)}, {At: 3e6, Value: rf.DBOhm(1.0 / 3)}}, "x")
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := jig.WriteCurve(&b, c, "Zt/dBΩ", jig.Origin{What: "transfer impedance\nof a probe", Program: "provoke",
		Sources: []string{"a.s2p"}}); err != nil {
		t.Fatal(err)
	}
	back, problems := trace.Curve[rf.Transimpedance]("p.csv", b.Bytes(), trace.Declared{})
	if err := problems.Err(); err != nil {
		t.Fatal(err, b.String())
	}
	if back.Hash() != c.Hash() || !strings.Contains(b.String(), "# SHA-256 of the figures "+c.Hash()) {
		t.Errorf("hash %s came back as %s from\n%s", c.Hash(), back.Hash(), b.String())
	}
}

// Worked example A, rows C11_*: a clamp of one turn on the core 63 × 38 × 25 mm of NiZn 800.
var workedClamp = []struct {
	f       rf.Frequency
	mu      complex128
	il, zc  float64
	zr, zx  float64 // physics notes 1.4
	forward float64 // W for 100 mA: (100/I1W)², from the rows C11_*_I1W
}{
	{1e6, 826 - 31i, 12.35891878, 12.72325932, 3.61, 12.20, 8.6072},
	{10e6, 268 - 336i, 6.573172535, 30.87785364, 29.01, 10.58, 2.27136},
	{31.6228e6, 103 - 180i, 5.808599791, 35.96184306, 33.53, 13.00, 1.90470},
	{100e6, 25 - 87i, 5.609893278, 44.93785145, 35.79, 27.17, 1.81954},
}

// clampInJig is the three-port of worked example A: the lumped jig's closed forms, S21 = 100·I/Vs,
// S22 = Zc/(Zc + 100), S23 = 100/(Zc + 100), with lines of the jig put around by chain matrices.
func clampInJig(t testing.TB, f rf.Frequency, mu complex128) (s [9]complex128) {
	t.Helper()
	c := twoport.Clamp{Core: twoport.Toroid{Outer: 63e-3, Inner: 38e-3, Height: 25e-3}, Material: fixed(mu),
		Farad: 6e-12, Primary: 40e-9, Secondary: 25e-9}
	g, err := twoport.NewGrid([]rf.Frequency{f})
	if err != nil {
		t.Fatal(err)
	}
	var e, z [1]complex128
	if err := c.Inject(g, e[:], z[:]); err != nil {
		t.Fatal(err)
	}
	s21 := 100 * e[0] / (z[0] + 100)
	s22, s23 := z[0]/(z[0]+100), 100/(z[0]+100)
	m, err := twoport.MatrixAt(c, f)
	if err != nil {
		t.Fatal(err)
	}
	return [9]complex128{(m.Input(100) - 50) / (m.Input(100) + 50), s21, -s21, s21, s22, s23, -s21, s23, s22}
}

func TestTheWorkedClampIsFoundFromItsJig(t *testing.T) {
	for _, c := range workedClamp {
		s := clampInJig(t, c.f, c.mu)
		three := network(t, "c.s3p", fifty3, []float64{c.f.Hz()}, s[:]...)
		two := network(t, "c.s2p", fifty2, []float64{c.f.Hz()}, s[0], s[1], s[3], s[4])
		for _, n := range []*touchstone.Network{three, two} {
			m, err := jig.MeasureClamp([]*touchstone.Network{n}, jig.ClampSetup{})
			if err != nil {
				t.Fatal(err)
			}
			p := m.Points[0]
			within(t, n.Name+" insertion loss", p.InsertionLoss.DB(), c.il, 0.001)
			within(t, n.Name+" |Zc|", cmplx.Abs(p.Series), c.zc, 1e-4*c.zc)
			within(t, n.Name+" Re Zc", real(p.Series), c.zr, 0.006)
			within(t, n.Name+" Im Zc", imag(p.Series), c.zx, 0.006)
			within(t, n.Name+" power for 100 mA", p.Forward100mA.SI(), c.forward, 3e-4*c.forward)
			if n.Ports == 3 {
				within(t, "directivity", p.Directivity.DB(), 0, 1e-9)
			} else if p.Directivity.Finite() || !m.Directivity.Absent() {
				t.Error("a directivity from one end")
			}
		}
	}
}

func TestTheJigsLineIsTakenOutOfTheSeriesImpedance(t *testing.T) {
	const f, length, z0 = 200e6, 25e-3, 65
	series := complex(30, 20)
	half, err := twoport.MatrixAt(twoport.Line{Impedance: z0, Length: length}, f)
	if err != nil {
		t.Fatal(err)
	}
	s, err := half.Times(twoport.SeriesElement(series)).Times(half).S(twoport.Coaxial)
	if err != nil {
		t.Fatal(err)
	}
	n := network(t, "c.s3p", fifty3, []float64{f}, 0, 0.03, 0.02, 0.03, s[0][0], s[0][1], 0.02, s[1][0], s[1][1])
	for _, far := range []int{3, 0} {
		m, err := jig.MeasureClamp([]*touchstone.Network{n},
			jig.ClampSetup{Clamp: 1, End: 2, Far: far, Line: length, LineImpedance: z0})
		if err != nil {
			t.Fatal(err)
		}
		if got := m.Points[0].Series; cmplx.Abs(got-series) > 1e-9 {
			t.Errorf("far port %d: series impedance %v, want %v", far, got, series)
		}
	}
	m, _ := jig.MeasureClamp([]*touchstone.Network{n}, jig.ClampSetup{})
	within(t, "directivity", m.Points[0].Directivity.DB(), 20*math.Log10(0.3/0.2), 1e-9)
}

// Row C23: 3.01 dB is what the far end takes.
func TestAnOpenFarEndIsNoticed(t *testing.T) {
	within(t, "least insertion loss", jig.LeastInsertionLoss.DB(), 3.010299957, 1e-4)
	n := network(t, "c.s2p", fifty2, []float64{1e6}, 0, 0.9, 0.9, 0)
	m, err := jig.MeasureClamp([]*touchstone.Network{n}, jig.ClampSetup{})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(strings.Join(m.Remarks, "\n"), "was that end closed") {
		t.Errorf("remarks %q", m.Remarks)
	}
}

func calibration(number int, fixture string, steps ...event.StepClosed) result.Run {
	r := result.Run{Number: number}
	r.Opened.RunKind, r.Opened.Fixture = plan.Calibration, fixture
	for _, s := range steps {
		r.Steps = append(r.Steps, result.StepOf(0, time.Time{}, s))
	}
	return r
}

func step(f rf.Frequency, drive, forward rf.Power, current rf.Current) event.StepClosed {
	return event.StepClosed{Step: plan.Step{Point: plan.Point{Frequency: f}}, Drive: drive, Forward: forward,
		Current: current}
}

// Row C24: 100 mA at an insertion loss of 7.00 dB needs 2.505936168 W.
func TestTheInsertionLossFollowsFromACalibrationRun(t *testing.T) {
	s := step(1e6, rf.DBm(0), rf.Watts(2.505936168), rf.Amperes(0.1))
	c, err := jig.ClampFromRun(calibration(3, "jig50", s))
	if err != nil {
		t.Fatal(err)
	}
	within(t, "insertion loss", c.Points[0].InsertionLoss.DB(), 7, 1e-4)
	within(t, "power for 100 mA", c.Points[0].Forward100mA.SI(), 2.505936168, 1e-4)
	s.ForwardPredicted = true
	if _, err := jig.ClampFromRun(calibration(3, "jig50", s)); err == nil ||
		!strings.Contains(err.Error(), "already contains") {
		t.Errorf("a budget's own forward power is taken for a measurement: %v", err)
	}
	if _, err := jig.ClampFromRun(calibration(3, "jig150", s)); err == nil {
		t.Error("a 150 Ω jig is taken for a 50 Ω jig")
	}
}

// Physics notes, section 6: a Rapp amplifier of p = 2 is compressed by 1 dB at a linear drive of
// −1.165 dB against saturation, where it gives −2.165 dB.
func TestTheUsableCurrentEndsWhereTheCrestIsCompressed(t *testing.T) {
	var levels []jig.DriveLevel
	for d := -30.0; d <= 6; d += 0.25 {
		x := math.Pow(10, d/20)
		y := x / math.Pow(1+math.Pow(x, 4), 0.25)
		levels = append(levels, jig.DriveLevel{Frequency: 1e6, Drive: rf.DBm(d),
			Current: rf.DBuA(80 + 20*math.Log10(y))})
	}
	cw, err := jig.MeasureLinearity(levels, jig.LinearSetup{})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "usable CW current", cw.Usable.In(), 80-2.165, 0.01)
	am, err := jig.MeasureLinearity(levels, jig.LinearSetup{Crest: rf.GainOfAmplitudeRatio(1.8)})
	if err != nil {
		t.Fatal(err)
	}
	// Working: drive −1.165 − 5.105 = −6.270 dB gives x/(1 + x⁴)^¼ = −6.3288 dB.
	x := math.Pow(10, (-1.165-5.10545)/20)
	within(t, "usable carrier with AM 80 %", am.Usable.In(), 80+20*math.Log10(x/math.Pow(1+math.Pow(x, 4), 0.25)), 0.01)
	low, err := jig.MeasureLinearity(levels[:40], jig.LinearSetup{})
	if err != nil || low.Usable.Bound() != rf.AtLeast {
		t.Errorf("never compressed, yet usable is %v (%v)", low.Usable, err)
	}
}

// Standards notes, row 41: a rise of 3.0, 3.1, 7.1, 7.2 dB for 5.1 dB of drive fails, passes, passes,
// fails the older edition's check. The newer edition's upper end is not known.
func TestTheSaturationCheckOfTheEditionAskedFor(t *testing.T) {
	for _, c := range []struct {
		rise         float64
		older, newer bool
	}{{3.0, false, false}, {3.1, true, true}, {5.1, true, true}, {7.1, true, true}, {7.2, false, true}} {
		levels := []jig.DriveLevel{{1e6, rf.DBm(-10), rf.DBuA(60)}, {1e6, rf.DBm(-4.9), rf.DBuA(60 + c.rise)}}
		for edition, want := range map[jig.Edition]bool{jig.OlderEdition: c.older, jig.NewerEdition: c.newer} {
			l, err := jig.MeasureLinearity(levels, jig.LinearSetup{Edition: edition})
			if err != nil {
				t.Fatal(err)
			}
			p := l.Points[0]
			if !p.Checked || p.Passed != want {
				t.Errorf("a rise of %v dB passes the %s edition: %v, want %v", c.rise, edition, p.Passed, want)
			}
			if l.Check.Mark() == "" || l.Check.Verified {
				t.Error("a figure from memory is shown as verified")
			}
		}
	}
	if _, err := jig.MeasureLinearity([]jig.DriveLevel{{1e6, rf.DBm(0), rf.DBuA(60)}}, jig.LinearSetup{}); err == nil {
		t.Error("one drive shows linearity")
	}
}

// fixed is a permeability that is the same at all frequencies.
type fixed complex128

func (f fixed) Fill(_ twoport.Grid, mu []complex128) error {
	for i := range mu {
		mu[i] = complex128(f)
	}
	return nil
}
