package simbench

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// program finds an outside program, or skips; where CI is set a missing one fails.
func program(t *testing.T, name string, probe ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil && len(probe) > 0 {
		err = exec.Command(path, probe...).Run()
	}
	if err == nil {
		return path
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("outside check needs %s %s: %v", name, strings.Join(probe, " "), err)
	}
	t.Skipf("outside check skipped: %s %s: %v", name, strings.Join(probe, " "), err)
	return ""
}

func TestOutsideLxiToolsTalkToEveryFace(t *testing.T) {
	lxi := program(t, "lxi")
	b := open(t, Config{Seed: 5})
	if err := b.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	say := func(name, message string) string {
		part := strings.Split(b.Address(name), "::")
		out, err := exec.Command(lxi, "scpi", "-a", part[1], "-p", part[2], "--raw", message).CombinedOutput()
		if err != nil {
			t.Errorf("lxi to %s: %v: %s", name, err, out)
		}
		return strings.TrimSpace(string(out))
	}
	for _, name := range Names[:len(Names)-1] {
		if got := say(name, "*IDN?"); !strings.HasPrefix(got, "provoke simulated bench,") {
			t.Errorf("%s says it is %q", name, got)
		}
	}
	say("source", "FREQ 27.12 MHZ;:VOLT 0.6;:AM:DEPT 80;STAT 1")
	if got := say("source", "FREQ?;VOLT?;AM:STAT?"); !sameAnswer(got, "27.12E6;0.6;1") {
		t.Errorf("read back %q", got)
	}
	say("source", "VOLT 11")
	if got := say("source", "SYST:ERR?"); got != `-222,"Data out of range"` {
		t.Errorf("error queue %q", got)
	}
}

const pyvisaScript = `
import sys, pyvisa
rm = pyvisa.ResourceManager('@py')
def open(name):
    r = rm.open_resource(name, read_termination='\n', write_termination='\n', timeout=3000)
    return r
source, amplifier, analyser = [open(a) for a in sys.argv[1:4]]
print(source.query('*IDN?'))
source.write('OUTP:LOAD 50;:VOLT:UNIT VPP;:FREQ 10E6;:VOLT 0.2;:OUTP 1')
print(source.query_ascii_values('VOLT?')[0], source.query('SYST:ERR?'))
amplifier.write('OUTP 1')
assert amplifier.query('OUTP?') == '1'
analyser.write('INIT:CONT OFF;:FREQ:CENT 10E6;SPAN 1E6;:BAND 10E3;:SWE:POIN 1001;:FORM REAL,32')
for i in range(20):
    trace = analyser.query_binary_values('INIT;:TRAC? TRACE1', datatype='f', is_big_endian=True)
    assert len(trace) == 1001, len(trace)
analyser.write('FORM ASC')
text = analyser.query_ascii_values('TRAC? TRACE1')
assert len(text) == 1001 and max(abs(a - b) for a, b in zip(text, trace)) < 1e-3
print(trace.index(max(trace)), max(trace), analyser.query_ascii_values('CALC:MARK:MAX;:CALC:MARK:Y?')[0])
`

func TestOutsidePyvisaDrivesSourceAndAnalyserWithABinaryBlock(t *testing.T) {
	python := program(t, "/usr/bin/python3", "-c", "import pyvisa, pyvisa_py")
	b := open(t, Config{Seed: 5, Fixture: Jig50})
	if err := b.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(python, "-c", pyvisaScript, b.Address("source"), b.Address("amplifier"),
		b.Address("analyser")).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != 3 || lines[0] != "provoke simulated bench,function generator,S1,1" || lines[1] != "0.2 "+noError {
		t.Fatalf("pyvisa saw %q", lines)
	}
	// the line stands in the middle of the trace
	if !strings.HasPrefix(lines[2], "500 ") {
		t.Errorf("pyvisa saw the carrier at %q, want point 500", lines[2])
	}
}
