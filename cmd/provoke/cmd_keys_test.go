package main

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"provoke/internal/bench/driver"
	"provoke/internal/terminal"
)

var updateKeys = flag.Bool("update-keys", false, "rewrite docs/files.md")

func TestThePageOfKeysIsWhatTheDecodersTake(t *testing.T) {
	const file = "../../docs/files.md"
	if *updateKeys {
		if err := os.WriteFile(file, []byte(keysPage()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(data) != keysPage() {
		t.Errorf("docs/files.md is stale: go test ./cmd/provoke -run TestThePageOfKeys -update-keys")
	}
}

func TestEveryKeySaysWhatItMeans(t *testing.T) {
	for _, f := range keyedFiles() {
		n := 0
		for _, s := range f.Sections {
			for _, k := range s.Keys {
				n++
				if k.Means == "" || k.Takes == "" {
					t.Errorf("%s file: %s takes %q and means %q", f.Name, k.Key, k.Takes, k.Means)
				}
			}
		}
		if n < 8 {
			t.Errorf("%s file: only %d keys", f.Name, n)
		}
	}
}

// What the list says is what the decoder does: keys of files that are known to be read, with what is
// required and the defaults of the documents.
func TestKnownKeysAreListed(t *testing.T) {
	for file, want := range map[string][]string{
		"bench": {"source.band *", "amplifier.maximum_input", "clamp.insertion_loss *", "monitors[].silence", "cable.maximum_current", "one of: pad, coax, filter, adaptor"},
		"table": {"quirks.acknowledge", "commands of the role power meter", "forward? *", "trace points?", "needed with reads: zero span"},
		"plan":  {"bench *", "grid[].from", "levelling.window", "0.3 dB", "search.resolution", "dead_man", "2 s", "one of: cable, jig50, jig150"},
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
	if code != terminal.ExitDone || list.Err() != nil || table.Name != "function generator" || table.Commands[driver.OutputOff] != "OUTP 0" {
		t.Errorf("exit %d, %v, %+v\n%s", code, list.Err(), table, errs)
	}
	if code, _, errs := benchRunOf(80, "keys", "--table", "toaster"); code == terminal.ExitDone || !strings.Contains(errs, `"signal generator"`) {
		t.Errorf("exit %d: %s", code, errs)
	}
}

func TestAWrongFileOfKeysIsToldTheRightOnes(t *testing.T) {
	if code, _, errs := benchRun("keys", "foo"); code != terminal.ExitUsage || !strings.Contains(errs, `must be one of "bench","plan","laboratory","about","table","cable" but got "foo"`) {
		t.Errorf("exit code %d: %s", code, errs)
	}
}

// keysPage is docs/files.md.
func keysPage() string {
	var b strings.Builder
	b.WriteString("# The keys of the files\n\nMade from what the decoders take (`provoke keys` prints the same; a test fails when this page is stale). " +
		"Files are YAML, read strictly: a key that is\nnot listed is refused, and so is a number without its unit. Prefixes go with units (kHz, mA, ms). " +
		"A list has `[]` behind its name, a mapping of names `.NAME`.\nRequired means: where what holds it stands in the file. `provoke new DIR` writes commented files to begin with.\n")
	for _, f := range keyedFiles() {
		fmt.Fprintf(&b, "\n## %s file\n\nIts first line is `%s`.\n", strings.ToUpper(f.Name[:1])+f.Name[1:], f.First)
		for _, s := range f.Sections {
			if len(f.Sections) > 1 {
				fmt.Fprintf(&b, "\n### %s\n", strings.ToUpper(s.Title[:1])+s.Title[1:])
			}
			b.WriteString("\n| key | takes | required | default | means |\n| --- | --- | --- | --- | --- |\n")
			for _, k := range s.Keys {
				required := ""
				if k.Required {
					required = "yes"
				}
				fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s |\n", k.Key, inCell(k.Takes), required, inCell(k.byDefault()), inCell(k.Means))
			}
		}
	}
	return b.String()
}

func inCell(s string) string { return strings.ReplaceAll(s, "|", `\|`) }
