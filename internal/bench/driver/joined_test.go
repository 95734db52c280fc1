package driver_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/scpi"
	"provoke/internal/bench/simbench"
	"provoke/internal/units/rf"
)

// exchanges are what goes on with each instrument in a run, of which every one asks more than one question.
var exchanges = []struct {
	instrument, what string
	do               func(context.Context, *driver.Rig) error
}{
	{"source", "its state", func(ctx context.Context, r *driver.Rig) error {
		_, err := r.Source.State(ctx)
		return err
	}},
	{"source", "a level", func(ctx context.Context, r *driver.Rig) error {
		return driver.ApplySetting(ctx, r.Source, guard.Setting{Frequency: 10 * rf.Megahertz, Level: rf.DBm(-39)})
	}},
	{"source", "a lower level", func(ctx context.Context, r *driver.Rig) error {
		return r.Source.Lower(ctx, rf.DBm(-41))
	}},
	{"analyser", "a reading", func(ctx context.Context, r *driver.Rig) error {
		_, err := r.Analyser.Read(ctx)
		return err
	}},
	{"powermeter", "a reading", func(ctx context.Context, r *driver.Rig) error {
		_, _, err := r.PowerMeter.Read(ctx, 10*rf.Megahertz)
		return err
	}},
}

// joinedRig is a rig that has done every exchange once, so that the next ones say as little as possible.
func joinedRig(t *testing.T, b *simbench.Bench, o driver.Options) *driver.Rig {
	t.Helper()
	spec := bench(b)
	o.Dial = func(ctx context.Context, address string) (io.ReadWriteCloser, error) { return b.Dial(ctx, address) }
	r, err := driver.OpenBench(t.Context(), spec, o)
	must(t, err)
	t.Cleanup(func() { r.Close() })
	must(t, r.Analyser.Setup(t.Context(), driver.AnalyserSetup{Frequency: 10 * rf.Megahertz, Bandwidth: rf.Kilohertz}))
	must(t, driver.ApplySetting(t.Context(), r.Source, guard.Setting{Frequency: 10 * rf.Megahertz, Level: rf.DBm(-40)}))
	for _, x := range exchanges {
		must(t, x.do(t.Context(), r))
	}
	must(t, driver.ApplySetting(t.Context(), r.Source, guard.Setting{Frequency: 10 * rf.Megahertz, Level: rf.DBm(-40)}))
	return r
}

// oneByOne returns the built-in tables for instruments that take one setting in a message; joined ones still take
// several questions.
func oneByOne(joined bool) []driver.Table {
	tables := driver.BuiltIn()
	for i := range tables {
		tables[i].OneCommandALine, tables[i].JoinedQuestions = true, joined
	}
	return tables
}

// Whatever an instrument answers to questions that were asked together, with one missing or in another order
// it is no answer.
func TestAnswersToJoinedQuestionsThatAreNotOneForEachAreNoAnswer(t *testing.T) {
	for name, tables := range map[string][]driver.Table{"whole messages": nil, "joined questions": oneByOne(true)} {
		for _, kind := range []simbench.FaultKind{simbench.FaultFirstOnly, simbench.FaultReversed,
			simbench.FaultErrorWithin} {
			for _, x := range exchanges {
				t.Run(name+"/"+string(kind)+"/"+x.instrument+"/"+x.what, func(t *testing.T) {
					b := newBench(t, simbench.Config{})
					r := joinedRig(t, b, driver.Options{Tables: tables})
					must(t, b.Inject(x.instrument, simbench.Fault{Kind: kind, Only: "?;", Times: 1}))
					err := x.do(t.Context(), r)
					var refused *scpi.InstrumentError
					if !errors.Is(err, scpi.ErrGarbage) && !errors.As(err, &refused) {
						t.Errorf("%v", err)
					}
					if x.what != "a lower level" { // which is one no more
						must(t, x.do(t.Context(), r))
					}
				})
			}
		}
	}
}

// Off that is answered by too few, or in another order, is said again, and never taken for granted.
func TestOffIsReadBackWithJoinedQuestionsToo(t *testing.T) {
	for _, kind := range []simbench.FaultKind{simbench.FaultFirstOnly, simbench.FaultReversed, simbench.FaultError} {
		for times, goes := range map[int]bool{1: true, 0: kind == simbench.FaultFirstOnly} {
			b := newBench(t, simbench.Config{})
			r := joinedRig(t, b, driver.Options{Tables: oneByOne(true)})
			must(t, driver.ApplySetting(t.Context(), r.Source, guard.Setting{Frequency: 10 * rf.Megahertz,
				Level: rf.DBm(-40), Output: true}))
			only := "?;"
			if kind == simbench.FaultError {
				only = "OUTP"
			}
			must(t, b.Inject("source", simbench.Fault{Kind: kind, Only: only, Times: times}))
			err := r.Source.OutputOff(t.Context())
			if on := b.State().On; err == nil && on {
				t.Errorf("%s, %d times: said to be off and is on", kind, times)
			} else if goes && err != nil {
				t.Errorf("%s, %d times: %v", kind, times, err)
			}
		}
	}
}

// An instrument that takes one setting in a message never hears two, nor a setting beside a question.
func TestJoinedQuestionsLeaveSettingsAlone(t *testing.T) {
	b := newBench(t, simbench.Config{})
	k := &talk{}
	joinedRig(t, b, driver.Options{Tables: oneByOne(true), Trace: k.hear})
	together := 0
	for _, m := range k.sent() {
		units := strings.Split(m, ";")
		asks := 0
		for _, u := range units {
			if strings.HasSuffix(u, "?") {
				asks++
			}
		}
		if asks < len(units) && len(units) > 1 {
			t.Errorf("a setting is not alone: %q", m)
		}
		if asks > 1 {
			together++
		}
		if asks > 1 && !strings.HasSuffix(m, "SYST:ERR?") {
			t.Errorf("nothing tells that the answers are in their order: %q", m)
		}
	}
	if together < len(exchanges) {
		t.Errorf("%d messages of several questions", together)
	}
}

// The key is for an instrument that takes less than whole messages, and whose answers can be told to be in order.
func TestJoinedQuestionsAreRefusedWhereTheyWouldDoNothingOrCouldNotBeChecked(t *testing.T) {
	const table = "provoke: commands 1\nname: pair\nrole: power meter\n" +
		"commands: {forward?: \"A?\", reverse?: \"B?\"}\nquirks: {joined_questions: true%s}\n"
	for quirks, good := range map[string]bool{
		"": false, ", delay: 1 s": false, ", one_command_a_line: true": true, ", acknowledge: OK": true,
		", one_command_a_line: true, no_error_queue: true": false, ", one_command_a_line: true, echo: true": false,
		`, acknowledge: OK, prompt: "> "`: false,
	} {
		_, list := driver.ParseTable("table.yaml", fmt.Appendf(nil, table, quirks))
		if err := list.Err(); (err == nil) != good || err != nil && !strings.Contains(err.Error(), "joined_questions") {
			t.Errorf("%q: %v", quirks, err)
		}
	}
}
