package remedy_test

import (
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"provoke/internal/findings/remedy"
	"provoke/internal/model/cable"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// spiceCable is the cable of the test below as a netlist: transmission lines of 230 Ω between the DUT,
// the probe, a place for a choke, the clamp and the AE; the clamp an e.m.f. and 20 Ω in the wire; the
// circuit 40 Ω + 20 nH behind the connector, the chassis on 330 pF + 60 nH + 2 Ω. choke and yCap are
// branches or nothing.
func spiceCable(choke, yCap string) string {
	td := func(length float64) string { return fmt.Sprintf("%.12g", length/299792458.0) }
	if choke == "" {
		choke = "vchoke x y 0"
	}
	return strings.Join([]string{
		"v1 a0 b ac 1", "rclamp a0 a 20",
		"t1 a 0 x 0 z0=230 td=" + td(0.2), choke,
		"t2 y 0 p 0 z0=230 td=" + td(0.05), "vprobe p q 0", "rprobe q r 0.5",
		"t3 r 0 c 0 z0=230 td=" + td(0.05),
		"vcircuit c c1 0", "rc c1 c2 40", "lc c2 ch 20n", yCap,
		"cch ch h1 330p", "lch h1 h2 60n", "rch h2 0 2",
		"t4 b 0 d 0 z0=230 td=" + td(1.4), "rae d d1 120", "lae d1 0 150n",
	}, "\n") + "\n"
}

// currentsBySpice returns frequencies with the currents of circuit and probe.
func currentsBySpice(t *testing.T, netlist string) (hz []float64, circuit, probe []complex128) {
	t.Helper()
	program, err := exec.LookPath("ngspice")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skipf("outside check skipped: %v", err)
	}
	dir := t.TempDir()
	deck := "remedy\n" +
		netlist +
		".control\nset numdgt=15\nset wr_singlescale\nac dec 73 150k 80meg\nwrdata out i(vcircuit) " +
		"i(vprobe)\n.endc\n.end\n"
	if err := os.WriteFile(filepath.Join(dir, "deck.cir"), []byte(deck), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "-b", "deck.cir")
	cmd.Dir = dir
	said, err := cmd.CombinedOutput()
	data, missing := os.ReadFile(filepath.Join(dir, "out"))
	if missing != nil {
		t.Fatalf("ngspice wrote nothing (%v):\n%s", err, said)
	}
	for _, line := range strings.Split(strings.TrimSpace(string(data)), "\n") {
		var x [5]float64
		f := strings.Fields(line)
		for i := range x {
			if x[i], err = strconv.ParseFloat(f[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		hz, circuit, probe = append(hz, x[0]), append(circuit, complex(x[1], x[2])), append(probe, complex(x[3], x[4]))
	}
	return hz, circuit, probe
}

// The effect of a choke on the cable and a capacitor to the chassis, alone and together, against
// ngspice's own lines and parts: within 1e-3 dB at 200 frequencies.
func TestTheEffectOfChokeAndCapacitorAgreesWithNgspice(t *testing.T) {
	const chokeDeck = "lchoke x y 219.45u\nrchoke x y 3k\ncchoke x y 8p" // 220 µH, k = 99.5 %: L(1+k)/2
	const capDeck = "cy c y1 4.7n\nly y1 y2 5n\nry y2 ch 0.05"
	choke := remedy.Choice{Name: "choke", OnCable: twoport.Choke{Henry: 220e-6, Coupling: 0.995, Farad: 8e-12,
		Core: 3e3}, At: 0.1}
	yCap := remedy.Choice{Name: "Y", AtPort: remedy.CapacitorToChassis(twoport.Capacitor{Farad: 4.7e-9, ESL: 5e-9,
		ESR: 0.05})}
	hz, circuit0, probe0 := currentsBySpice(t, spiceCable("", ""))
	var f []rf.Frequency
	for _, x := range hz {
		f = append(f, rf.Frequency(x))
	}
	if len(f) < 199 {
		t.Fatalf("%d frequencies", len(f))
	}
	c := &cable.Cable{Name: "spice", Low: f[0], High: f[len(f)-1], Forward: rf.Watts(1),
		Line: twoport.Line{Impedance: 230}, ClampToDUT: 0.3, ClampToAE: 1.4, ProbeToDUT: 0.05,
		Clamp: generator{twoport.Resistor(20)}, Probe: twoport.Resistor(0.5), DUT: twoport.Resistor(1),
		AE: twoport.SeriesOf{twoport.Resistor(120), twoport.Inductor{Henry: 150e-9}}}
	m, err := remedy.NewModel(c, remedy.Port{
		Circuit: twoport.SeriesOf{twoport.Resistor(40), twoport.Inductor{Henry: 20e-9}},
		Chassis: twoport.Capacitor{Farad: 330e-12, ESL: 60e-9, ESR: 2},
	}, f)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		what        string
		choices     []remedy.Choice
		choke, yCap string
	}{{"choke", []remedy.Choice{choke}, chokeDeck, ""}, {"capacitor", []remedy.Choice{yCap}, "", capDeck},
		{"both", []remedy.Choice{choke, yCap}, chokeDeck, capDeck}} {
		_, circuit, probe := currentsBySpice(t, spiceCable(x.choke, x.yCap))
		effects, err := m.Effects(x.choices)
		if err != nil {
			t.Fatal(err)
		}
		worst := 0.0
		for i, e := range effects {
			drive := 20 * math.Log10(cmplx.Abs(circuit0[i])/cmplx.Abs(circuit[i]))
			same := drive - 20*math.Log10(cmplx.Abs(probe0[i])/cmplx.Abs(probe[i]))
			worst = max(worst, math.Abs(drive-e.SameDrive.DB()), math.Abs(same-e.SameProbe.DB()))
		}
		if !(worst < 1e-3) {
			t.Errorf("%s: up to %.2g dB from ngspice", x.what, worst)
		}
		t.Logf("figure: remedy against ngspice, %s: %d frequencies, worst difference %.1e dB", x.what, len(f), worst)
	}
}
