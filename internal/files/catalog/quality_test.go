package catalog_test

import (
	"io/fs"
	"math"
	"strconv"
	"strings"
	"testing"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

func probeSaying(t *testing.T, line string) (*catalog.Bench, string) {
	t.Helper()
	sweep := func(db string) string {
		return "# MHz S DB R 50\n0.1 -40 0 " + db + " 0 -20 0 -6 0\n100 -40 0 -21 0 -20 0 -6 0\n"
	}
	files := map[string]string{"a.s2p": sweep("-20.0"), "b.s2p": sweep("-20.3"), "c.s2p": sweep("-20.6"),
		"d.csv": "f/MHz;S21/dB\n0,1;-20,9\n100;-21\n"}
	text := strings.Replace(least, "id: PROBE1", "id: PROBE1\n  "+line, 1)
	b, list := catalog.Parse("b", []byte(text), func(name string) ([]byte, error) {
		if s, ok := files[name]; ok {
			return []byte(s), nil
		}
		return nil, fs.ErrNotExist
	})
	var told []string
	for _, p := range list {
		if !p.Warning {
			p.Hint = ""
			told = append(told, p.String())
		}
	}
	return b, strings.Join(told, "\n")
}

func TestAnUncertaintyIsACertificateOrLimitsOrOwnReadings(t *testing.T) {
	for line, want := range map[string]catalog.Uncertainty{
		"uncertainty: 0.8 dB":                   {Spread: catalog.SpreadRectangular, Value: 0.8},
		"uncertainty: {expanded: 1.0 dB, k: 2}": {Spread: catalog.SpreadNormal, Value: 1, K: 2},
		"uncertainty: {expanded: 1.0 dB, k: 2.28, freedom: 10}": {Spread: catalog.SpreadNormal, Value: 1, K: 2.28,
			Freedom: 10},
		"uncertainty: {limit: 0.8 dB, distribution: U-shaped}": {Spread: catalog.SpreadUShaped, Value: 0.8},
		"uncertainty: {spread: 0.3 dB, sweeps: 5}": {Spread: catalog.SpreadReadings, Value: 0.3,
			Readings: 5},
	} {
		b, told := probeSaying(t, line)
		if told != "" || b.Probe.Uncertainty.Value != want.Value || b.Probe.Uncertainty.Spread != want.Spread ||
			b.Probe.Uncertainty.K != want.K || b.Probe.Uncertainty.Readings != want.Readings ||
			b.Probe.Uncertainty.Freedom != want.Freedom {
			t.Errorf("%s: %+v, told %s", line, b.Probe.Uncertainty, told)
		}
	}
}

// −20.0, −20.3, −20.6, −20.9 dB: mean −20.45 dB, s = √((0.45² + 0.15²)·2/3) = 0.3873 dB; at 100 MHz all agree.
func TestOwnSweepsGiveTheirSpreadOverFrequency(t *testing.T) {
	b, told := probeSaying(t, "uncertainty: {sweep_files: [a.s2p, b.s2p, c.s2p, d.csv]}")
	if told != "" {
		t.Fatal(told)
	}
	u := b.Probe.Uncertainty
	if u.Readings != 4 || u.Spread != catalog.SpreadReadings {
		t.Errorf("%+v", u)
	}
	for f, want := range map[rf.Frequency]float64{100 * rf.Kilohertz: 0.38730, 100 * rf.Megahertz: 0} {
		if s, err := u.At(f); err != nil || math.Abs(s.DB()-want) > 1e-5 {
			t.Errorf("spread at %v is %v (%v), want %g dB", f, s, err, want)
		}
	}
	if len(b.Files) != 4 {
		t.Errorf("the job would carry %d files", len(b.Files))
	}
}

// VSWR 1.5: |Γ| = 0.2 = −13.979 dB.
func TestAStandingWaveRatioIsAReturnLoss(t *testing.T) {
	b, told := probeSaying(t, "vswr: 1.5:1")
	loss, err := b.Probe.Match.At(rf.Gigahertz)
	if told != "" || err != nil || math.Abs(loss.DB()-13.9794) > 1e-4 {
		t.Errorf("%v, %v, %s", loss, err, told)
	}
	b, told = probeSaying(t, "vswr: {touchstone: a.s2p, parameter: S22}")
	if loss, err = b.Probe.Match.At(rf.Megahertz); told != "" || err != nil || math.Abs(loss.DB()-6) > 1e-9 {
		t.Errorf("%v, %v, %s", loss, err, told)
	}
}

func TestFaultsOfAQualityAreTold(t *testing.T) {
	for line, want := range map[string]string{
		"uncertainty: 0.8":                                 `"0.8" has no unit`,
		"uncertainty: -0.8 dB":                             "it must lie between 0 dB and 20 dB",
		"uncertainty: {expanded: 1.0 dB}":                  "has an expanded uncertainty without k",
		"uncertainty: {expanded: 1.0 dB, k: 0.2}":          "is not a coverage factor",
		"uncertainty: {expanded: 1 dB, k: 2, limit: 1 dB}": "which of them counts?",
		"uncertainty: {spread: 0.3 dB}":                    "fewer than two sweeps",
		"uncertainty: {sweep_files: [a.s2p]}":              "needs two or more sweeps",
		"uncertainty: {sweep_files: [a.s2p, none.s2p]}":    `cannot read "none.s2p"`,
		"uncertainty: {limit: 1 dB, distribution: flat}":   `"flat" is not one of`,
		"uncertainty: {freedom: 3}":                        "has no figure",
		"vswr: 0.5:1":                                      `"0.5:1" is not a standing-wave ratio`,
		"vswr: {touchstone: a.s2p}":                        "does not say which port",
	} {
		if _, told := probeSaying(t, line); !strings.Contains(told, want) {
			t.Errorf("%s: told %q, want %q", line, told, want)
		}
	}
}

// |S11| above 1 is noise where one point of a measured curve has it by a little: no passive port gives back more
// than it gets. It is bounded, never in silence.
func TestOneNoisyPointOfAReturnLossIsTotalReflection(t *testing.T) {
	for name, c := range map[string]struct {
		points  []string // in dB
		refused bool
		want    string
	}{
		"one of four":               {[]string{"3", "-0.2", "2", "4"}, false, "at 10 MHz"},
		"by just half a decibel":    {[]string{"3", "-0.5", "2", "4"}, false, "at 10 MHz"},
		"by more":                   {[]string{"3", "-0.51", "2", "4"}, true, "-0.51 dB at 10 MHz"},
		"two of four":               {[]string{"-0.1", "-0.2", "2", "4"}, true, "2 of 4 points"},
		"a reflection in its place": {[]string{"-3", "-9", "-2", "-4"}, true, "4 of 4 points"},
		"none":                      {[]string{"3", "0", "2", "4"}, false, ""},
		"two of twenty, told with it": {strings.Fields("-0.1 -0.3 3 3 3 3 3 3 3 3 3 3 3 3 3 3 3 3 3 3"), false,
			"at 1 MHz and 10 MHz"},
	} {
		csv, s2p := "f/MHz;RL/dB\n", "# MHz S DB R 50\n"
		for i, v := range c.points {
			f := append([]string{"1", "10"}, make([]string, len(c.points))...)
			if f[i] == "" {
				f[i] = strconv.Itoa(50 + i)
			}
			reflection := strings.TrimPrefix("-"+v, "--")
			csv += f[i] + ";" + v + "\n"
			s2p += f[i] + " " + reflection + " 0 -20 0 -20 0 " + reflection + " 0\n"
		}
		for _, from := range []string{"return_loss: {csv: rl.csv}", "return_loss: {touchstone: rl.s2p, parameter: S11}",
			"vswr: {touchstone: rl.s2p, parameter: S22}"} {
			text := strings.Replace(least, "return_loss: {flat: 3 dB, band: 150 kHz to 80 MHz}", from, 1)
			b, list := catalog.Parse("b", []byte(text), func(file string) ([]byte, error) {
				return []byte(map[string]string{"rl.csv": csv, "rl.s2p": s2p}[file]), nil
			})
			key, _, _ := strings.Cut(from, ":")
			told := ""
			for _, p := range list {
				if strings.Contains(p.What, "total reflection") && strings.Contains(p.What, "clamp."+key) ||
					!p.Warning {
					told += p.What + "\n"
				}
			}
			if (list.Err() != nil) != c.refused || !strings.Contains(told, c.want) || c.want == "" && told != "" {
				t.Errorf("%s, %s: refused %v, told %q, want %v and %q", name, from, list.Err() != nil, told,
					c.refused, c.want)
				continue
			}
			if c.refused {
				continue
			}
			got := b.Clamp.ReturnLoss
			if key == "vswr" {
				got = b.Clamp.Match
			}
			for _, p := range got.Points() {
				if p.Value < 0 {
					t.Errorf("%s, %s: %v at %v", name, from, p.Value, p.At)
				}
			}
		}
	}
}

// The file of a probe in its jig holds the match of the probe's output beside the transfer impedance.
func TestTheMatchOfAProbeComesWithItsTransferImpedance(t *testing.T) {
	const zt = "transfer_impedance: {flat: 5 Ω, band: 150 kHz to 80 MHz}"
	for _, c := range []struct {
		name, curve, file string
		match             float64 // dB, 0 for none
		told              string
	}{
		{"S21 gives S22", "transfer_impedance: {touchstone: p.s2p}",
			"# MHz S DB R 50\n0.1 -1 0 -20 0 -20 0 -6 0\n100 -1 0 -20 0 -20 0 -6 0\n",
			6, "probe.vswr is taken from S22 of p.s2p"},
		{"S12 gives S11", "transfer_impedance: {touchstone: p.s2p, parameter: S12}",
			"# MHz S DB R 50\n0.1 -1 0 -20 0 -20 0 -6 0\n100 -1 0 -20 0 -20 0 -6 0\n",
			1, "probe.vswr is taken from S11 of p.s2p"},
		{"a given one stays", "vswr: 1.5:1\n  transfer_impedance: {touchstone: p.s2p}",
			"# MHz S DB R 50\n0.1 -1 0 -20 0 -20 0 -6 0\n100 -1 0 -20 0 -20 0 -6 0\n", 13.979, ""},
		{"a place that was only filled in", "transfer_impedance: {touchstone: p.s2p}",
			"# MHz S RI R 50\n0.1 0 0 0.1 0 0.1 0 0 0\n100 0 0 0.1 0 0.1 0 0 0\n", 0, ""},
		{"more comes back than goes in", "transfer_impedance: {touchstone: p.s2p}",
			"# MHz S DB R 50\n0.1 -1 0 -20 0 -20 0 6 0\n100 -1 0 -20 0 -20 0 6 0\n", 0, "S22 of p.s2p is not taken"},
	} {
		b, list := catalog.Parse("b", []byte(strings.Replace(least, zt, c.curve, 1)),
			func(string) ([]byte, error) { return []byte(c.file), nil })
		if err := list.Err(); err != nil {
			t.Fatal(c.name, err)
		}
		told := ""
		for _, w := range list.Warnings() {
			if strings.Contains(w.What, "vswr") || strings.Contains(w.What, "S22") {
				told += w.What
			}
		}
		got, err := b.Probe.Match.At(rf.Megahertz)
		if (err == nil) != (c.match > 0) || err == nil && math.Abs(got.DB()-c.match) > 1e-3 ||
			!strings.Contains(told, c.told) || c.told == "" && told != "" {
			t.Errorf("%s: %v (%v), told %q", c.name, got, err, told)
		}
	}
}
