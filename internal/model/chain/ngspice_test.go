package chain_test

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"

	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// outsideProgram returns a program's path; without it the test is skipped, except where CI is set.
func outsideProgram(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed", name)
	}
	t.Skipf("outside check skipped: %s is not installed", name)
	return ""
}

// The same bench as a network of resistors and ideal transformers: generator e.m.f. behind 50 Ω, a pad
// as a pi of resistors, an ideal amplifier of 40 dB between 50 Ω, the clamp as a transformer of two
// turns on one in a jig of 50 + 50 Ω, a probe of 5 Ω that puts nothing into the loop, and a 20 dB pad in
// front of 50 Ω. %g is the peak of the e.m.f.
const netlist = `one chain, every piece a resistor or an ideal transformer
vg g 0 ac %g
rg g a 50
r1 a 0 96.2475
r2 a b 71.1512
r3 b 0 96.2475
rin b 0 50
* gain of 40 dB between matched ends: open-circuit output is 200 times the input
eamp c 0 b 0 200
rout c d 50
* clamp: two turns on the primary, one turn is the loop
lp d 0 4
ls e h 1
kc lp ls 0.9999999999
rj1 e 0 50
rj2 h k 50
vj k 0 0
* probe: 5 ohm, source resistance 50 ohm as a matched output
hp p 0 vj 10
rp p q 50
r4 q 0 61.1111
r5 q r 247.5
r6 r 0 61.1111
rsa r 0 50
.control
set numdgt=12
ac lin 1 10meg 10meg
print vm(b) mag(i(vj)) vm(r)
quit
.endc
.end
`

// Pi pads: 10 dB is 96.2475 and 71.1512 Ω, 20 dB 61.1111 and 247.5 Ω (textbook). The clamp's insertion
// loss is that of an ideal transformer of two turns, 7.043650 dB (check value C21).
func TestABudgetAgreesWithACircuitSimulator(t *testing.T) {
	program := outsideProgram(t, "ngspice")
	b := bare(7.043650362)
	b.ToAmplifier = []catalog.Passive{{Identity: id("PAD1"), Kind: "pad", Loss: flat(rf.Gain(10)),
		MaximumPower: rf.Watts(1)}}
	b.Amplifier = &catalog.Amplifier{Identity: id("AMP1"), Band: catalog.Band{Low: low, High: high},
		Gain: flat(rf.Gain(40)), Compression: flat(rf.DBm(90)), Saturation: rf.DBm(95), MaximumInput: rf.DBm(3),
		ReflectedLimit: rf.DBm(60)}
	b.Probe = &catalog.Probe{Identity: id("PROBE1"), TransferImpedance: flat(rf.Ohms(5)),
		MaximumCurrent: rf.Amperes(10)}
	b.ToAnalyser = []catalog.Passive{{Identity: id("PAD2"), Kind: "pad", Loss: curve.Flat(rf.Gain(20), 0, 0, "pad"),
		MaximumPower: rf.Watts(1)}}
	b.Analyser = &catalog.Analyser{Identity: id("SA1"), Band: catalog.Band{Low: low, High: high},
		MaximumInput: rf.DBm(20), MixerLimit: rf.DBm(0), Floor: rf.DBm(-110)}
	drive := rf.DBm(-5)
	p := predict(t, b, drive, chain.Crest{}, catalog.Jig50)

	// A source of available power P behind 50 Ω has an e.m.f. of 2·√(50·P).
	emf := 2 * math.Sqrt(50*drive.SI())
	input, current, analyser := simulate(t, program, emf)
	near(t, "amplifier input, dBm", node(t, p, "amplifier input").Carrier.Power.In(), 10*math.Log10(input*input/50)+30,
		0.01)
	near(t, "jig current, dBµA", p.Current.In(), 20*math.Log10(current)+120, 0.01)
	near(t, "analyser, dBm", p.Reading.In(), 10*math.Log10(analyser*analyser/50)+30, 0.01)
	t.Logf("jig current: budget %s, simulator %.4f dBµA", p.Current.Text(4), 20*math.Log10(current)+120)
}

// simulate runs the netlist and returns the voltage at the amplifier's input, the current in the jig
// and the voltage at the analyser, all r.m.s. when emf is.
func simulate(t *testing.T, program string, emf float64) (input, current, analyser float64) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "chain.cir")
	if err := os.WriteFile(file, []byte(fmt.Sprintf(netlist, emf)), 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(program, "-b", file).CombinedOutput()
	if err != nil {
		t.Fatalf("ngspice: %v\n%s", err, out)
	}
	number := func(name string) float64 {
		m := regexp.MustCompile(regexp.QuoteMeta(name) + ` = ([-+0-9.eE]+)`).FindSubmatch(out)
		if m == nil {
			t.Fatalf("no %s in\n%s", name, out)
		}
		x, err := strconv.ParseFloat(string(m[1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	return number("vm(b)"), number("mag(i(vj))"), number("vm(r)")
}
