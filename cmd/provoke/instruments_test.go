package main

import (
	"os"
	"strings"
	"testing"

	"provoke/internal/bench/driver"
	"provoke/internal/files/catalog"
	"provoke/internal/job/plan"
)

// Every example of docs/instruments.md is read as a user's file would be.
func TestTheExamplesOfTheInstrumentsPageAreRead(t *testing.T) {
	doc, err := os.ReadFile("../../docs/instruments.md")
	if err != nil {
		t.Fatal(err)
	}
	read := map[string]int{}
	for i, part := range strings.Split(string(doc), "```yaml\n") {
		if i == 0 {
			continue
		}
		text, _, _ := strings.Cut(part, "```")
		var err error
		kind, _, _ := strings.Cut(text, "\n")
		switch kind {
		case "provoke: commands 1":
			_, list := driver.ParseTable("example.yaml", []byte(text))
			err = list.Err()
		case "provoke: sweep 1":
			_, list := plan.ParseFreeSweep("example.yaml", []byte(text))
			err = list.Err()
		case "monitors:":
			bench := strings.Replace(traceBench, "monitors:\n  - {id: KEY, kind: operator}\n", text, 1)
			_, list := catalog.Parse("example.yaml", []byte(bench), nil)
			err = list.Err()
		default:
			t.Errorf("an example begins %q", kind)
		}
		read[kind]++
		if err != nil {
			t.Errorf("%s\n%v", kind, err)
		}
	}
	if len(read) != 3 {
		t.Errorf("read %v", read)
	}
}
