package report_test

import (
	"fmt"
	"math"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

// The belt weigher of these tests is invented, and so is every value of it: a conveyor belt weigher
// with a load-cell transmitter that shows kilograms as text. No product was measured.

var monday = time.Date(2026, 3, 2, 9, 14, 0, 0, time.UTC)

const levelWanted = 90.5 // dBµA: 10 V e.m.f. / 300 Ω = 33.3 mA

// weigher says at which current (dBµA) the invented weigher upsets; 0 for never.
type weigher func(f rf.Frequency) float64

func dip(f, centre rf.Frequency, onset, steep float64) float64 {
	octaves := math.Log2(float64(f / centre))
	return onset + steep*octaves*octaves
}

func asReceived(f rf.Frequency) float64 {
	return math.Min(dip(f, 27*rf.Megahertz, 78.3, 60), dip(f, 4.6*rf.Megahertz, 84.6, 130))
}

func withFerrite(f rf.Frequency) float64 {
	return math.Min(dip(f, 27*rf.Megahertz, 96, 60), dip(f, 4.6*rf.Megahertz, 93, 130))
}

func withCapacitor(f rf.Frequency) float64 {
	return math.Min(dip(f, 40*rf.Megahertz, 84, 60), dip(f, 4.6*rf.Megahertz, 87.3, 130))
}

func gridOf(n int) []rf.Frequency {
	var out []rf.Frequency
	for i := range n {
		f := 150e3 * math.Pow(80e6/150e3, float64(i)/float64(n-1))
		out = append(out, rf.Frequency(math.Round(f/100)*100))
	}
	return out
}

// journal builds a run event by event.
type journal struct {
	over float64 // how far above the level wanted it exposes, dB
	r    result.Run
	n    int
	at   time.Time
	step int
}

func (j *journal) add(events ...event.Event) {
	for _, e := range events {
		seq := j.r.Records + 1
		j.at = j.at.Add(1300 * time.Millisecond)
		j.r = result.Fold(j.r, event.Record{Run: j.n, Seq: seq, At: j.at,
			Event: e, Chain: fmt.Sprintf("%064x", uint64(j.n)<<32|uint64(seq)*2654435761)})
	}
}

func openedOf(label, changed string) event.Opened {
	hash := func(c byte) string { return string(repeat(c, 64)) }
	return event.Opened{
		Version: 1, Program: "0.1-test", RunKind: plan.Exposure, Mode: plan.ClosedLoop, Fixture: "cable", Label: label,
		Changed:  changed,
		Operator: "R. Beispiel", Room: "shielded room 2", Temperature: "22 °C", Dwell: rf.Duration(2 * time.Second),
		Resolution: 0.5, Range: 40, Edges: 0.01, Points: 60,
		Bench: event.Attachment{Name: "bench.yaml", SHA256: hash('a')}, Plan: event.Attachment{Name: "exposure.yaml",
			SHA256: hash('b')},
		Curves: []event.Curve{
			{Item: "AMP1", What: "gain", Source: "amplifier.csv", SHA256: hash('1')},
			{Item: "CLAMP1", What: "insertion loss", Source: "clamp in the 50 Ω jig, 2026-02-20", SHA256: hash('2')},
			{Item: "PROBE1", What: "transfer impedance", Source: "certificate 2025-0117", SHA256: hash('3')},
		},
		Equipment: []event.Equipment{
			{ID: "GEN1", Description: "function generator, 80 MHz", Serial: "G-1042", Certificate: "2025-0301",
				Calibrated: "2025-03-11", Due: "2026-03-11", Identified: "invented,generator,1042,1.3"},
			{ID: "AMP1", Description: "broadband amplifier, 5 W", Serial: "A-77", Calibrated: "2025-06-02",
				Due: "2026-06-02"},
			{ID: "CLAMP1", Description: "injection clamp, home-wound, 5 turns on a MnZn core", Serial: "none"},
			{ID: "PROBE1", Description: "current monitoring probe", Serial: "P-310", Certificate: "2025-0117",
				Calibrated: "2025-01-17", Due: "2026-01-17"},
			{ID: "ANA1", Description: "spectrum analyser, 3 GHz", Serial: "S-5531", Certificate: "2025-0902",
				Calibrated: "2025-09-02", Due: "2027-09-02", Identified: "invented,analyser,5531,2.0"},
		},
		Profile: event.Profile{ID: "iec-61000-4-6/level-3",
			Title:      "IEC 61000-4-6 level 3: 10 V e.m.f., as the matched-loop current U0/300",
			Source:     "IEC 61000-4-6, table of test levels",
			Confidence: "from memory, high", Means: "r.m.s. of the unmodulated carrier in the matched loop"},
		Modulation: level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000, Hold: level.CarrierHeld},
		Setup: []event.Field{
			{Name: "product", Value: "the belt weigher (invented)"}, {Name: "port", Value: "load-cell cable"},
			{Name: "cable length", Value: "2 m"},
			{Name: "cable height over the plane", Value: "50 mm"}, {Name: "clamp to product", Value: "300 mm"},
			{Name: "probe to product", Value: "50 mm"},
			{Name: "decoupling of the auxiliary equipment",
				Value: "three ferrites of two families on the RS-485 cable"},
		},
		Monitors: []event.Monitor{{ID: "KG", Kind: "text", Unit: "kg", Tolerance: 0.05,
			Latency: rf.Duration(250 * time.Millisecond)}},
	}
}

func repeat(c byte, n int) []byte {
	out := make([]byte, n)
	for i := range out {
		out[i] = c
	}
	return out
}

func watched() event.Watching {
	return event.Watching{Monitors: []event.Monitor{{ID: "KG", Kind: "text", Unit: "kg", Tolerance: 0.05,
		Latency: rf.Duration(250 * time.Millisecond), Baseline: 12.5, HasBaseline: true}}}
}

// exposure makes a run of the invented weigher.
func exposure(number int, o event.Opened, w weigher, grid []rf.Frequency) result.Run {
	over := 0.0
	if o.OverTest != "" {
		over = 1.5
	}
	j := &journal{n: number, over: over, at: monday.Add(time.Duration(number) * time.Hour)}
	j.add(o, event.Armed{By: "R. Beispiel"}, watched())
	j.add(event.FirstLight{Frequency: grid[0], Measured: rf.DBuA(71.2), Predicted: rf.DBuA(70.5), Low: rf.DBuA(50.5),
		High: rf.DBuA(80.5), Passed: true})
	for _, f := range grid {
		j.expose(f, w(f))
	}
	j.add(safed(true), event.Closed{Verdict: event.DoneUpset})
	return j.r
}

func safed(quiet bool) event.Safed {
	how := "measured at the floor"
	if !quiet {
		how = "the generator did not answer"
	}
	return event.Safed{Cause: "end of the plan", Quiet: quiet, How: how, Took: rf.Duration(420 * time.Millisecond),
		Steps: []event.SafeStep{
			{What: "generator output off", Result: "reads off"}, {What: "amplifier to standby",
				Result: "reads standby"},
			{What: "generator to minimum", Result: "reads -60.0 dBm"},
		}}
}

// expose tries one frequency: at the level wanted, and where it upsets, round the onset.
func (j *journal) expose(f rf.Frequency, onset float64) {
	reach := levelWanted + j.over
	if f > 62*rf.Megahertz {
		reach -= 3.2 * math.Log2(float64(f)/62e6) * 4
	}
	if onset >= reach {
		j.close(f, plan.Sweep, 0, reach, false)
		return
	}
	j.close(f, plan.Sweep, 0, reach, true)
	steps := math.Ceil((levelWanted - onset) / 0.5)
	at := levelWanted - 0.5*steps + 0.5
	j.close(f, plan.Onset, at-0.5-levelWanted, at-0.5, false)
	j.close(f, plan.Onset, at-levelWanted, at, true)
	j.recover(f, at)
}

func (j *journal) close(f rf.Frequency, p plan.Purpose, offset, reached float64, upset bool) {
	j.step++
	s := plan.Step{Number: j.step, Purpose: p, Offset: rf.Gain(offset),
		Point: plan.Point{Frequency: f, Target: rf.DBuA(levelWanted + j.over), Drive: rf.DBm(-12)}}
	if j.over > 0 {
		s.Point.Wanted = level.Ask{Current: rf.DBuA(levelWanted)}
	}
	e := event.StepClosed{
		Step: s, Attempt: 1, Outcome: plan.Outcome{Number: j.step, Upset: upset, Exposures: 1,
			NotReached: reached < levelWanted+j.over+offset-0.3},
		Drive: rf.DBm(-12 + offset), Current: rf.DBuA(reached + 0.1), Predicted: rf.DBuA(reached - 1.7),
		Forward: rf.DBm(28 + offset), ForwardPredicted: true,
		Means: "r.m.s. of the unmodulated carrier", OnFor: rf.Duration(2 * time.Second),
	}
	if e.Outcome.NotReached {
		e.Limited = "drive ceiling: 6.0 dB above the budget's need"
	}
	latches := f < 10*rf.Megahertz
	if upset {
		e.Class, e.RecoveredAfter = event.DuringOnly, rf.Duration(800*time.Millisecond)
		if latches {
			e.Class, e.RecoveredAfter, e.Outcome.Latched = event.NeedsReset, rf.Duration(6*time.Second), true
		}
		e.OnFor = rf.Duration(1150 * time.Millisecond)
	}
	e.Readings = readings(upset, latches, reached)
	j.add(event.Intent{Step: s, Attempt: 1}, e)
}

func (j *journal) recover(f rf.Frequency, onset float64) {
	if f < 10*rf.Megahertz {
		return
	}
	j.step++
	offset := rf.Gain(onset - levelWanted)
	s := plan.Step{Number: j.step, Purpose: plan.Recover, Offset: offset,
		Descend: []rf.Gain{offset - 0.5, offset - 1, offset - 1.5, offset - 2},
		Point:   plan.Point{Frequency: f, Target: rf.DBuA(levelWanted), Drive: rf.DBm(-12)}}
	well := offset - 1.5
	j.add(event.Intent{Step: s, Attempt: 1}, event.StepClosed{
		Step: s, Attempt: 1, Outcome: plan.Outcome{Number: j.step, Upset: true, Exposures: 4, RecoveredAt: &well},
		Drive: rf.DBm(-12).Add(offset), Current: rf.DBuA(onset), Class: event.DuringOnly,
		Descent: []rf.Current{rf.DBuA(onset - 0.5), rf.DBuA(onset - 1), rf.DBuA(onset - 1.5)},
		OnFor:   rf.Duration(8 * time.Second),
	})
}

// readings are the invented weigher's lines around an exposure, four a second.
func readings(upset, latches bool, reached float64) []event.Reading {
	var out []event.Reading
	for i := -4; i <= 14; i++ {
		at := time.Duration(i) * 250 * time.Millisecond
		on := i >= 0 && (at < 1150*time.Millisecond || !upset && i < 8)
		kg := 12.5 + 0.004*math.Sin(float64(i)*1.7)
		if upset && i > 0 {
			shift := 0.02 * math.Pow(10, (reached-78)/20)
			switch {
			case on:
				kg += shift * (1 - math.Exp(-float64(i)/2))
			case latches:
				if i == 6 {
					out = append(out, event.Reading{Monitor: "KG", After: rf.Duration(at), Text: "ERR 7", Bad: true,
						Why: "error line: ERR 7"})
				}
				continue
			default:
				kg += shift * math.Exp(-float64(i-4)/1.2)
			}
		}
		bad := math.Abs(kg-12.5) > 0.05
		out = append(out, event.Reading{Monitor: "KG", After: rf.Duration(at), Text: fmt.Sprintf("%.3f kg", kg),
			Value: math.Round(kg*1000) / 1000, HasValue: true, RFOn: on, Bad: bad})
	}
	return out
}

// weigherJob is the canned job: a baseline, the product as received, a fix that helps.
func weigherJob() tell.Job {
	grid := gridOf(60)
	base := openedOf("without RF", "")
	base.RunKind = plan.Baseline
	b := &journal{n: 1, at: monday}
	b.add(base, watched())
	for i, f := range grid {
		b.step++
		b.add(event.StepClosed{Step: plan.Step{Number: i + 1, Purpose: plan.Sweep, Point: plan.Point{Frequency: f}},
			Outcome: plan.Outcome{Number: i + 1, Exposures: 1}, OnFor: 0})
	}
	b.add(event.Closed{Verdict: event.Done})
	first := exposure(2, openedOf("as received", ""), asReceived, grid)
	ferrites := openedOf("ferrites", "two ferrites on the load-cell cable at the gland")
	ferrites.OverTest = "accepted by R. Beispiel"
	second := exposure(3, ferrites, withFerrite, grid)
	note := event.Record{Run: 3, Seq: second.Records + 1, At: monday.Add(5 * time.Hour),
		Event: event.Note{By: "R. Beispiel", Text: "ferrite sits 30 mm from the gland; photo in the job"}, Chain: "f0"}
	second = result.Fold(second, note)
	return tell.Job{
		Name: "belt-weigher.provoke", Runs: []result.Run{b.r, first, second}, Detailed: []int{2, 3}, Before: 2,
		After:   3,
		Program: "0.1-test",
	}
}

// troubledJob is a job in which much went wrong, with names that try to be markup.
func troubledJob() tell.Job {
	grid := gridOf(60)
	o := openedOf(`<script>alert("label")</script>`, `cap "100 nF" <b>bold</b>`)
	o.Setup[0].Value = `<img src=x onerror=alert(1)>`
	o.Monitors[0].Unit = "</text><script>1</script>"
	o.Equipment[0].Description = "=HYPERLINK(\"evil\")"
	j := &journal{n: 2, at: monday.Add(3 * time.Hour)}
	j.add(o, event.Armed{Unproved: []string{"the amplifier says nothing of itself"}})
	for _, f := range grid[:48] {
		j.expose(f, withCapacitor(f))
	}
	j.add(event.Hold{Why: "the weigher is silent"}, event.Resumed{Why: "the weigher speaks again"})
	j.add(event.OperatorMark{Text: "display dark </td><td>"},
		event.Note{Text: "<a href=\"https://example.invalid\">look</a>"})
	j.add(event.Intent{Step: plan.Step{Number: 999, Point: plan.Point{Frequency: grid[48]}, Purpose: plan.Sweep},
		Attempt: 1})
	j.add(event.Tripped{Cause: "measured current 6.4 dB above the prediction", By: "guard"}, safed(false),
		event.Closed{Verdict: event.RFNotKnownOff, Why: "the generator did not answer"})
	return tell.Job{
		Name: "trouble.provoke", Runs: []result.Run{exposure(1, openedOf("as received", ""), asReceived, grid),
			j.r}, Detailed: []int{1, 2}, Before: 1, After: 2,
		Margin: 3, Program: "0.1-test",
	}
}

func withAttachments(r result.Run) result.Run {
	for i, a := range []event.Attached{
		{Attachment: event.Attachment{Name: "setup.png", SHA256: "p"},
			Caption: "clamp and probe on the load-cell cable"},
		{Attachment: event.Attachment{Name: "drawing.svg", SHA256: "h"}},
	} {
		r = result.Fold(r, event.Record{Run: r.Number, Seq: r.Records + 1,
			At: monday.Add(time.Duration(i) * time.Minute), Event: a})
	}
	return r
}
