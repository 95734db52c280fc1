package main

import (
	"strings"
	"testing"

	"provoke/internal/bench/driver"
	"provoke/internal/terminal"
)

// What the list says is what the decoder does: keys of files that are known to be read, with what is
// required and the defaults of the documents.
func TestKnownKeysAreListed(t *testing.T) {
	for file, want := range map[string][]string{
		"bench": {"source.band *", "amplifier.maximum_input", "clamp.insertion_loss *", "monitors[].silence",
			"cable.maximum_current", "one of: pad, coax, filter, adaptor"},
		"table": {"quirks.acknowledge", "commands of the role power meter", "forward? *", "trace points?",
			"needed with reads: zero span"},
		"plan": {"bench *", "grid[].from", "levelling.window", "0.3 dB", "search.resolution", "dead_man", "2 s",
			"one of: cable, jig50, jig150"},
	} {
		code, out, errs := benchRunOf(1000, "keys", file)
		if code != terminal.ExitDone {
			t.Fatal(errs)
		}
		for _, w := range want {
			if !strings.Contains(out, w) {
				t.Errorf("%s: %q is not in\n%s", file, w, out)
			}
		}
	}
}

func TestABuiltInTableIsPrintedToStartFrom(t *testing.T) {
	code, out, errs := benchRunOf(80, "keys", "--table", "function generator")
	table, list := driver.ParseTable("printed.yaml", []byte(out))
	if code != terminal.ExitDone || list.Err() != nil || table.Name != "function generator" ||
		table.Commands[driver.OutputOff] != "OUTP 0" {
		t.Errorf("exit %d, %v, %+v\n%s", code, list.Err(), table, errs)
	}
	if code, _, errs := benchRunOf(80, "keys", "--table", "toaster"); code == terminal.ExitDone ||
		!strings.Contains(errs, `"signal generator"`) {
		t.Errorf("exit %d: %s", code, errs)
	}
}

func TestAWrongFileOfKeysIsToldTheRightOnes(t *testing.T) {
	if code, _, errs := benchRun("keys", "foo"); code != terminal.ExitUsage ||
		!strings.Contains(errs, `must be one of "bench","plan","laboratory","about","table","cable" but got "foo"`) {
		t.Errorf("exit code %d: %s", code, errs)
	}
}
