package recall

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"provoke/internal/job/archive"
	"provoke/internal/tell"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Questions are the names of all questions.
var Questions = []string{"fixes", "upsets", "runs", "versions", "agree", "equipment", "used", "corrected"}

// Question is one question with its filters, as a terminal or a page asks it.
type Question struct {
	Name     string
	Filter   archive.Filter
	Benches  []string // one, or two for agree
	Gain     *rf.Gain // nil for all
	Serial   string
	From, To rf.Frequency
	// Above and Below bound onsets; absent for no end.
	Above, Below rf.Current
	// With is the name of the file with the corrected curve Right.
	With  string
	Right curve.Curve[rf.Transimpedance]
	Now   time.Time
}

// Telling is an answer.
type Telling interface{ Sections() []tell.Section }

func isDay(text string) bool {
	_, err := time.Parse(time.DateOnly, text)
	return text == "" || err == nil
}

// ErrAsked is wrapped where a question cannot be asked like that.
var ErrAsked = errors.New("this cannot be asked")

// Check says what is wrong with a question.
func (q Question) Check() error {
	wrong := func(format string, args ...any) error {
		return fmt.Errorf("%w: "+format, append([]any{ErrAsked}, args...)...)
	}
	agree := q.Name == "agree"
	switch f := q.Filter; {
	case !slices.Contains(Questions, q.Name):
		return wrong("there is no question %q", q.Name)
	case !isDay(f.Since) || !isDay(f.Until):
		return wrong("a day is written like 2026-03-01")
	case q.From > 0 && q.To > 0 && q.From > q.To:
		return wrong("%v lies above %v", q.From, q.To)
	case agree && len(q.Benches) != 2:
		return wrong("agree compares two benches: name both")
	case !agree && len(q.Benches) > 1:
		return wrong("only agree takes two benches")
	case (q.Name == "used" || q.Name == "corrected") && q.Serial == "":
		return wrong("%s asks for a serial number", q.Name)
	case q.Name == "corrected" && q.Right.Absent():
		return wrong("corrected asks for the right curve")
	}
	for _, c := range q.conditions() {
		if !slices.Contains(c.of, q.Name) {
			return wrong("%s does not go by %s: leave out %s", q.Name, c.name, c.words)
		}
	}
	return nil
}

// condition is a filter that is set, in words, and the questions that go by it: a filter that others left unheard would
// make their answer look narrower than it is.
type condition struct {
	name, words string
	of          []string
}

func (q Question) conditions() (out []condition) {
	text := func(name, value string, of []string) {
		if value != "" {
			out = append(out, condition{name, fmt.Sprintf("%s “%s”", name, value), of})
		}
	}
	bound := func(set bool, name string, of []string, format string, value any) {
		if set {
			out = append(out, condition{name, fmt.Sprintf(format, value), of})
		}
	}
	f := q.Filter
	ofRuns := slices.DeleteFunc(slices.Clone(Questions), func(name string) bool { return name == "equipment" })
	changes := []string{"fixes", "upsets", "runs"}
	frequencies := append(slices.Clone(changes), "versions", "agree")
	text("product", f.Product, ofRuns)
	text("version", f.Version, ofRuns)
	text("kind of cable", f.Cable, ofRuns)
	for _, bench := range q.Benches {
		text("bench", bench, ofRuns)
	}
	text("operator", f.Operator, ofRuns)
	text("change", f.Fix, changes)
	text("cause", f.Cause, ofRuns)
	text("words", f.Text, ofRuns)
	bound(q.From > 0, "frequency", frequencies, "frequencies from %v up", q.From)
	bound(q.To > 0, "frequency", frequencies, "frequencies up to %v", q.To)
	bound(q.Above.Known(), "onset", changes[1:], "onsets of at least %v", q.Above)
	bound(q.Below.Known(), "onset", changes[1:], "onsets of at most %v", q.Below)
	if q.Gain != nil {
		bound(true, "gain", changes[:1], "gains of at least %v", *q.Gain)
	}
	bound(f.Since != "", "date", ofRuns, "days from %s on", f.Since)
	bound(f.Until != "", "date", ofRuns, "days up to %s", f.Until)
	text("curve", q.With, []string{"corrected"})
	text("serial number", q.Serial, []string{"equipment", "used", "corrected"})
	return out
}

// Ask asks.
func (q Question) Ask(ctx context.Context, a *archive.Archive) (Telling, error) {
	if err := q.Check(); err != nil {
		return nil, err
	}
	f := q.Filter
	f.Low, f.High, f.LevelLow, f.LevelHigh = max(0, q.From.Hz()), max(0, q.To.Hz()), math.NaN(), math.NaN()
	if q.Above.Known() {
		f.LevelLow = q.Above.In()
	}
	if q.Below.Known() {
		f.LevelHigh = q.Below.In()
	}
	if len(q.Benches) == 1 {
		f.Bench = q.Benches[0]
	}
	var t answered
	var err error
	switch q.Name {
	case "fixes":
		least := math.NaN()
		if q.Gain != nil {
			least = q.Gain.DB()
		}
		t, err = answer(AskFixes(ctx, a, f, least))
	case "upsets":
		t, err = answer(AskFailures(ctx, a, f))
	case "runs":
		t, err = answer(AskRuns(ctx, a, f))
	case "versions":
		t, err = answer(AskVersions(ctx, a, f))
	case "agree":
		t, err = answer(AskAgree(ctx, a, f, [2]string{q.Benches[0], q.Benches[1]}))
	case "equipment":
		t, err = answer(AskRegister(ctx, a, q.Serial, q.Now))
	case "used":
		t, err = answer(AskUses(ctx, a, q.Serial, f))
	default:
		t, err = answer(AskCorrected(ctx, a, q.Serial, q.With, q.Right, f))
	}
	if err != nil {
		return nil, err
	}
	var only []string
	for _, c := range q.conditions() {
		only = append(only, c.words)
	}
	t.askedWith(only)
	return t, nil
}

// answered is an answer that takes the conditions it was asked with.
type answered interface {
	Telling
	askedWith(only []string)
}

func answer[T any, P interface {
	*T
	answered
}](t T, err error) (answered, error) {
	return P(&t), err
}
