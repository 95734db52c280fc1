package tell

import (
	"bytes"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// loopBench plays a fixing loop on an invented product: what the loop asks for is exposed, and the product says at
// which current it upsets.
type loopBench struct {
	r      result.Run
	l      *fixing.Loop
	clock  time.Time
	onset  map[rf.Frequency]float64 // dBµA
	spread float64
	shift  float64 // of the reading at the level wanted, kg
	chance *rand.Rand
}

const wantedHere = 80.0

func newLoop(number int, onset map[rf.Frequency]float64) *loopBench {
	b := &loopBench{clock: time.Date(2026, 11, 29, 9, 0, 0, 0, time.UTC).Add(time.Duration(number) * time.Hour),
		onset: onset, chance: rand.New(rand.NewPCG(7, 7))}
	o := event.Opened{RunKind: plan.Fixing, Mode: plan.ClosedLoop, Fixture: "cable", Label: "what helps?", Range: 30,
		Resolution: 0.5, Plan: event.Attachment{Name: "exposure.yaml", SHA256: "b"}, Fixing: &event.Fixing{Of: 1}}
	for _, f := range []rf.Frequency{2200e3, 41e6} {
		if _, follows := onset[f]; follows {
			o.Fixing.At = append(o.Fixing.At, event.Tracked{Point: b.point(f)})
		}
	}
	b.r.Number = number
	b.add(o, event.Watching{Monitors: []event.Monitor{{ID: "SHOWN", Kind: "text", Unit: "kg", Tolerance: 0.5,
		Baseline: 12.5, HasBaseline: true}}})
	return b
}

func (b *loopBench) point(f rf.Frequency) plan.Point {
	p := plan.Point{Frequency: f, Target: rf.DBuA(wantedHere), Drive: rf.DBm(-10)}
	p.Wanted.Current = rf.DBuA(wantedHere)
	return p
}

func (b *loopBench) add(events ...event.Event) {
	for _, e := range events {
		b.clock = b.clock.Add(2 * time.Second)
		b.r = result.Fold(b.r, event.Record{Run: b.r.Number, Seq: b.r.Records + 1, At: b.clock, Event: e, Chain: "c"})
	}
	if b.l == nil || len(b.l.Places) == 0 {
		b.l = fixing.Of(&b.r)
	} else {
		b.l.Follow(&b.r)
	}
}

// expose does so many exposures, as the loop asks for them.
func (b *loopBench) expose(n int) {
	for range n {
		step, ok := b.l.Next()
		if !ok {
			panic("nothing to expose")
		}
		level := wantedHere + float64(step.Offset)
		upset := level+b.spread*b.chance.NormFloat64() >= b.onset[step.Point.Frequency]
		c := event.StepClosed{Step: step, Attempt: 1, Current: rf.DBuA(level), Drive: rf.DBm(-10),
			Outcome: plan.Outcome{Number: step.Number, Upset: upset, Exposures: 1}, OnFor: rf.Duration(time.Second)}
		for i := range 5 {
			c.Readings = append(c.Readings, event.Reading{Monitor: "SHOWN", After: rf.Duration(i * 2e8), RFOn: true,
				HasValue: true, Value: 12.5 + b.shift + 0.001*float64(i%2), Text: "reading"})
		}
		if upset {
			c.Class = event.DuringOnly
		}
		b.add(event.Intent{Step: step, Attempt: 1}, c)
	}
}

// hands go in and do something.
func (b *loopBench) hands(try int, what string, out bool) {
	b.add(event.HandsIn{By: "key", How: "read back as off", Took: rf.Duration(time.Millisecond), Measured: true},
		event.HandsOut{By: "key", Try: try, What: what, Out: out})
}

func (b *loopBench) told() RunTold { return RunTold{Run: b.r, Findings: analysis.Of(b.r, nil)} }

// lines are the words and rows that a run tells.
func lines(sections ...Section) string {
	var out bytes.Buffer
	for _, s := range sections {
		for _, b := range s.Blocks {
			if b.Verdict != nil {
				out.WriteString(b.Verdict.Words + " [" + b.Verdict.Mark + "]\n")
			}
			out.WriteString(b.Text + "\n")
			if b.Table == nil {
				continue
			}
			out.WriteString(b.Table.ID + ": " + b.Table.Title + "\n")
			for _, row := range b.Table.Rows {
				for _, c := range row {
					out.WriteString(c.Text + " | ")
				}
				out.WriteString("\n")
			}
		}
	}
	return out.String()
}

func wants(t *testing.T, text string, all ...string) {
	t.Helper()
	for _, want := range all {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not told in\n%s", want, text)
		}
	}
}

// rowOf is the row of a table that begins with a text.
func rowOf(t *testing.T, text, table, begins string) string {
	t.Helper()
	_, after, _ := strings.Cut(text, table)
	for line := range strings.Lines(after) {
		if strings.HasPrefix(line, begins) {
			return line
		}
	}
	t.Fatalf("%s has no row %q:\n%s", table, begins, text)
	return ""
}

var inBrackets = regexp.MustCompile(`\((\S+) to (\S+)\)`)

// limitsIn are the limits that a cell tells.
func limitsIn(t *testing.T, cell string) (low, high float64) {
	t.Helper()
	m := inBrackets.FindStringSubmatch(strings.ReplaceAll(cell, "−", "-"))
	if m == nil {
		t.Fatalf("%q has no limits", cell)
	}
	low, err1 := strconv.ParseFloat(m[1], 64)
	high, err2 := strconv.ParseFloat(m[2], 64)
	if err1 != nil || err2 != nil {
		t.Fatalf("%q: %v, %v", cell, err1, err2)
	}
	return low, high
}

// Put in it helps at 41 MHz by 4 dB and hurts at 2.2 MHz by 3 dB, taken out it is as before; once nothing is changed.
func deterministicLoop() *loopBench {
	b := newLoop(2, map[rf.Frequency]float64{41e6: 72.2, 2200e3: 76.2})
	b.expose(20)
	b.hands(1, "", false)
	b.expose(20)
	b.hands(2, "ferrite", false)
	b.onset[41e6], b.onset[2200e3] = 76.2, 73.2
	b.expose(20)
	b.add(event.OperatorMark{Text: "it beeped"})
	b.hands(3, "ferrite", true)
	b.onset[41e6], b.onset[2200e3] = 72.2, 76.2
	b.expose(20)
	b.hands(4, "ferrite", false)
	b.onset[41e6], b.onset[2200e3], b.shift = 76.2, 73.2, 0.03
	b.expose(20)
	held := plan.Step{Number: b.l.Number(), Point: b.point(41e6), Purpose: plan.HeldPoint, Offset: -8}
	b.add(event.StepClosed{Step: held, Attempt: 1, Current: rf.DBuA(72), Outcome: plan.Outcome{Number: held.Number,
		Exposures: 1}, OnFor: rf.Duration(42 * time.Second), Note: "needle trembles"},
		event.HandsIn{By: "foot switch", How: "read back as off", Took: rf.Duration(time.Millisecond)},
		event.Closed{Verdict: event.DoneUpset})
	return b
}

func TestALoopTellsWhatEachTryDid(t *testing.T) {
	b := deterministicLoop()
	told := b.told()
	text := lines(told.Sections()...)
	wants(t, text, "try 4, ferrite put in: onset at 2.2 MHz down ", "; in place: ferrite [bad]",
		"Followed after run 1", "A try alone proves nothing",
		`To prove it: provoke run exposure.yaml --job JOB --again 1 --changed "ferrite"`, "deterministic: in ",
		"needle trembles", "42 s", "not out again")
	for _, c := range []struct {
		table, row string
		at2, at41  float64
		last       string
	}{
		{"effects-run-2", "ferrite", -3, 4, "better at 41 MHz; worse at 2.2 MHz"},
		{"effects-run-2", "nothing changed", 0, 0, "no difference shown"},
		{"tries-run-2", "2 | ", -3, 4, "ferrite"},
		{"tries-run-2", "3 | ", 3, -4, "nothing added"},
	} {
		cells := strings.Split(strings.TrimSpace(rowOf(t, text, c.table, c.row)), " | ")
		gains := slices.DeleteFunc(slices.Clone(cells), func(x string) bool { return !strings.Contains(x, " dB (") })
		for i, truth := range []float64{c.at2, c.at41} {
			low, high := limitsIn(t, gains[i])
			if low > truth || high < truth || high-low > 2 || (low > 0 || high < 0) != (truth != 0) ||
				strings.HasPrefix(gains[i], "no difference shown") != (truth == 0) {
				t.Errorf("%s, %s: %q where the product has %+.0f dB", c.table, c.row, gains[i], truth)
			}
		}
		if !slices.Contains(cells, c.last) && !strings.HasSuffix(cells[len(cells)-1], c.last+" |") {
			t.Errorf("%s, %s: %q, not %q", c.table, c.row, cells, c.last)
		}
	}
	shape, err := Encode(told)
	if err != nil {
		t.Fatal(err)
	}
	wants(t, string(shape), `"fixing": {`, `"followed_run": 1`, `"taken_out": true`,
		`"words": "better at 41 MHz; worse at 2.2 MHz"`,
		`"pairs": 2`, `"difference_shown": true`)
	if len(told.Findings.Points)+len(told.Findings.Bands) > 0 {
		t.Error("onsets of a changing product are told as those of one")
	}
}

// What is told of a random product, of one that changed without hands, and of one that nothing upset is told as that.
func TestALoopTellsWhatIsNotKnown(t *testing.T) {
	random := newLoop(2, map[rf.Frequency]float64{41e6: 72})
	random.spread = 2
	random.expose(60)
	text := lines(random.told().Sections()...)
	wants(t, text, "nothing tried; onset at 41 MHz", "random, the onset is its level of 50 % upsets: it passed",
		"Nothing is in place now, so there is nothing to prove.")

	alone := newLoop(2, map[rf.Frequency]float64{41e6: 72})
	alone.expose(20)
	alone.onset[41e6] = 76
	alone.expose(30)
	wants(t, lines(alone.told().Sections()...), "At 41 MHz the product was noticed at 2026-11-29 11:",
		"to have changed, without hands")

	well := newLoop(2, map[rf.Frequency]float64{41e6: 95})
	well.expose(12)
	well.hands(1, "ferrite", false)
	well.expose(12)
	well.hands(2, "capacitor", false)
	text = lines(well.told().Sections()...)
	wants(t, text, "try 2, capacitor put in: not measured at 41 MHz", "in place: ferrite, capacitor; not closed [warn]",
		"there is nothing to prove yet", "not known yet")
	if row := rowOf(t, text, "tries-run-2", "1 | "); strings.Contains(row, " dB (") ||
		!strings.Contains(row, "not measured") {
		t.Errorf("the gain of a try without an upset before and after: %q", row)
	}
	if row := rowOf(t, text, "tries-run-2", "2 | "); !strings.Contains(row, "not exposed") {
		t.Errorf("a try without an exposure: %q", row)
	}
	if row := rowOf(t, text, "onsets-run-2", "0 | "); !strings.Contains(row, "at least ") {
		t.Errorf("an onset above what may be exposed: %q", row)
	}
}

// What a run goes on with keeps the tries of the one before, whose times are not its own.
func TestALoopThatGoesOnTellsItsTries(t *testing.T) {
	first := newLoop(2, map[rf.Frequency]float64{41e6: 72})
	first.expose(12)
	first.hands(1, "ferrite", false)
	first.onset[41e6] = 76
	first.expose(12)
	second := newLoop(3, first.onset)
	second.r, second.l = result.Run{Number: 3}, nil
	o := first.r.Opened
	o.Resumes, o.Continues = true, 2
	second.add(o)
	at := second.clock
	carried := []event.Event{event.Resumed{Why: "goes on with run 2"}}
	hands := first.r.Fixing
	for _, s := range first.r.Steps {
		for len(hands) > 0 && hands[0].Seq < s.Seq {
			carried, hands = append(carried, hands[0].Event), hands[1:]
		}
		carried = append(carried, event.StepClosed{Step: plan.Step{Number: s.Step.Number, Purpose: s.Step.Purpose,
			Point: s.Step.Point.Point, Offset: s.Step.Offset}, Attempt: 1, Outcome: s.Outcome, Current: s.Current,
			Drive: s.Drive, OnFor: s.OnFor})
	}
	for _, e := range carried { // in one go
		second.clock = at
		second.add(e)
	}
	second.add(event.Watching{Monitors: first.r.Monitors})
	second.expose(12)
	second.hands(2, "ferrite", true)
	second.onset[41e6] = 72
	second.expose(12)
	text := lines(second.told().Sections()...)
	wants(t, rowOf(t, text, "tries-run-3", "1 | "), "in run 2", "ferrite put in", " dB (")
	wants(t, rowOf(t, text, "tries-run-3", "2 | "), "2026-11-29 12:", "ferrite taken out", " dB (")
	wants(t, rowOf(t, text, "effects-run-3", "ferrite"), "+", "better at 41 MHz")
}

// A level of a drive is told in dB of it, and never as a current.
func TestALoopWithoutACurrentIsToldInDecibels(t *testing.T) {
	b := newLoop(2, map[rf.Frequency]float64{41e6: 72})
	o := b.r.Opened
	o.Mode = plan.ConstantDrive
	o.Fixing.At[0].Point.Target, o.Fixing.At[0].Point.Wanted.Current = rf.Current{}, rf.Current{}
	b.r, b.l = result.Run{Number: 2}, nil
	b.add(o)
	for n := range 12 {
		step, _ := b.l.Next()
		upset := step.Offset >= -7.8
		b.add(event.StepClosed{Step: step, Attempt: 1, Drive: rf.DBm(-10).Add(step.Offset),
			Outcome: plan.Outcome{Number: n + 1, Upset: upset, Exposures: 1}})
	}
	text := lines(b.told().Sections()...)
	wants(t, text, "dB of the plan's drive")
	if strings.Contains(text, "dBµA") {
		t.Errorf("a current is told:\n%s", text)
	}
}

type runsOf []result.Run

func (s runsOf) Heads() ([]result.Run, error)      { return s, nil }
func (s runsOf) Attachment(string) ([]byte, error) { return nil, ErrNoBench }
func (s runsOf) Run(n int) (result.Run, error) {
	r, _ := runOf(s, n)
	return r, nil
}

// exposed is a run that exposed the product at 41 MHz, or that only was opened.
func exposed(number int, changed string, again int, upset bool) result.Run {
	b := &loopBench{clock: time.Date(2026, 11, 29, 9, 0, 0, 0, time.UTC).Add(time.Duration(number) * time.Hour)}
	b.r.Number = number
	b.add(event.Opened{RunKind: plan.Exposure, Mode: plan.ClosedLoop, Fixture: "cable", Changed: changed, Again: again,
		Range: 30, Resolution: 0.5, Plan: event.Attachment{Name: "exposure.yaml", SHA256: "b"}})
	step := plan.Step{Number: 1, Point: b.point(41e6), Purpose: plan.Sweep}
	b.add(event.StepClosed{Step: step, Attempt: 1, Current: rf.DBuA(80.1), Drive: rf.DBm(-10),
		Outcome: plan.Outcome{Number: 1, Upset: upset, Exposures: 1}}, event.Safed{Quiet: true},
		event.Closed{Verdict: event.Done})
	return b.r
}

// A loop between two exposures is told and compared with nothing: what is said of the exposures stays as it was.
func TestALoopBetweenTwoExposuresDisturbsNothing(t *testing.T) {
	before, after := exposed(1, "", 0, true), exposed(3, "ferrite", 1, false)
	with := runsOf{before, deterministicLoop().r, after}
	without := runsOf{before, after}
	a, err := Open(with).Compared(1, 3, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	b, err := Open(without).Compared(1, 3, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	tried := "Between them run 2 tried, as in place at its end: ferrite −"
	text := lines(a.Section())
	wants(t, text, tried, "at 41 MHz. A try alone proves nothing.")
	said := regexp.MustCompile("(?m)^Between them .*\n").ReplaceAllString(text, "")
	if plain := lines(b.Section()); said != plain {
		t.Errorf("the comparison is another one:\n%s\n%s", said, plain)
	}
	for _, pair := range [][2]int{{1, 2}, {2, 3}} {
		if _, err := Open(with).Compared(pair[0], pair[1], 0, nil); err == nil ||
			!strings.Contains(err.Error(), "run 2 is a fixing loop") || !strings.Contains(err.Error(), "--again 1") {
			t.Errorf("runs %v are compared: %v", pair, err)
		}
	}
	for _, runs := range []runsOf{with, with[:2]} {
		if n, err := Open(runs).Choose(0); err != nil || n != runs[len(runs)-1].Number && n != 1 {
			t.Errorf("the newest exposure is run %d (%v)", n, err)
		}
	}
	if e, err := Open(with).Evidence(1); err != nil || !slices.Equal(e.Considered, []int{1}) {
		t.Errorf("evidence rests on runs %v (%v)", e.Considered, err)
	}
	j := Job{Runs: with}
	if err := j.Choose(nil, 0, 0); err != nil || j.Before != 1 || j.After != 3 ||
		!slices.Equal(j.Detailed, []int{1, 2, 3}) {
		t.Errorf("the report tells %d, %d, %v (%v)", j.Before, j.After, j.Detailed, err)
	}
	p, err := Tell(j)
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(p.Sections, func(s Section) bool { return s.ID == "run-2" })
	short := lines(p.Sections[i])
	wants(t, short, "tries-run-2", "effects-run-2", "A try alone proves nothing")
	if strings.Contains(short, "followed-run-2") || strings.Contains(short, "To prove it") ||
		strings.Contains(p.Sentence, "ferrite put in") {
		t.Errorf("more than tries and effects is told of the loop:\n%s\n%s", short, p.Sentence)
	}
	same := analysis.Outlines(slices.Concat(with, runsOf{deterministicLoop().r})...)
	if len(analysis.Repeatable(same, same[1].Head)) > 0 {
		t.Error("two loops are taken for repeats of one exposure")
	}
}
