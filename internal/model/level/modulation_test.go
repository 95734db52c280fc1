package level

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/units/rf"
)

func am80(h Convention) Modulation { return Modulation{Kind: AM, Depth: 0.8, Rate: khz, Hold: h} }

// standards.md rows 8 to 11; check_values G10 to G13 (closed form).
func TestAMPeakIsFivePointOneDecibelsAboveCarrier(t *testing.T) {
	held := am80(CarrierHeld)
	near(t, "G10: crest of 80 % AM", held.CrestOverCarrier().DB(), 5.105450102, 1e-4)
	near(t, "row 8: crest factor", held.CrestOverCarrier().AmplitudeRatio(), 1.8, 1e-9)
	near(t, "G11: mean power", held.MeanOverCarrier().PowerRatio(), 1.32, 1e-7)
	near(t, "G12: mean power in dB", held.MeanOverCarrier().DB(), 1.205739312, 1e-4)
	near(t, "G13: r.m.s. factor", held.MeanOverCarrier().AmplitudeRatio(), 1.148912529, 1e-6)
	near(t, "carrier held: carrier at the level", held.CarrierOverLevel().DB(), 0, 0)
	near(t, "carrier held: crest above the level", held.CrestOverLevel().DB(), 5.105, 0.0005)
}

func TestPeakHeldAMLowersTheCarrierAndKeepsTheCrest(t *testing.T) {
	m := am80(PeakHeld)
	near(t, "row 11: carrier", m.CarrierOverLevel().DB(), -5.105, 0.0005)
	near(t, "row 11: crest", m.CrestOverLevel().DB(), 0, 1e-12)
	mean := m.CarrierOverLevel() + m.MeanOverCarrier()
	near(t, "row 11: mean power in dB", mean.DB(), -3.8997, 0.0005)
	near(t, "row 11: mean power", mean.PowerRatio(), 0.40741, 0.00005)
}

// standards.md row 12 and section 6.
func TestAPulseKeepsTheCrestAndLowersTheMean(t *testing.T) {
	m, err := ParseModulation("pulse 577 µs every 4600 µs")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "row 12: duty", float64(m.Duty), 0.125435, 0.0000005)
	near(t, "row 12: mean in dB", m.MeanOverCarrier().DB(), -9.0158, 0.0005)
	near(t, "crest", m.CrestOverLevel().DB(), 0, 0)
	near(t, "50 % duty", pulse50("").MeanOverCarrier().DB(), -3.010, 0.0005)
}

func TestModulationIsReadAsItIsWritten(t *testing.T) {
	for text, want := range map[string]Modulation{
		"CW":                         {Kind: CW},
		"cw":                         {Kind: CW},
		"AM 80 % 1 kHz":              am80(""),
		"am 80% 1kHz":                am80(""),
		"AM 1 kHz 80 %":              am80(""),
		"AM 80 % 1 kHz peak held":    am80(PeakHeld),
		"AM 80 % 1 kHz Carrier Held": am80(CarrierHeld),
		"AM 80\u00a0% 1\u202fkHz":    am80(""),
		"pulse 1 kHz 50 %":           {Kind: Pulse, Rate: khz, Duty: 0.5},
		"PULSE 50 % 1 kHz peak held": {Kind: Pulse, Rate: khz, Duty: 0.5, Hold: PeakHeld},
		"pulse 217 Hz 12,5 %":        {Kind: Pulse, Rate: 217, Duty: 0.125},
		"AM 100 % 400 Hz":            {Kind: AM, Depth: 1, Rate: 400},
	} {
		m, err := ParseModulation(text)
		if err != nil || m != want {
			t.Errorf("%q is %+v, %v; want %+v", text, m, err, want)
		}
	}
}

func TestAModulationThatCannotBeIsRefusedWithAHint(t *testing.T) {
	for text, want := range map[string]string{
		"":                       "unknown modulation",
		"FM 80 % 1 kHz":          "want for example",
		"AM":                     "no depth",
		"AM 80 %":                "no rate",
		"AM 1 kHz":               "no depth",
		"AM 120 % 1 kHz":         "100 %",
		"AM -80 % 1 kHz":         "0 %",
		"AM 0 % 1 kHz":           "nothing",
		"AM 80 % 90 % 1 kHz":     "second",
		"AM 80 % 1 kHz 2 kHz":    "second",
		"AM 80 1 kHz":            "unit",
		"AM 80 % 1 khz":          "did you mean",
		"pulse 1 kHz":            "no duty",
		"pulse 1 kHz 100 %":      "CW",
		"pulse 5 ms every 1 ms":  "longer",
		"CW 80 %":                "CW takes no",
		"CW peak held":           "CW takes no",
		strings.Repeat("A", 999): "too long",
	} {
		m, err := ParseModulation(text)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.30q is %+v, %v; want an error with %q", text, m, err, want)
		}
	}
	if m, err := ParseEnvelope("AM 80 %"); err != nil || m.Depth != 0.8 {
		t.Errorf("crest needs no rate: %+v, %v", m, err)
	}
	if err := (Modulation{Kind: "FM"}).Check(); err == nil {
		t.Error("an unknown kind passed")
	}
	if err := (Modulation{Kind: AM, Depth: 0.8, Rate: khz, Hold: "x"}).Check(); err == nil {
		t.Error("an unknown convention passed")
	}
}

func TestWhatAModulationPrintsIsReadAsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		share := rf.Fraction(rapid.IntRange(1, 999).Draw(t, "per mille")) / 1000
		m := Modulation{
			Kind: rapid.SampledFrom([]Kind{CW, AM, Pulse}).Draw(t, "kind"),
			Rate: rf.Frequency(rapid.IntRange(1, 999999).Draw(t, "rate")),
			Hold: rapid.SampledFrom([]Convention{"", CarrierHeld, PeakHeld}).Draw(t, "hold"),
		}
		switch m.Kind {
		case CW:
			m = Modulation{Kind: CW}
		case AM:
			m.Depth = share
		default:
			m.Duty = share
		}
		got, err := ParseModulation(m.String())
		if err != nil {
			t.Fatalf("%v: %v", m, err)
		}
		if math.Abs(float64(got.Depth-m.Depth)) > 1e-9 || math.Abs(float64(got.Duty-m.Duty)) > 1e-9 ||
			math.Abs(float64(got.Rate-m.Rate)) > 1e-6*float64(m.Rate) || got.Hold != m.Hold || got.Kind != m.Kind {
			t.Fatalf("%q is read as %+v, was %+v", m, got, m)
		}
	})
}

func FuzzParseModulation(f *testing.F) {
	for _, s := range []string{"CW", "AM 80 % 1 kHz", "pulse 577 µs every 4600 µs", "pulse 1 kHz 50 % peak held"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		m, err := ParseModulation(text)
		if err != nil {
			return
		}
		if err := m.Check(); err != nil || !m.CrestOverCarrier().Finite() || !m.MeanOverCarrier().Finite() {
			t.Errorf("%q gave %+v (%v)", text, m, err)
		}
	})
}

func TestAProfileGivesItsConventionWhereNoneIsStated(t *testing.T) {
	iso, _ := Lookup("iso-11452-4/level-i")
	iec, _ := Lookup("iec-61000-4-6/level-3")
	for _, c := range []struct {
		p          Profile
		said, want Convention
	}{{iso, "", PeakHeld}, {iec, "", CarrierHeld}, {iso, CarrierHeld, CarrierHeld}} {
		if got := c.p.Convention(am80(c.said)); got.Hold != c.want {
			t.Errorf("%s with %q: %q, want %q", c.p.ID, c.said, got.Hold, c.want)
		}
	}
	if m := iso.Convention(Modulation{Kind: CW}); m.Hold != "" {
		t.Error("CW has no convention")
	}
}
