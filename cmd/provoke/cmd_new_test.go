package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"provoke/internal/files/document"
	"provoke/internal/terminal"
)

func TestTheExamplesOfTheModelsAreReadAsTheyStand(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "models")
	if code, _, errs := benchRun("new", dir, "--models"); code != terminal.ExitDone {
		t.Fatal(errs)
	}
	at := func(name string) string { return filepath.Join(dir, name) }
	for _, args := range [][]string{{"cable", at("cable.yaml")}, {"decoupling", at("decoupling.yaml")},
		{"remedy", at("parts.yaml")}, {"design", "clamp", at("clamp.yaml")}} {
		if code, out, errs := benchRun(args...); code != terminal.ExitDone || len(out) < 200 {
			t.Errorf("%v: exit code %d\n%s%s", args, code, out, errs)
		}
	}
	if code, _, _ := benchRun("new", dir, "--models"); code != terminal.ExitError {
		t.Error("the examples were written over")
	}
}

func TestNewFilesHaveOneProblemForEachBlank(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "my bench")
	code, out, errs := benchRun("new", dir)
	if code != terminal.ExitDone || !strings.Contains(out, "bench.yaml") {
		t.Fatalf("exit code %d\n%s%s", code, out, errs)
	}
	data, err := os.ReadFile(filepath.Join(dir, "bench.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	_, _, errs = benchRun("bench", filepath.Join(dir, "bench.yaml"))
	var blank, other []string
	for _, line := range strings.Split(errs, "\n") {
		switch {
		case strings.Contains(line, "is still blank"):
			blank = append(blank, line)
		case strings.Contains(line, "warning: the bench has no interlock"), strings.Contains(line,
			"warning: clamp has no return_loss"):
			// what the template leaves out, and says
		case strings.Contains(line, "bench.yaml:"):
			other = append(other, line)
		}
	}
	if want := strings.Count(string(data), ": "+document.Blank); len(blank) != want || want < 20 || want > 25 ||
		len(other) > 0 {
		t.Errorf("%d blanks told of %d, and %v", len(blank), want, other)
	}
}

// filled fills the blanks of the template as a person would.
var filled = strings.NewReplacer(
	"address: FILL IN                   # for example TCPIP::192.168.1.22", "address: TCPIP::10.0.0.7::5025::SOCKET # ",
	"name: FILL IN", "name: mine", "description: FILL IN", "description: mine", "port: FILL IN", "port: X1",
	"address: FILL IN  ", "address: TCPIP::10.0.0.5::5025::SOCKET  ", "address: FILL IN\n  table: analyser",
	"address: TCPIP::10.0.0.6::5025::SOCKET\n  table: analyser",
	"band: FILL IN                      # for example 1 kHz", "band: 1 kHz to 80 MHz # ", "minimum: FILL IN",
	"minimum: 2 mVpp", "maximum: FILL IN", "maximum: 10 Vpp",
	"load: FILL IN", "load: high-Z", "loss: FILL IN                    # for example 20 dB", "loss: 20 dB #",
	"loss: FILL IN", "loss: 0.5 dB",
	"maximum_power: FILL IN", "maximum_power: 1 W", "band: FILL IN", "band: 100 kHz to 100 MHz",
	"gain: FILL IN", "gain: 40 dB", "compression: FILL IN", "compression: 37 dBm", "saturation: FILL IN",
	"saturation: 39 dBm",
	"reflected_limit: FILL IN", "reflected_limit: 39 dBm", "insertion_loss: FILL IN",
	"insertion_loss: {points: {150 kHz: 20.6 dB, 80 MHz: 9.6 dB}}",
	"maximum_forward: FILL IN", "maximum_forward: 10 W", "maximum_current: FILL IN           # cap",
	"maximum_current: 300 mA #", "maximum_current: FILL IN", "maximum_current: 1 A",
	"transfer_impedance: FILL IN", "transfer_impedance: {points: {150 kHz: 4.8 Ω, 80 MHz: 5 Ω}}",
	"maximum_input: FILL IN             # at the envelope's crest: 0", "maximum_input: 0 dBm # 0",
	"maximum_input: FILL IN", "maximum_input: 20 dBm",
	"return_loss: FILL IN", "return_loss: {points: {150 kHz: 1 dB, 80 MHz: 3 dB}}",
	"mixer_limit: FILL IN", "mixer_limit: -10 dBm", "bandwidths: FILL IN", "bandwidths: [1 kHz]", "floor: FILL IN",
	"floor: -110 dBm",
)

func TestNewFilesFilledInAreABenchAndAPlan(t *testing.T) {
	dir := t.TempDir()
	if code, _, errs := benchRun("new", dir); code != terminal.ExitDone {
		t.Fatal(errs)
	}
	bench, plan := filepath.Join(dir, "bench.yaml"), filepath.Join(dir, "plan.yaml")
	data, err := os.ReadFile(bench)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(bench, []byte(filled.Replace(string(data))), 0o644); err != nil {
		t.Fatal(err)
	}
	code, out, errs := benchRun("bench", bench)
	doubts := func(text string) bool { // beyond what the template leaves out, and says
		for _, known := range []string{"warning: the bench has no interlock", "warning: clamp has no return_loss"} {
			text = strings.Replace(text, known, "", 1)
		}
		return strings.Contains(text, "warning")
	}
	if code != terminal.ExitDone || doubts(out+errs) {
		t.Fatalf("exit code %d\n%s%s", code, out, errs)
	}
	code, out, errs = benchRun("budget", bench, plan)
	if code != terminal.ExitDone || !strings.Contains(out, "80.0 dBµA") {
		t.Errorf("exit code %d\n%s%s", code, out, errs)
	}
	code, out, errs = benchRun("plan", plan)
	if code != terminal.ExitDone && code != terminal.ExitRefused || doubts(out+errs) {
		t.Errorf("exit code %d\n%s%s", code, out, errs)
	}
}

func TestNewNeverWritesOverAFile(t *testing.T) {
	dir := t.TempDir()
	mine := filepath.Join(dir, "plan.yaml")
	if err := os.WriteFile(mine, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	code, _, errs := benchRun("new", dir)
	data, _ := os.ReadFile(mine)
	if code != terminal.ExitError || !strings.Contains(errs, "nothing was written") || string(data) != "mine" {
		t.Errorf("exit code %d, %s", code, errs)
	}
	if _, err := os.Stat(filepath.Join(dir, "bench.yaml")); err == nil {
		t.Error("a bench file was written beside it")
	}
}
