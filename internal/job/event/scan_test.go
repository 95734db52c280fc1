package event

import (
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/job/plan"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// agree fails when the quick reader accepts what the strict one refuses or reads differently.
func agree(t interface{ Errorf(string, ...any) }, kind, body string) (quick bool) {
	e, ok := new(Decoder).quick(kind, body)
	if !ok {
		return false
	}
	slow, err := kinds[kind](body)
	if err != nil || !reflect.DeepEqual(e, slow) {
		t.Errorf("%s\nquick  %+v\nstrict %+v %v", body, e, slow, err)
	}
	return true
}

func anyLevel[U rf.Unit](t *rapid.T, what string) rf.Level[U] {
	l := rf.FromDB[U](rapid.Float64Range(-180, 180).Draw(t, what))
	switch rapid.IntRange(0, 4).Draw(t, what+" kind") {
	case 0:
		return rf.Level[U]{}
	case 1:
		return rf.Off[U]()
	case 2:
		return l.WithBound(rf.AtLeast)
	case 3:
		return l.WithBound(rf.AtMost)
	}
	return l
}

func anyGain(t *rapid.T) rf.Gain { return rf.Gain(rapid.Float64Range(-200, 200).Draw(t, "gain")) }

func anyStep(t *rapid.T) plan.Step {
	return plan.Step{
		Number: rapid.Int().Draw(t, "number"),
		Point: plan.Point{Frequency: rf.Frequency(rapid.Float64Range(1, 1e12).Draw(t, "frequency")),
			Target: anyLevel[rf.Ampere](t, "target"),
			Drive:  anyLevel[rf.Watt](t, "drive"), Ceiling: anyLevel[rf.Watt](t, "ceiling"),
			Wanted: level.Ask{Current: anyLevel[rf.Ampere](t, "wanted"), EMF: anyLevel[rf.Volt](t, "emf"),
				LoopImpedance: rf.Resistance(rapid.Float64Range(0, 1e6).Draw(t, "loop")),
				Interpolated:  rapid.Bool().Draw(t, "interpolated"), Limit: anyLevel[rf.Ampere](t, "limit")}},
		Purpose: rapid.SampledFrom([]plan.Purpose{plan.Sweep, plan.Onset, plan.Recover}).Draw(t, "purpose"),
		Offset:  anyGain(t),
		Descend: rapid.SliceOfN(rapid.Custom(anyGain), 0, 4).Draw(t, "descend"),
	}
}

func anyReading(t *rapid.T) Reading {
	return Reading{
		Monitor: rapid.String().Draw(t, "monitor"), After: rf.Duration(rapid.Int64Range(-1e12, 1e12).Draw(t, "after")),
		Text:  rapid.String().Draw(t, "text"),
		Value: rapid.Float64().Draw(t, "value"), HasValue: rapid.Bool().Draw(t, "has"), Bad: rapid.Bool().Draw(t,
			"bad"), Why: rapid.String().Draw(t, "why"), RFOn: rapid.Bool().Draw(t, "on"),
	}
}

func anyStepClosed(t *rapid.T) StepClosed {
	e := StepClosed{
		Step: anyStep(t), Attempt: rapid.Int().Draw(t, "attempt"),
		Outcome: plan.Outcome{Number: rapid.Int().Draw(t, "n"), Upset: rapid.Bool().Draw(t, "upset"),
			Latched: rapid.Bool().Draw(t, "latched"), Exposures: rapid.Int().Draw(t, "exposures")},
		Drive: anyLevel[rf.Watt](t, "drive"), Current: anyLevel[rf.Ampere](t, "current"),
		Highest: anyLevel[rf.Ampere](t, "highest"), Forward: anyLevel[rf.Watt](t, "forward"),
		Reverse:   anyLevel[rf.Watt](t, "reverse"),
		Predicted: anyLevel[rf.Ampere](t, "predicted"), Means: rapid.String().Draw(t, "means"), Class: RecoversLater,
		RecoveredAfter: rf.Duration(rapid.Int64Range(0, 1e15).Draw(t, "recovered")),
		Readings:       rapid.SliceOfN(rapid.Custom(anyReading), 0, 3).Draw(t, "readings"),
		Limited: rapid.String().Draw(t,
			"limited"), OnFor: rf.Duration(rapid.Int64Range(0, 1e13).Draw(t, "on for")), Note: rapid.String().Draw(t,
			"note"),
		Descent: rapid.SliceOfN(rapid.Custom(func(t *rapid.T) rf.Current { return anyLevel[rf.Ampere](t, "descent") }),
			0, 3).Draw(t, "descent"),
	}
	if rapid.Bool().Draw(t, "has recovered") {
		g := anyGain(t)
		e.Outcome.RecoveredAt = &g
	}
	if rapid.Bool().Draw(t, "is to go lower") {
		g := anyGain(t)
		e.Outcome.Lower = &g
	}
	if rapid.Bool().Draw(t, "is graded") {
		e.Outcome.Graded = &plan.Graded{Onset: anyGain(t), Low: anyGain(t), High: anyGain(t)}
	}
	return e
}

func TestTheQuickReaderAgreesWithTheStrictOneOnEveryStep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		for _, e := range []Event{anyStepClosed(t), Intent{Step: anyStep(t), Attempt: 1}} {
			kind, body, err := Marshal(e)
			if err != nil {
				t.Fatal(err)
			}
			if !agree(t, kind, string(body)) {
				t.Errorf("the quick reader gave up on %s", body)
			}
			back, _ := Unmarshal(kind, body)
			if _, again, err := Marshal(back); err != nil || string(again) != string(body) {
				t.Errorf("written again it is\n%s\nnot\n%s (%v)", again, body, err)
			}
		}
	})
}

func namesOf[T any](fields []field[T]) (names []string) {
	for _, f := range fields {
		names = append(names, strings.Trim(f.name, `":`))
	}
	return names
}

func TestTheQuickReaderKnowsEveryField(t *testing.T) {
	for _, c := range []struct {
		of    any
		names []string
	}{{Intent{}, namesOf(intentFields)}, {plan.Step{}, namesOf(stepFields)}, {plan.Point{}, namesOf(pointFields)},
		{level.Ask{}, namesOf(askFields)}, {plan.Outcome{}, namesOf(outcomeFields)},
		{plan.Graded{}, namesOf(gradedFields)}, {readingJSON{}, namesOf(readingFields)},
		{StepClosed{}, namesOf(closedFields)}} {
		var tags []string
		for _, f := range reflect.VisibleFields(reflect.TypeOf(c.of)) {
			if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); name != "-" {
				tags = append(tags, name)
			}
		}
		if !slices.Equal(tags, c.names) {
			t.Errorf("%T has the fields %q, the quick reader knows %q: without the others it is slow", c.of,
				tags, c.names)
		}
	}
}

func TestTheQuickReaderGivesUpOnWhatMarshalDoesNotWrite(t *testing.T) {
	for _, body := range []string{
		``, `{`, `{}x`, `{"attempt":1,"attempt":2}`, `{"attempt":01}`, `{"attempt":+1}`, `{"attempt":1.}`,
		`{"attempt":1e}`, `{"attempt":.5}`, `{"attempt":99999999999999999999}`,
		`{"attempt":1,}`, `{,"attempt":1}`, `{"step":{"descend":[]}}`, `{"step":{"offset":"1 dB dB"}}`,
		`{"step":{"offset":"0x1p3 dB"}}`, `{"step":{"offset":"inf dB"}}`, `{"step":{"offset":"1_0 dB"}}`,
		`{"step":{"offset":"1e999 dB"}}`, `{"step":{"point":{"frequency":"-1 Hz"}}}`, `{"step":{"purpose":"a` +
			"\n" + `"}}`, `{"step":{"purpose":"` + "\xff" + `"}}`, `{"step":null}`,
		`{"step":{"offset":"` + strings.Repeat("0", 70) + `1 dB"}}`,
	} {
		if e, ok := new(Decoder).quick("intent", body); ok {
			t.Errorf("accepted %q as %+v", body, e)
		}
	}
}

// What a decoder remembers of one record must not show in the next: steps and points that differ in one place, in the
// last one, in their length, or that a damaged record stands between.
func TestWhatARecordSaysDoesNotDependOnTheRecordsBeforeIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var d Decoder
		one, other := anyStep(t), anyStep(t)
		for range rapid.IntRange(2, 12).Draw(t, "records") {
			step := rapid.SampledFrom([]plan.Step{one, other}).Draw(t, "step")
			if rapid.Bool().Draw(t, "point of the other") {
				step.Point = other.Point
			}
			step.Number = rapid.SampledFrom([]int{1, 11, 111}).Draw(t, "number")
			closed := anyStepClosed(t)
			closed.Step = step
			event := rapid.SampledFrom([]Event{Intent{Step: step, Attempt: 1}, closed}).Draw(t, "event")
			kind, body, err := Marshal(event)
			if err != nil {
				t.Fatal(err)
			}
			text := string(body)
			if cut := rapid.IntRange(0, 2*len(text)).Draw(t, "cut"); cut < len(text) {
				text = text[:cut] + rapid.SampledFrom([]string{"", "}", "7", `"`}).Draw(t, "damage") + text[cut:]
			}
			got, err := d.Unmarshal(kind, text)
			want, wantErr := kinds[kind](text)
			if (err == nil) != (wantErr == nil) || err == nil && !reflect.DeepEqual(got, want) {
				t.Fatalf("%s\n%+v %v\nalone it is\n%+v %v", text, got, err, want, wantErr)
			}
		}
	})
}

func TestEventsShareNoList(t *testing.T) {
	step := plan.Step{Number: 1, Purpose: plan.Recover, Descend: []rf.Gain{-1, -2}}
	kind, body, err := Marshal(Intent{Step: step})
	if err != nil {
		t.Fatal(err)
	}
	var d Decoder
	first, _ := d.Unmarshal(kind, string(body))
	second, _ := d.Unmarshal(kind, string(body))
	first.(Intent).Step.Descend[0] = -9
	if got := second.(Intent).Step.Descend; !slices.Equal(got, step.Descend) {
		t.Errorf("a change to one event made %v of the other's offsets", got)
	}
	closed := StepClosed{Readings: []Reading{{Monitor: "m", Text: "1"}}}
	kind, body, err = Marshal(closed)
	if err != nil {
		t.Fatal(err)
	}
	first, _ = d.Unmarshal(kind, string(body))
	second, _ = d.Unmarshal(kind, string(body))
	first.(StepClosed).Readings[0].Text = "9"
	if got := second.(StepClosed).Readings[0].Text; got != "1" {
		t.Errorf("a change to one event's reading made %q of the other's", got)
	}
}

func TestAPlainNumberIsReadLikeAnyOther(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`-?[0-9]{0,9}\.?[0-9]{0,9}`).Draw(t, "text")
		behind := rapid.SampledFrom([]string{"", " dB\"", "-", ",1", "e"}).Draw(t, "behind")
		got, n := plainNumber(text + behind)
		if want, err := strconv.ParseFloat(text, 64); n > 0 && (err != nil || got != want || n != len(text)) {
			t.Errorf("%d bytes of %q read as %v, it is %v (%v)", n, text+behind, got, want, err)
		}
	})
}

func FuzzUnmarshal(f *testing.F) {
	f.Add("note", []byte(`{"text":"a"}`))
	f.Add("closed", []byte(`{"verdict":"done","count":3,"head":"x"}`))
	f.Add("intent",
		[]byte(`{"step":{"step":1,"point":{"frequency":"2.712e+07 Hz","drive":"-27.400000 dBm","ceiling":"-21.400000 dBm"},"purpose":"sweep","offset":"0.0000 dB"},"attempt":1}`))
	f.Add("step-closed",
		[]byte(`{"drive":"-27.1 dBm","current":"at most 79.9 dBµA","means":"a\nb","readings":[{"monitor":"m","after":"-0.1 s","value":1.5e3}],"onFor":"2 s"}`))
	f.Fuzz(func(t *testing.T, kind string, body []byte) {
		agree(t, kind, string(body))
		e, err := Unmarshal(kind, body)
		if err != nil {
			if u, ok := e.(Unknown); !ok || u.KindName != kind || string(u.Body) != string(body) {
				t.Fatalf("the raw record is lost: %#v", e)
			}
			return
		}
		_, first, err := Marshal(e)
		if err != nil {
			return // a value that can be read but is too large to be written again
		}
		back, err := Unmarshal(kind, first)
		if err != nil {
			t.Fatal(err)
		}
		if _, second, err := Marshal(back); err != nil || string(second) != string(first) {
			t.Errorf("written twice it differs:\n%s\n%s (%v)", first, second, err)
		}
	})
}
