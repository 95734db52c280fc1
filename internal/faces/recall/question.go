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
var ErrAsked = errors.New("the question is not whole")

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
	return nil
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
	switch q.Name {
	case "fixes":
		least := math.NaN()
		if q.Gain != nil {
			least = q.Gain.DB()
		}
		return answer(AskFixes(ctx, a, f, least))
	case "upsets":
		return answer(AskFailures(ctx, a, f))
	case "runs":
		return answer(AskRuns(ctx, a, f))
	case "versions":
		return answer(AskVersions(ctx, a, f))
	case "agree":
		return answer(AskAgree(ctx, a, f, [2]string{q.Benches[0], q.Benches[1]}))
	case "equipment":
		return answer(AskRegister(ctx, a, q.Serial, q.Now))
	case "used":
		return answer(AskUses(ctx, a, q.Serial, f))
	}
	return answer(AskCorrected(ctx, a, q.Serial, q.With, q.Right, f))
}

func answer[T Telling](t T, err error) (Telling, error) {
	if err != nil {
		return nil, err
	}
	return t, nil
}
