package analysis_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/units/rf"
)

const labYAML = `provoke: laboratory 1
# Invented.
laboratory: invented test house
report: 17 of 2026-10-02
uncertainty: {expanded: 2.0 dB, k: 2}
tested:
  - {from: 150 kHz, to: 80 MHz, level: 10 V emf, modulation: AM 80 % 1 kHz}
failures:
  - {from: 22 MHz, to: 24 MHz, level: 10 V emf, modulation: AM 80 % 1 kHz, class: B, what: reading jumps}
  - {from: 30 MHz, level: 6 V emf, onset: true, required: 10 V emf, what: error 7}
  - {from: 40 MHz, level: 10 V/m, modulation: CW, what: display dark}
`

func report(t testing.TB, text string) event.LaboratoryFailures {
	t.Helper()
	l, list := analysis.ParseLaboratory("lab", []byte(text))
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return l
}

func TestALaboratorysReportIsReadFromYAMLAndCSV(t *testing.T) {
	l := report(t, labYAML)
	if len(l.Failures) != 3 || l.Expanded != 2 || l.K != 2 || !l.Failures[1].Onset ||
		l.Failures[1].Required != "10 V emf" || l.Tested[0].To != 80*rf.Megahertz {
		t.Errorf("%+v", l)
	}
	c := report(t,
		"\ufefffrom;to;level;modulation;what;class;onset;required\n22 MHz;24 MHz;10 V emf;AM 80 % 1 kHz;reading "+
			"jumps;B;;\n30 MHz;;6 V emf;;error 7;;yes;10 V emf\n")
	if len(c.Failures) != 2 || c.Failures[0].Class != "B" || !c.Failures[1].Onset ||
		c.Failures[1].Required != "10 V emf" {
		t.Errorf("%+v", c)
	}
	if c = report(t, "from;to;level;what\n1M5;;60 mA;resets\n"); len(c.Failures) != 1 ||
		c.Failures[0].From != 1.5*rf.Megahertz || c.Failures[0].To.Known() {
		t.Errorf("%+v", c)
	}
	// A remark of two lines, as a spreadsheet writes it, and units in the heading.
	c = report(t,
		"Prüfbericht 17\n\nvon/MHz;bis/MHz;Pegel in V/m;what happened\n22,5;24;10,5;\"display dark,\nthen \"\"error "+
			"7\"\"\"\n;;;\n30;;3\n;;;\n")
	if len(c.Failures) != 2 || c.Failures[0].Level != "10.5 V/m" || c.Failures[0].To != 24*rf.Megahertz ||
		c.Failures[0].What != `display dark, then "error 7"` || c.Failures[1].From != 30*rf.Megahertz {
		t.Errorf("%+v", c)
	}
	for text, want := range map[string]string{
		"from;level\n22 MHz;10\n":                                           "10",
		"from;what\n22 MHz;x\n":                                             `there is no column "level"`,
		"from;level;onset\n22 MHz;10 V emf;?\n":                             "neither yes nor no",
		"from;to;level\n22 MHz;2 MHz;10 V emf\n":                            "lies below",
		"from;level;required\n1 MHz;6 V emf;10 V/m\n":                       "cannot be compared",
		"provoke: laboratory 1\nfailures:\n  - {from: 1 MHz, level: 3 V}\n": "emf",
		"provoke: laboratory 1\nuncertainty: {expanded: 2 dB, k: none}\nfailures:\n  - {from: 1 MHz, level: 3 V " +
			"emf}\n": "coverage factor",
		"provoke: laboratory 1\nfailures:\n  - {from: 1 MHz, level: 3 V emf, modulation: FM}\n" +
			"": "modulation",
	} {
		_, list := analysis.ParseLaboratory("lab", []byte(text))
		if err := list.Err(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: told %v, want %q", text, err, want)
		}
	}
}

// certain has 0.8 dB on the bench, 1.0 dB at the laboratory, one-sided 95 %: 1.6449·√(0.64 + 1) = 2.1064 dB.
func certain() analysis.Certainty {
	return analysis.Certainty{Confidence: 0.95, Factor: 1.644854, Laboratory: 1,
		Bench: func(rf.Frequency) rf.Gain { return 0.8 }}
}

func beside(t *testing.T) analysis.BesideLaboratory {
	t.Helper()
	bench := run(1, opened, trial{f: 20e6}, trial{f: 22e6, onset: 84}, trial{f: 24e6, onset: 80}, trial{f: 26e6},
		trial{f: 30e6, onset: 86.5}, trial{f: 35e6}, trial{f: 50e6, onset: 85}, trial{f: 52e6})
	l, err := analysis.CompareLaboratory(report(t, labYAML), bench, certain())
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// 10 V emf stands for 33.33 mA = 90.458 dBµA in the matched loop (check row 2 of standards.md 1.3). At 24 MHz
// the bench upsets at 80 dBµA = 10 mA: at least 1 mA/V, below the published 3.33 to 6.67 mA/V.
func TestALaboratorysFailureIsHeldAgainstTheBench(t *testing.T) {
	l := beside(t)
	a, b, c := l.Points[0], l.Points[1], l.Points[2]
	if a.Fate != analysis.Reproduced || a.At != 24e6 || a.Onset.In() != 80 || a.Exposed != 2 || a.Upset != 2 {
		t.Errorf("%+v", a)
	}
	if math.Abs(a.Asks.In()-90.458) > 0.001 || math.Abs(a.PerUnit.SI()*1e3-1) > 1e-6 ||
		a.PerUnit.Bound() != rf.AtLeast || a.Beside != "below the published range" {
		t.Errorf("asks %v, per unit %v %s", a.Asks, a.PerUnit.Linear(), a.Beside)
	}
	if math.Abs(a.PublishedLow.SI()*1e3-3.3333) > 1e-3 || math.Abs(a.PublishedHigh.SI()*1e3-6.6667) > 1e-3 {
		t.Errorf("published %v to %v", a.PublishedLow.Linear(), a.PublishedHigh.Linear())
	}
	// How it drives this cable is known between U0/300 Ω and U0/150 Ω = 66.67 mA = 96.478 dBµA only.
	if math.Abs(a.Margin.DB()-2.1064) > 1e-3 || math.Abs(a.RequiredLow.In()-92.564) > 0.002 ||
		math.Abs(a.Required.In()-98.585) > 0.002 || a.NoConfidence == "" {
		t.Errorf("margin %v, required %s, %q", a.Margin, a.RequiredWords(), a.NoConfidence)
	}
	// Where the laboratory knows its onset, how it drives the cable cancels.
	if b.NoConfidence != "" || b.RequiredLow.Known() {
		t.Errorf("%+v", b)
	}
	// The laboratory's onset is 6 V, the bench's 86.5 dBµA; 10 V lie 4.437 dB above 6 V.
	if b.Fate != analysis.Reproduced || b.PerUnit.Bound() != rf.Exactly || math.Abs(b.Base.In()-90.937) > 0.001 ||
		math.Abs(b.Required.In()-93.043) > 0.002 {
		t.Errorf("%+v", b)
	}
	// 21.13 mA over 6 V: 86.5 dBµA = 21.135 mA, 3.52 mA/V.
	if math.Abs(b.PerUnit.SI()*1e3-3.5225) > 1e-3 || b.Beside != "within the published range" {
		t.Errorf("%v %s", b.PerUnit.Linear(), b.Beside)
	}
	if c.Fate != analysis.NotExposed || c.PerUnit.Known() || c.Indicative == "" ||
		math.Abs(c.Asks.SI()*1e3-15) > 1e-6 || math.Abs(c.AsksHigh.SI()*1e3-33.33) > 0.01 {
		t.Errorf("%+v", c)
	}
}

func TestWhatTheBenchFoundAndTheLaboratoryDidNot(t *testing.T) {
	l := beside(t)
	if len(l.BenchOnly) != 1 || l.BenchOnly[0].Low.Frequency != 50e6 || !l.BenchOnly[0].Tested ||
		!strings.Contains(l.BenchOnly[0].Why, "should have seen it") {
		t.Errorf("%+v", l.BenchOnly)
	}
	quiet := report(t, strings.Replace(labYAML,
		"tested:\n  - {from: 150 kHz, to: 80 MHz, level: 10 V emf, modulation: AM 80 % 1 kHz}\n", "", 1))
	again, err := analysis.CompareLaboratory(quiet, run(1, opened, trial{f: 50e6, onset: 85}), certain())
	if err != nil || len(again.BenchOnly) != 1 || again.BenchOnly[0].Tested || !strings.Contains(again.BenchOnly[0].Why,
		"does not say") {
		t.Errorf("%+v, %v", again.BenchOnly, err)
	}
}

// A modulation that differs is said; a failure that the bench did not reach is no contradiction.
func TestWhatMakesTheTwoDifferIsSaid(t *testing.T) {
	bench := run(1, opened, trial{f: 22e6, reach: 85}, trial{f: 24e6, reach: 85})
	text := strings.Replace(labYAML, "level: 10 V emf, modulation: AM 80 % 1 kHz, class",
		"level: 10 V emf, modulation: CW, class", 1)
	l, err := analysis.CompareLaboratory(report(t, text), bench, certain())
	if err != nil {
		t.Fatal(err)
	}
	if p := l.Points[0]; p.Fate != analysis.NotReproduced || p.Onset.Bound() != rf.AtLeast {
		t.Errorf("%+v", p)
	}
	contains(t, l.Points[0].Notes, "the bench went to 85.0 dBµA only")
	contains(t, l.Points[0].Notes, "modulation was CW")
}

func TestTheVerdictAnswersForTheLaboratory(t *testing.T) {
	lab := beside(t)
	first := run(1, opened, trial{f: 22e6, onset: 84}, trial{f: 24e6, onset: 80})
	good := run(2, opened, trial{f: 22e6}, trial{f: 24e6})
	c := analysis.Compare(first, good, analysis.Basis{})
	if c.Verdict != analysis.Shown {
		t.Fatalf("%s: %v", c.Verdict, c.Reasons)
	}
	// Standing 90 dBµA is what the plan wanted, but up to 98.6 dBµA may be asked for.
	c.HoldToLaboratory(lab, good)
	if c.Verdict != analysis.NotShown {
		t.Errorf("%s: %v", c.Verdict, c.Reasons)
	}
	contains(t, c.Reasons,
		"at 22 MHz the product was shown to stand at least 90.0 dBµA; 92.6 to 98.6 dBµA is asked for, by how the "+
			"laboratory's set-up drives this cable, which is not known: no confidence is stated (96.5 dBµA at the "+
			"high end with a margin of 2.1 dB)")
	contains(t, c.Reasons, "the laboratory failed at 40 MHz, and run 2 exposed nothing there")
	contains(t, c.Reservations, "published pairings")
	// With less asked the same run shows it.
	text := strings.NewReplacer("10 V emf, modulation: AM 80 % 1 kHz, class",
		"3 V emf, modulation: AM 80 % 1 kHz, class").Replace(labYAML)
	text = text[:strings.Index(text, "  - {from: 30 MHz")]
	easy, err := analysis.CompareLaboratory(report(t, text), first, certain())
	if err != nil {
		t.Fatal(err)
	}
	c = analysis.Compare(first, good, analysis.Basis{})
	c.HoldToLaboratory(easy, good)
	if c.Verdict != analysis.Shown {
		t.Errorf("%s: %v", c.Verdict, c.Reasons)
	}
	contains(t, c.Reasons, "is shown at all of its 1 failures")
}

// A product of low impedance draws U0/150 Ω from the laboratory's set-up, 6.02 dB more than a matched one. A
// requirement
// from the matched loop with "95 %" let such a product pass with 26 to 35 % only. What is required now either says no
// confidence, or lets every product of the range pass with the confidence stated.
func TestAStatedConfidenceHoldsForEveryProductOfTheRange(t *testing.T) {
	onBench := run(1, opened, trial{f: 22e6, onset: 84})
	text := labYAML[:strings.Index(labYAML, "  - {from: 30 MHz")]
	for name, model := range map[string]func(rf.Frequency) (rf.Gain, rf.Gain, string, error){
		"no model": nil, "a model, ± 2 dB": coupling(3, 2), "a model of low impedance": coupling(6.02,
			2), "a rough model": coupling(3, 6),
	} {
		c := certain()
		c.Bench, c.Coupling = func(rf.Frequency) rf.Gain { return 1.43 }, model
		l, err := analysis.CompareLaboratory(report(t, text), onBench, c)
		if err != nil {
			t.Fatal(err)
		}
		p := l.Points[0]
		low, high := 0.0, 6.0206
		if model != nil {
			over, half, _, _ := model(22e6)
			low, high = over.DB()-half.DB(), min(over.DB()+half.DB(), 6.0206)
		}
		r := rand.New(rand.NewPCG(4, 4))
		const n = 20_000
		pass := 0
		for range n {
			// The product stands just what is required, as the bench reads it.
			stands := p.Required.In() + 1.43*r.NormFloat64()
			drives := p.Asks.In() + low + (high-low)*r.Float64() + r.NormFloat64()
			if stands > drives {
				pass++
			}
		}
		share := 100 * float64(pass) / n
		t.Logf("figure: %s: standing %s lets the laboratory pass in %.1f %% of %d products (stated: %q)", name,
			p.RequiredWords(), share, n, p.NoConfidence)
		if stated := p.NoConfidence == ""; share < 94.5 ||
			stated != (name == "a model, ± 2 dB" || name == "a model of low impedance") {
			t.Errorf("%s: %.1f %%, %q", name, share, p.NoConfidence)
		}
	}
}

func coupling(over, half rf.Gain) func(rf.Frequency) (rf.Gain, rf.Gain, string, error) {
	return func(rf.Frequency) (rf.Gain, rf.Gain, string, error) { return over, half, "the test's model", nil }
}
