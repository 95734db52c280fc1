package cable_test

import (
	"bufio"
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	. "provoke/internal/model/cable"
	"provoke/internal/model/chain"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// The simulated bench's clamp and probe as its source has them (simbench/gear.go): they do not
// depend on the seed. Its material is the published table of the physics notes, section 10.
const simulatedMaterial = `f/MHz;µ′;µ″
0.1;792;2
0.5012;797;14
1;826;31
1.995;918;210
5.012;500;439
10;268;336
15.85;182;261
31.62;103;180
50.45;63;138
100;25;87
199.5;6;50
`

// simulatedFile writes the cable that the simulated bench says it has as a cable file.
func simulatedFile(t simbench.TruthCable) string {
	return fmt.Sprintf(`provoke: cable 1
# The cable of the simulated bench; the product on it is invented.
name: simulated cable
band: 150 kHz to 119 MHz
line: {impedance: %.9g Ω, velocity: %.9g %%, loss: %.9g dB}
layout: {clamp_to_dut: %.9g m, probe_to_dut: %.9g m, clamp_to_ae: %.9g m}
materials:
  nizn: {name: published NiZn 800, permeability: nizn.csv}
clamp:
  core: {outer: 63 mm, inner: 38 mm, height: 25 mm, count: 5}
  material: nizn
  turns: 2
  winding_capacitance: 6 pF
  primary_leakage: 40 nH
  secondary_leakage: 25 nH
probe:
  core: {outer: 63 mm, inner: 38 mm, height: 25 mm, count: 2}
  material: nizn
  turns: 10
  winding_capacitance: 8 pF
dut:
  series: [{resistor: %.9g Ω}, {capacitor: %.9g nF}]
ae:
  series: [{resistor: %.9g Ω}, {inductor: %.9g nH}]
`, t.CharacteristicOhm, 100*t.Velocity, t.LossDBPerM, t.ClampToDUTM, t.ProbeToDUTM, t.ClampToAEM, t.DUTOhm, t.DUTFarad*1e9, t.AEOhm, t.AEHenry*1e9)
}

func simulatedCable(t testing.TB, truth simbench.TruthCable) *Cable {
	t.Helper()
	c, list := Parse("cable.yaml", []byte(simulatedFile(truth)),
		func(string) ([]byte, error) { return []byte(simulatedMaterial), nil })
	if c == nil {
		t.Fatal(list.Err())
	}
	return c
}

// simulator drives a simulated bench over SCPI.
type simulator struct {
	t    testing.TB
	b    *simbench.Bench
	in   *bufio.Reader
	send func(string)
}

func simulate(t testing.TB, c simbench.Config) *simulator {
	t.Helper()
	b := simbench.New(c)
	t.Cleanup(func() { b.Close() })
	ask := func(face, text string) (*bufio.Reader, func(string)) {
		conn, err := b.Dial(context.Background(), face)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		send := func(text string) {
			if _, err := conn.Write([]byte(text + "\n")); err != nil {
				t.Fatal(err)
			}
		}
		send(text)
		return bufio.NewReader(conn), send
	}
	if in, _ := ask("amplifier", "OUTP 1;OUTP?"); true {
		if line, err := in.ReadString('\n'); err != nil || strings.TrimSpace(line) != "1" {
			t.Fatal(line, err)
		}
	}
	s := &simulator{t: t, b: b}
	s.in, s.send = ask("source", "OUTP:LOAD 50;:VOLT:UNIT VPP;:VOLT 0.2;:OUTP 1;:SYST:ERR?")
	s.answer()
	return s
}

func (s *simulator) answer() {
	s.t.Helper()
	if line, err := s.in.ReadString('\n'); err != nil || strings.TrimSpace(line) != `0,"No error"` {
		s.t.Fatal(line, err)
	}
}

// at returns the bench's state with the carrier at a frequency, at a constant −10 dBm of drive
// (0.2 Vpp into 50 Ω).
func (s *simulator) at(f rf.Frequency) simbench.State {
	s.t.Helper()
	s.send("FREQ " + strconv.FormatFloat(f.Hz(), 'f', 3, 64) + ";:SYST:ERR?")
	s.answer()
	return s.b.State()
}

// The simulator computes with physics of its own; a disagreement is a fault in one of the two.
func TestTheSimulatedBenchAgreesOnTheCable(t *testing.T) {
	for seed := range uint64(6) {
		s := simulate(t, simbench.Config{Seed: seed})
		c := simulatedCable(t, s.b.Truth().Cable)
		g, err := twoport.Logarithmic(150e3, 119e6, 120)
		if err != nil {
			t.Fatal(err)
		}
		bench, list := catalog.Parse("bench.yaml", s.b.BenchFile(),
			func(string) ([]byte, error) { return nil, fmt.Errorf("no files") })
		if bench == nil {
			t.Fatal(list.Err())
		}
		levels := chain.New(bench)
		worst, worstChain := 0.0, 0.0
		r, err := c.Compute(g)
		if err != nil {
			t.Fatal(err)
		}
		for i := range g.Len() {
			f := g.Frequency(i)
			state := s.at(f)
			// Forward power as it is at the clamp, the cable as twoport computes it.
			scale := math.Sqrt(rf.DBm(state.Forward).SI() / c.Forward.SI())
			for _, x := range []struct{ got, want float64 }{{cmplx.Abs(r.Probe[i]) * scale, state.Carrier},
				{cmplx.Abs(r.DUT[i]) * scale, state.DUTCarrier}} {
				d := 20 * math.Log10(x.got/x.want)
				if worst = math.Max(worst, math.Abs(d)); !(math.Abs(d) < 0.05) {
					t.Fatalf("seed %d at %v: twoport %g A, simulated bench %g A: %+.3f dB", seed, f, x.got, x.want, d)
				}
			}
			// The forward power as chain computes it from the bench's file.
			p, err := levels.Predict(f, rf.DBm(-10), chain.Crest{}, catalog.OnCable)
			if err != nil {
				continue // beyond the chain's band
			}
			current := cmplx.Abs(r.Probe[i]) * math.Sqrt(p.Forward.SI()/c.Forward.SI())
			d := 20 * math.Log10(current/state.Carrier)
			if worstChain = math.Max(worstChain, math.Abs(d)); !(math.Abs(d) <= 0.2) {
				t.Errorf("seed %d at %v: chain and twoport %+.3f dB against the simulated bench", seed, f, d)
			}
		}
		t.Logf("seed %d: worst %.4f dB from forward power to probe and connector, %.3f dB from the generator",
			seed, worst, worstChain)
	}
}

// A run at constant drive on a known cable gives back its length, capacitance and loss.
func TestARunAtConstantDriveTellsTheCable(t *testing.T) {
	for seed := range uint64(4) {
		s := simulate(t, simbench.Config{Seed: seed})
		truth := s.b.Truth().Cable
		// What the user knows: the geometry as far as the clamp. The rest is off by a third or so.
		start := truth
		start.ClampToAEM *= 1.3
		start.DUTFarad *= 0.6
		start.DUTOhm *= 1.4
		start.AEOhm *= 0.7
		start.AEHenry = 100e-9
		start.LossDBPerM = 0.1
		c := simulatedCable(t, start)
		g, err := twoport.Logarithmic(150e3, 119e6, 250)
		if err != nil {
			t.Fatal(err)
		}
		noise := rand.New(rand.NewPCG(seed, 9))
		var readings []Reading
		for i := range g.Len() {
			state := s.at(g.Frequency(i))
			// An analyser and a coupler that scatter by 0.1 dB, and a probe factor that is 0.4 dB wrong.
			readings = append(readings, Reading{g.Frequency(i),
				rf.Amperes(state.Carrier).Add(rf.Gain(0.4 + 0.1*noise.NormFloat64())), rf.DBm(state.Forward)})
		}
		e, err := c.Estimate(readings, nil, 0.99)
		if err != nil {
			t.Fatal(err)
		}
		want := map[Quantity]float64{LengthToAE: truth.ClampToAEM, DUTCapacitance: truth.DUTFarad,
			SkinLoss: truth.LossDBPerM, DUTResistance: truth.DUTOhm, AEResistance: truth.AEOhm,
			AEInductance: truth.AEHenry, Offset: 0.4}
		if len(e.Quantities) != len(want) || !e.Converged {
			t.Fatalf("%+v", e)
		}
		for _, q := range e.Quantities {
			t.Logf("seed %d: %s %.4g (%.4g to %.4g), truth %.4g %s", seed, q.Quantity, q.Value, q.Low, q.High,
				want[q.Quantity], q.Unit)
			if x := want[q.Quantity]; x < q.Low || x > q.High {
				t.Errorf("seed %d: %s is between %.4g and %.4g %s with 99 %% confidence, and really %.4g", seed,
					q.Quantity, q.Low, q.High, q.Unit, x)
			}
		}
		length := e.Quantities[0]
		if (length.High-length.Low)/length.Value > 0.05 {
			t.Errorf("seed %d: the length is known to %.3g to %.3g m only", seed, length.Low, length.High)
		}
		if math.Abs(float64(e.RMS)-0.1) > 0.03 {
			t.Errorf("seed %d: the readings scatter by 0.1 dB, the fit is off by %v rms", seed, e.RMS)
		}
	}
}
