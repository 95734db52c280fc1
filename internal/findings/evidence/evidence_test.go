package evidence_test

import (
	"math"
	"strings"
	"testing"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/evidence"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// product is what a test pretends the world to be: onset in dBµA (0 never upsets) and how much
// current (dBµA) the bench gives for 1 W forward, over frequency in MHz.
type product struct {
	onset func(mhz float64) float64
	cable func(mhz float64) float64
}

var (
	am = level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000, Hold: level.CarrierHeld}
	cw = level.Modulation{}
)

const wanted = 90.0

type maker struct {
	r    result.Run
	n    int
	step int
}

func (m *maker) add(e event.Event) {
	m.r = result.Fold(m.r, event.Record{Run: m.n, Seq: m.r.Records + 1, Event: e})
}

func (m *maker) close(mhz float64, p product, offset float64, upset bool) {
	m.step++
	e := event.StepClosed{
		Step: plan.Step{Number: m.step, Purpose: plan.Sweep, Offset: rf.Gain(offset),
			Point: plan.Point{Frequency: rf.Frequency(mhz * 1e6), Target: rf.DBuA(wanted)}},
		Attempt: 1, Outcome: plan.Outcome{Number: m.step, Upset: upset, Exposures: 1},
		Current: rf.DBuA(wanted + offset), Forward: rf.FromDB[rf.Watt](wanted + offset - p.cable(mhz)),
		ForwardPredicted: true,
	}
	if upset {
		e.Class = event.DuringOnly
	}
	m.add(e)
}

// expose makes a run over 1 to 40 MHz in steps of a sixth of an octave, so that 10 and 20 MHz are among
// them.
func expose(number int, p product, change func(*event.Opened)) result.Run {
	o := event.Opened{Stretches: []plan.Stretch{{From: 1e3, To: 1e9, Step: 0.3}}, RunKind: plan.Exposure,
		Mode: plan.ClosedLoop, Fixture: "cable", Resolution: 0.5, Range: 40, Modulation: am,
		Bench: event.Attachment{SHA256: "a"}}
	if change != nil {
		change(&o)
	}
	m := maker{n: number}
	m.add(o)
	for i := range 33 {
		mhz := 5 * math.Pow(2, float64(i-14)/6)
		onset := p.onset(mhz)
		if onset == 0 || onset > wanted {
			m.close(mhz, p, 0, false)
			continue
		}
		m.close(mhz, p, 0, true)
		m.close(mhz, p, onset-wanted-0.5, false)
		m.close(mhz, p, onset-wanted, true)
	}
	m.add(event.Closed{Verdict: event.DoneUpset})
	return m.r
}

func constant(x float64) func(float64) float64 { return func(float64) float64 { return x } }

// bump is x at f and falls to y within a tenth of a decade.
func bump(f, x, y float64) func(float64) float64 {
	return func(mhz float64) float64 {
		u := math.Abs(math.Log10(mhz/f)) / 0.12
		if u > 1 {
			return y
		}
		return x + (y-x)*u
	}
}

// dip is an onset of x at f that rises by 4 dB at its edges and is never reached beyond.
func dip(f, x float64) func(float64) float64 {
	return func(mhz float64) float64 {
		u := math.Abs(math.Log10(mhz/f)) / 0.12
		if u > 1 {
			return 0
		}
		return x + 4*u
	}
}

func explain(t *testing.T, h evidence.Harmonics, runs ...result.Run) []evidence.Line {
	t.Helper()
	e, err := evidence.Explain(runs[0], analysis.Outlines(evidence.SameState(runs, 0)...), h)
	if err != nil {
		t.Fatal(err)
	}
	var out []evidence.Line
	for _, b := range e.Bands {
		out = append(out, b.Lines...)
	}
	return out
}

func find(lines []evidence.Line, topic evidence.Topic, speaks string) *evidence.Line {
	for i, l := range lines {
		if l.Topic == topic && strings.Contains(l.For, speaks) {
			return &lines[i]
		}
	}
	return nil
}

func harmonicsAt(dbc float64, measured bool) evidence.Harmonics {
	return func(rf.Frequency, int) (rf.Gain, bool, string, bool) { return rf.Gain(dbc), measured, "told", true }
}

func TestASensitiveProductOnAFlatCableIsTheProduct(t *testing.T) {
	lines := explain(t, nil, expose(1, product{dip(5, 75), constant(100)}, nil))
	if l := find(lines, evidence.Resonance, "product"); l == nil || l.Strength != evidence.Strong { // 90 − 75 dBµA
		t.Errorf("lines %+v", lines)
	}
	if find(lines, evidence.Resonance, "cable") != nil {
		t.Error("a flat cable resonates")
	}
}

func TestAPeakOfTheCurrentAtConstantForwardPowerIsTheCable(t *testing.T) {
	// The product's onset is 85 dBµA all over; at constant drive only the resonance reaches it.
	p := product{dip(5, 88), bump(5, 112, 100)}
	lines := explain(t, nil, expose(1, p, nil), expose(2, p, func(o *event.Opened) { o.Mode = plan.ConstantDrive }))
	l := find(lines, evidence.Resonance, "cable")
	if l == nil || l.Strength != evidence.Strong || l.Runs[0] != 2 {
		t.Fatalf("lines %+v", lines)
	}
	if find(lines, evidence.Resonance, "product") != nil { // 90 − 88 dB is not enough
		t.Errorf("2 dB are evidence: %+v", lines)
	}
	if !strings.Contains(l.Compared, "12.0 dB more at 5 MHz") {
		t.Errorf("compared %q", l.Compared)
	}
}

// A harmonic of −20 dBc at 10 MHz, where the cable carries 20 dB more, is as strong as the
// fundamental at 5 MHz (physics notes, section 6).
func TestAHarmonicThatReachesItsOwnOnsetIsTold(t *testing.T) {
	onset := func(mhz float64) float64 {
		if x := dip(10, 70)(mhz); x != 0 {
			return x
		}
		return dip(5, 72)(mhz)
	}
	p := product{onset, bump(10, 120, 100)}
	// At 5 MHz the onset takes 72 − 100 dB of forward power; −20 dBc of that at 10 MHz gives 72 dBµA,
	// 2 dB above the onset there.
	for _, c := range []struct {
		measured bool
		want     evidence.Strength
	}{{true, evidence.Strong}, {false, evidence.Moderate}} {
		l := find(explain(t, harmonicsAt(-20, c.measured), expose(1, p, nil)), evidence.Harmonic, "second harmonic")
		if l == nil || l.Strength != c.want || !strings.Contains(l.Compared, "+2.0 dB against it") {
			t.Errorf("measured %v: %+v", c.measured, l)
		}
	}
	if find(explain(t, harmonicsAt(-60, true), expose(1, p, nil)), evidence.Harmonic, "second") != nil {
		t.Error("a harmonic 38 dB below its onset is blamed")
	}
}

func TestTheFundamentalIsClearedOnlyByWhatWasStoodAtTheHarmonics(t *testing.T) {
	p := product{dip(5, 75), constant(100)}
	l := find(explain(t, harmonicsAt(-20, false), expose(1, p, nil)), evidence.Harmonic, "fundamental")
	// At the onset of 75 dBµA a harmonic of −20 dBc carries 55; 90 dBµA were stood: 35 dB.
	if l == nil || l.Strength != evidence.Strong || !strings.Contains(l.Compared, "35.0 dB more") {
		t.Errorf("%+v", l)
	}
	if l := find(explain(t, nil, expose(1, p, nil)), evidence.Harmonic, ""); l != nil {
		t.Errorf("without any figure of the harmonics there is a line: %+v", l)
	}
	// 80 dBµA needs 60 dBµA at the harmonic: beyond 40 MHz nothing is known.
	far := product{dip(30, 75), constant(100)}
	if l := find(explain(t, harmonicsAt(-20, true), expose(1, far, nil)), evidence.Harmonic, ""); l != nil {
		t.Errorf("where the harmonic was never exposed there is a line: %+v", l)
	}
}

func TestTheControlRunTellsTheDUTFromTheAE(t *testing.T) {
	p, sound := product{dip(5, 75), constant(100)}, product{constant(0), constant(100)}
	control := func(o *event.Opened) { o.RunKind = plan.Control }
	if l := find(explain(t, nil, expose(1, p, nil), expose(2, sound, control)), evidence.AEPath, "the DUT"); l == nil ||
		l.Strength != evidence.Strong {
		t.Errorf("a clean control: %+v", l)
	}
	if l := find(explain(t, nil, expose(1, p, nil), expose(2, p, control)), evidence.AEPath, "AE"); l == nil ||
		l.Strength != evidence.Strong {
		t.Errorf("a control that upsets: %+v", l)
	}
	if l := find(explain(t, nil, expose(1, p, nil)), evidence.AEPath, ""); l != nil {
		t.Errorf("without a control there is a line: %+v", l)
	}
}

func TestOnsetsInOtherModulationsTellWhatOfItUpsets(t *testing.T) {
	base := product{dip(5, 70), constant(100)}
	shifted := func(db float64) result.Run {
		return expose(2, product{dip(5, 70+db), constant(100)}, func(o *event.Opened) { o.Modulation = cw })
	}
	// AM 80 % with the carrier held has its crest 5.1 dB above the level.
	for _, c := range []struct {
		cw   result.Run
		want string
	}{
		{shifted(5.1), "the crest of the envelope"},
		{shifted(0), "the carrier, whatever its modulation"},
		{shifted(12), "the envelope of AM"},
		{expose(2, product{constant(0), constant(100)}, func(o *event.Opened) { o.Modulation = cw }),
			"the envelope of AM"},
	} {
		if l := find(explain(t, nil, expose(1, base, nil), c.cw), evidence.Modulation, c.want); l == nil {
			t.Errorf("no line for %q in %+v", c.want, explain(t, nil, expose(1, base, nil), c.cw))
		}
	}
	if l := find(explain(t, nil, expose(1, base, nil)), evidence.Modulation, ""); l != nil {
		t.Errorf("with one modulation there is a line: %+v", l)
	}
}

func TestRunsOfAnotherStateOfTheProductAreNoEvidence(t *testing.T) {
	p := product{dip(5, 75), constant(100)}
	changed := expose(2, product{constant(0), constant(100)},
		func(o *event.Opened) { o.RunKind, o.Changed = plan.Control, "a ferrite" })
	same := evidence.SameState([]result.Run{expose(1, p, nil), changed}, 0)
	if len(same) != 1 || same[0].Number != 1 {
		t.Errorf("considered %v", same)
	}
}
