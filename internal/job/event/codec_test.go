package event_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

func TestEveryKindOfEventIsInTheCannedRun(t *testing.T) {
	seen := map[string]bool{}
	for _, e := range slices.Concat(canned(), cannedLaboratory(), cannedByHand(), cannedImported(), cannedClock(),
		cannedFixing()) {
		seen[e.Kind()] = true
	}
	for _, k := range event.Kinds() {
		if !seen[k] {
			t.Errorf("no %s event in the canned run", k)
		}
	}
}

func TestAnEventIsReadAsItWasWritten(t *testing.T) {
	for _, e := range slices.Concat(canned(), cannedLaboratory(), cannedByHand(), cannedImported(), cannedClock(),
		cannedFixing()) {
		kind, body, err := event.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		back, err := event.Unmarshal(kind, body)
		if err != nil {
			t.Fatal(err)
		}
		_, again, err := event.Marshal(back)
		if err != nil || string(again) != string(body) {
			t.Errorf("%s: written again it is\n%s\nnot\n%s (%v)", kind, again, body, err)
		}
	}
}

func TestWhatIsNotANumberIsNeverWritten(t *testing.T) {
	nan := rf.Gain(math.NaN())
	if _, _, err := event.Marshal(event.Intent{Step: plan.Step{Offset: nan}}); err == nil {
		t.Error("an intent whose offset is not a number was written")
	}
	kind, body, err := event.Marshal(event.StepClosed{
		Outcome:  plan.Outcome{RecoveredAt: &nan},
		Readings: []event.Reading{{Value: math.Inf(1), HasValue: true}},
		Current:  rf.DBuA(math.NaN()),
	})
	if err != nil {
		t.Fatal(err)
	}
	e, err := event.Unmarshal(kind, body)
	if err != nil {
		t.Fatal(err)
	}
	s := e.(event.StepClosed)
	if s.Outcome.RecoveredAt != nil || s.Readings[0].HasValue || !s.Current.Absent() {
		t.Errorf("what is not a number came back as %+v", s)
	}
}

func TestARecordThatCannotBeReadStaysVisible(t *testing.T) {
	for name, c := range map[string]struct{ kind, body string }{
		"unknown kind":    {"warp", `{"factor":9}`},
		"newer version":   {"opened", `{"version":2}`},
		"no version":      {"opened", `{}`},
		"unknown field":   {"note", `{"text":"a","colour":"red"}`},
		"something after": {"note", `{"text":"a"} {}`},
		"not an object":   {"note", `null`},
		"empty":           {"note", ``},
		"a bare number":   {"intent", `{"step":{"point":{"frequency":27}}}`},
		"a wrong unit":    {"step-closed", `{"drive":"3 kg"}`},
		"no unit":         {"step-closed", `{"drive":"3"}`},
		"unknown inside":  {"step-closed", `{"readings":[{"monitor":"a","warp":1}]}`},
	} {
		e, err := event.Unmarshal(c.kind, []byte(c.body))
		if !errors.Is(err, event.ErrUnreadable) {
			t.Errorf("%s: error %v", name, err)
		}
		if u, ok := e.(event.Unknown); !ok || u.KindName != c.kind || string(u.Body) != c.body {
			t.Errorf("%s: the raw record is lost: %#v", name, e)
		}
	}
}
