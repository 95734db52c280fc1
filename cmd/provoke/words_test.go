package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/terminal"
)

func TestHelpAndVersionAreWordsToo(t *testing.T) {
	for _, pair := range [][2][]string{
		{{"help"}, {"--help"}}, {{"version"}, {"--version"}}, {{"help", "off"}, {"off", "--help"}},
		{{"help", "design", "clamp"}, {"design", "clamp", "--help"}},
	} {
		code, word, _ := journalRun(pair[0]...)
		code2, flag, _ := journalRun(pair[1]...)
		if code != terminal.ExitDone || code2 != terminal.ExitDone || word != flag || word == "" {
			t.Errorf("%q says %q (%d), %q says %q (%d)", pair[0], word, code, pair[1], flag, code2)
		}
	}
	if code, _, errs := journalRun("help", "nonsense"); code != terminal.ExitUsage ||
		!strings.Contains(errs, "nonsense") {
		t.Errorf("%d %q", code, errs)
	}
}

// The list is made of the tables by which the faces read their messages.
func TestTheHelpOfTheSimulatorListsWhatItsInstrumentsUnderstand(t *testing.T) {
	_, out, _ := journalRun("simulate", "--help")
	flat := strings.Join(strings.Fields(out), " ")
	for _, g := range []simbench.Generator{simbench.FunctionGenerator, simbench.SignalGenerator} {
		b := simbench.New(simbench.Config{Generator: g})
		defer b.Close()
		for _, name := range simbench.Names {
			all := b.Commands(name)
			if len(all) == 0 && name != "dut" {
				t.Errorf("%s understands nothing", name)
			}
			for _, c := range all {
				if !strings.Contains(flat, " "+c) {
					t.Errorf("%s understands %s, which the help does not list", name, c)
				}
			}
		}
	}
	// What a person does is told with its parameters, by hand: it must be in the table too.
	b := simbench.New(simbench.Config{})
	defer b.Close()
	hand := strings.NewReplacer("[", "", "]", "").Replace(strings.Join(b.Commands("hand"), " "))
	for _, m := range regexp.MustCompile(`(?m)^    (?:and )?([A-Z][A-Za-z:]+)`).FindAllStringSubmatch(
		new(simulateCommand).Help(), -1) {
		if m[1] = strings.TrimSuffix(m[1], ":"); !strings.Contains(hand, m[1]) {
			t.Errorf("the help tells of %s, which the hand does not understand: %s", m[1], hand)
		}
	}
}

func TestAnAddressThatDoesNotAnswerIsToldOnce(t *testing.T) {
	t.Parallel()
	b := simbench.New(simbench.Config{}) // listens nowhere
	file := strings.NewReplacer("5001", "1", "5002", "2", "5003", "3", "5004", "4", "5005", "5",
		"5006", "6").Replace(string(b.BenchFile()))
	b.Close()
	dir := writeAll(t, map[string]string{"bench.yaml": file})
	var out, said bytes.Buffer
	code := run(&terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: &out, Stderr: &said},
		[]string{"off", filepath.Join(dir, "bench.yaml")})
	errs := said.String()
	if code != terminal.ExitRFUnknown {
		t.Errorf("exit code %d", code)
	}
	for _, address := range regexp.MustCompile(`TCPIP::[0-9.]+::[0-9]+::SOCKET`).FindAllString(errs, -1) {
		if n := strings.Count(errs, address); n > 1 {
			t.Errorf("%s is told %d times:\n%s", address, n, errs)
			break
		}
	}
	if strings.Contains(errs, "dial tcp") {
		t.Errorf("the address is told again in other words:\n%s", errs)
	}
	if !strings.Contains(errs, "source output off, source to minimum, source read back: open source") {
		t.Errorf("what was tried is not told together:\n%s", errs)
	}
}

// Where no instrument has an address nothing can be tried, and nobody waits to be told so.
func TestOffOfAFileWithoutAnAddressIsToldAtOnce(t *testing.T) {
	t.Parallel()
	dir := writeAll(t, map[string]string{"bench.yaml": "provoke: bench 1\nname: nothing in it\nsource: {id: GEN1}\n"})
	begun := time.Now()
	code, said := typed(t.Context(), dir, "", "off", "bench.yaml")
	if took := time.Since(begun); took > 3*time.Second {
		t.Errorf("it took %v", took)
	}
	for _, want := range []string{"RF IS NOT KNOWN TO BE OFF", "names no address of a source, amplifier or analyser",
		"bench.yaml:1:1: the file has no dut"} {
		if code != terminal.ExitRFUnknown || !strings.Contains(strings.Join(strings.Fields(said), " "), want) {
			t.Errorf("exit code %d, it does not say %q:\n%s", code, want, said)
		}
	}
}

func TestARemedyWithoutASpreadHasNoLimits(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"parts.yaml", "cable.yaml", "demo-nizn.csv"} {
		data, err := os.ReadFile(remedyFolder + name)
		if err != nil {
			t.Fatal(err)
		}
		text := regexp.MustCompile(`(?m)^spread:.*\n(?:  .*\n)*`).ReplaceAllString(string(data), "")
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	says(t, terminal.ExitDone, []string{"remedy", remedyFolder + "parts.yaml"}, "nothing of it was measured")
	out := says(t, terminal.ExitDone, []string{"remedy", filepath.Join(dir, "parts.yaml")}, "limits: none",
		"yes, as modelled")
	if strings.Contains(out, "over the whole spread") || strings.Contains(out, "in the middle of the spread") {
		t.Errorf("tells of a spread that there is not:\n%s", out)
	}
	out = says(t, terminal.ExitDone, []string{"remedy", filepath.Join(dir, "parts.yaml"), "--json"},
		`"worst_low_db": null`, `"same_drive_low_db": null`)
	if strings.Contains(out, `"surely": true`) {
		t.Error("nothing is sure without limits")
	}
}
