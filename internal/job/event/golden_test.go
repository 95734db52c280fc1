package event_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"testing"
	"time"

	"provoke/internal/job/event"
)

var writeGolden = flag.Bool("write-golden", false,
	"write the golden journal anew; only before the version is published, a published one must never change")

// goldenJournal is a run of version 1 of the format. It must stay readable for ever: when the
// format changes, a second file joins it, and this one stays as it is.
const goldenJournal = "testdata/journal-v1.jsonl"

type line struct {
	Run   int             `json:"run"`
	Seq   int64           `json:"seq"`
	At    string          `json:"at"`
	Kind  string          `json:"kind"`
	Body  json.RawMessage `json:"body"`
	Chain string          `json:"chain"`
}

// goldenLaboratory is a run that holds what a laboratory reported.
const goldenLaboratory = "testdata/laboratory-v1.jsonl"

// goldenByHand is a run of a bench that is set by hand and sweeps by itself, with a trace and a log
// that joined it.
const goldenByHand = "testdata/byhand-v1.jsonl"

func goldenLines(t *testing.T, name string) []line {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	var out []line
	for s := bufio.NewScanner(bytes.NewReader(data)); s.Scan(); {
		var l line
		if err := json.Unmarshal(s.Bytes(), &l); err != nil {
			t.Fatal(err)
		}
		out = append(out, l)
	}
	return out
}

func TestTheGoldenJournalsStayReadable(t *testing.T) {
	for name, want := range map[string][]event.Event{goldenJournal: canned(), goldenLaboratory: cannedLaboratory(),
		goldenByHand: cannedByHand()} {
		t.Run(name, func(t *testing.T) { staysReadable(t, name, want) })
	}
}

func staysReadable(t *testing.T, name string, want []event.Event) {
	if *writeGolden {
		write(t, name, want)
	}
	previous := ""
	lines := goldenLines(t, name)
	if len(lines) != len(want) {
		t.Fatalf("%d records where %d were written", len(lines), len(want))
	}
	for i, l := range lines {
		at, err := event.ParseTime(l.At)
		if err != nil {
			t.Fatal(err)
		}
		if event.ChainHash(previous, l.Run, l.Seq, at, l.Kind, l.Body) != l.Chain {
			t.Errorf("record %d (%s): the chain hash is another", l.Seq, l.Kind)
		}
		previous = l.Chain
		e, err := event.Unmarshal(l.Kind, l.Body)
		if err != nil {
			t.Errorf("record %d: %v", l.Seq, err)
			continue
		}
		for what, e := range map[string]event.Event{"read and written again": e,
			"written from the canned run": want[i]} {
			if _, body, err := event.Marshal(e); err != nil || string(body) != string(l.Body) {
				t.Errorf("record %d (%s) %s:\n%s\nnot\n%s (%v)", l.Seq, l.Kind, what, body, l.Body, err)
			}
		}
	}
}

func write(t *testing.T, name string, events []event.Event) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	at, previous := time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC), ""
	for i, e := range events {
		kind, body, err := event.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		seq := int64(i + 1)
		previous = event.ChainHash(previous, 1, seq, at, kind, body)
		if err := enc.Encode(line{1, seq, event.FormatTime(at), kind, body, previous}); err != nil {
			t.Fatal(err)
		}
		at = at.Add(1234567890 * time.Nanosecond)
	}
	if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

// The value is from sha256sum over the bytes written with printf:
//
//	printf 'provoke journal 1\n\n1\n1\n2026-11-25T09:30:00.000000001Z\nnote\n{"text":"µ"}' | sha256sum
func TestTheChainHashIsTheSHA256OfTheseBytes(t *testing.T) {
	at := time.Date(2026, 11, 25, 10, 30, 0, 1, time.FixedZone("", 3600))
	const want = "b4f986876729deda0c2b77666e0e8cc29c3d17e59f315d02a3f71bdee8e34d93"
	if got := event.ChainHash("", 1, 1, at, "note", []byte(`{"text":"µ"}`)); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// aStep returns the first closed step of the canned run.
func aStep() event.Event {
	for _, e := range canned() {
		if s, ok := e.(event.StepClosed); ok {
			s.Readings[2] = s.Readings[1] // control characters are rare and take the longer way
			return s
		}
	}
	return nil
}

func BenchmarkUnmarshalStepClosed(b *testing.B) {
	kind, body, err := event.Marshal(aStep())
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := event.Unmarshal(kind, body); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkMarshalStepClosed(b *testing.B) {
	e := aStep()
	for b.Loop() {
		if _, _, err := event.Marshal(e); err != nil {
			b.Fatal(err)
		}
	}
}
