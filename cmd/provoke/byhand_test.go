package main

import (
	"bytes"
	"context"
	"regexp"
	"strings"
	"testing"

	"provoke/internal/bench/simbench"
	"provoke/internal/terminal"
)

// handBench is a bench whose only instrument is a generator without a remote interface. It is invented.
const handBench = `provoke: bench 1
name: invented bench
source:
  kind: function generator
  id: GEN1
  by_hand: true
  hardware_off: switch S1 of the socket strip
  band: 100 kHz to 25 MHz
  minimum: 20 mVpp
  maximum: 20 Vpp
  resolution: 0.1 dB
  counts_in: Vpp
  load: high-Z
clamp: {id: CLAMP1, insertion_loss: {flat: 6 dB, band: 100 kHz to 25 MHz}, maximum_forward: 10 W}
cable: {id: W1, maximum_current: 1 A}
dut: {id: DUT1}
monitors: [{id: KEY, kind: operator}]
`

func typedRun(stdin string, args ...string) (int, string) {
	var out bytes.Buffer
	w := &terminal.World{Ctx: context.Background(), Stdin: strings.NewReader(stdin), Stdout: &out, Stderr: &out}
	return run(w, args), out.String()
}

func TestOffAsksForASourceThatNoProgramCanReach(t *testing.T) {
	bench := writeAll(t, map[string]string{"bench.yaml": handBench}) + "/bench.yaml"
	code, out := typedRun("off\n", "off", bench)
	if code != terminal.ExitDone || !strings.Contains(out, "SWITCH RF OFF NOW") ||
		!strings.Contains(out, "switch S1 of the socket strip") || !strings.Contains(out, "by the operator's word") {
		t.Errorf("exit code %d:\n%s", code, out)
	}
	if code, out := typedRun("yes\n", "off", bench); code != terminal.ExitRFUnknown ||
		!strings.Contains(out, "RF not known to be off") {
		t.Errorf("a yes is no off: exit code %d:\n%s", code, out)
	}
}

func TestTryPrintsATranscriptThatPlaysAgain(t *testing.T) {
	b := simbench.New(simbench.Config{})
	defer b.Close()
	if err := b.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	dir := writeAll(t, map[string]string{"bench.yaml": string(b.BenchFile())})
	code, out := typedRun("", "try", dir+"/bench.yaml", "source", "-o", dir+"/source.transcript")
	if code != terminal.ExitDone || strings.Contains(out, "NO ") || !strings.Contains(out, "not tried: it raises RF") {
		t.Fatalf("exit code %d:\n%s", code, out)
	}
	if s := b.State(); s.On || s.Exposures > 0 {
		t.Error("a trial raised RF")
	}
	code, out = typedRun("", "try", dir+"/bench.yaml", "source", "--against", dir+"/source.transcript")
	if code != terminal.ExitDone || !strings.Contains(out, "the table says what the transcript says") {
		t.Errorf("played again: exit code %d:\n%s", code, out)
	}
	code, out = typedRun("", "try", dir+"/bench.yaml", "analyser")
	if code != terminal.ExitDone || !strings.Contains(out, " bytes in all; --output FILE writes them)") ||
		regexp.MustCompile(`[^\n]{400}`).MatchString(out) {
		t.Errorf("a block of data is printed whole, exit code %d:\n%s", code, out)
	}
	if code, out := typedRun("", "try", dir+"/bench.yaml", "toaster"); code != terminal.ExitError ||
		!strings.Contains(out, "amplifier (AMP1)") {
		t.Errorf("exit code %d:\n%s", code, out)
	}
}
