package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// simulatedBench reads a simulated bench's own bench file, which must be without a problem.
func simulatedBench(t *testing.T, sim *simbench.Bench) *catalog.Bench {
	t.Helper()
	bench, problems := catalog.Parse("simulated.yaml", sim.BenchFile(),
		func(string) ([]byte, error) { return nil, os.ErrNotExist })
	if len(problems) > 0 {
		t.Fatalf("the simulated bench's file has problems:\n%v", problems)
	}
	return bench
}

func TestSimulatedBenchFileIsWithoutProblems(t *testing.T) {
	for _, g := range []simbench.Generator{simbench.FunctionGenerator, simbench.SignalGenerator} {
		for seed := range uint64(5) {
			sim := simbench.New(simbench.Config{Seed: seed, Speed: 20, Generator: g})
			simulatedBench(t, sim)
			sim.Close()
		}
	}
}

// The simulator has its own physics: that the tool's budget agrees with it within what its
// datasheets are off is a check of both.
func TestBudgetAgreesWithTheSimulatedBenchInTheJig(t *testing.T) {
	for _, fixture := range []simbench.Fixture{simbench.Jig50, simbench.Jig150} {
		sim := simbench.New(simbench.Config{Seed: 7, Fixture: fixture, Generator: simbench.SignalGenerator})
		defer sim.Close()
		c := chain.New(simulatedBench(t, sim))
		allowed := 0.5 // dB
		if fixture == simbench.Jig150 {
			allowed = 2.5 // an estimate from the magnitude of the series impedance
		}
		said(t, sim, "amplifier", "OUTP 1;OUTP?")
		for _, hz := range []float64{150e3, 333e3, 1e6, 2.9e6, 11.3e6, 27.12e6, 41e6, 80e6, 99e6} {
			said(t, sim, "source", "FREQ "+strconv.FormatFloat(hz, 'f', 0, 64)+";:POW -12;:OUTP 1;*OPC?")
			p, err := c.Predict(rf.Frequency(hz), rf.DBm(-12), chain.Crest{}, catalog.Fixture(fixture))
			if err != nil {
				t.Fatal(err)
			}
			s := sim.State()
			if d := p.Current.In() - (20*math.Log10(s.Carrier) + 120); math.Abs(d) > allowed {
				t.Errorf("%s at %v: the budget says %v, %.2f dB above the truth", fixture, rf.Frequency(hz),
					p.Current, d)
			}
			if d := p.Forward.In() - s.Forward; math.Abs(d) > 0.3 {
				t.Errorf("%s at %v: forward %v is %.2f dB above the truth", fixture, rf.Frequency(hz), p.Forward, d)
			}
		}
	}
}

// tell sends one message in process and reads one answer.
func said(t *testing.T, sim *simbench.Bench, instrument, message string) string {
	t.Helper()
	conn, err := sim.Dial(context.Background(), instrument)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := io.WriteString(conn, message+"\n"); err != nil {
		t.Fatal(err)
	}
	answer, err := bufio.NewReader(conn).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(answer)
}

func TestSimulateServesUntilInterrupted(t *testing.T) {
	dir := t.TempDir()
	truth, benchOut := filepath.Join(dir, "truth.json"), filepath.Join(dir, "bench.yaml")
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	out, outWriter := io.Pipe()
	var errs bytes.Buffer
	w := &terminal.World{Ctx: ctx, Stdin: strings.NewReader(""), Stdout: outWriter, Stderr: &errs, Now: time.Now}
	done := make(chan int, 1)
	go func() {
		code := run(w, []string{"simulate", "--speed", "30", "--seed", "4", "--truth", truth, "--bench-out", benchOut,
			"--fault", "overrange@powermeter", "--generator", "signal", "--part", "strap"})
		outWriter.Close()
		done <- code
	}()
	printed := bufio.NewReader(out)
	var source string
	var text strings.Builder
	for !strings.Contains(text.String(), "table: interlock") {
		line, err := printed.ReadString('\n')
		if err != nil {
			t.Fatalf("%v after %s%s", err, text.String(), errs.String())
		}
		text.WriteString(line)
		if source == "" && strings.Contains(line, "address:") {
			source = strings.TrimSpace(strings.TrimPrefix(strings.TrimSpace(line), "address:"))
		}
	}
	part := strings.Split(source, "::")
	conn, err := net.Dial("tcp", net.JoinHostPort(part[1], part[2]))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	io.WriteString(conn, "*IDN?\n")
	if line, _ := bufio.NewReader(conn).ReadString('\n'); line != "provoke simulated bench,signal generator,S1,1\n" {
		t.Errorf("*IDN? answers %q", line)
	}
	stop()
	select {
	case code := <-done:
		if code != terminal.ExitDone {
			t.Errorf("exit code %d: %s", code, errs.String())
		}
	case <-time.After(time.Minute):
		t.Fatal("it did not end when it was interrupted")
	}
	for _, name := range simbench.Names {
		if !strings.Contains(errs.String(), name) {
			t.Errorf("the list of sockets lacks %s:\n%s", name, errs.String())
		}
	}
	filed, err := os.ReadFile(benchOut)
	if err != nil || string(filed) != text.String() {
		t.Errorf("the filed bench file differs from the printed one: %v", err)
	}
	var known simbench.Truth
	if data, err := os.ReadFile(truth); err != nil || json.Unmarshal(data, &known) != nil || known.Seed != 4 ||
		len(known.Bands) < 2 || len(known.Parts) != 4 {
		t.Errorf("truth: %v, %+v", err, known)
	}
	for _, p := range known.Parts {
		if p.On != (p.Name == "strap") {
			t.Errorf("%s is on: %v", p.Name, p.On)
		}
	}
}

func TestSimulateBringsUpTheProductAsAskedFor(t *testing.T) {
	const ask = "PART:LIST?;:WAND?;:SPR?;:ONS? 2 MHZ"
	b, err := (&simulateCommand{Speed: 1, Part: []string{"clip-on"}, Wander: 1.5, Spread: 2}).made()
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if got, want := said(t, b, "hand", ask), `"ferrite",0,"capacitor",0,"strap",0,"clip-on",1;1.500000000E+00;`+
		`2.000000000E+00;`; !strings.HasPrefix(got, want) {
		t.Errorf("%s answers %s, want %s", ask, got, want)
	}
}

func TestSimulateRefusesWhatCannotBe(t *testing.T) {
	for _, args := range [][]string{
		{"--fault", "deaf@toaster"}, {"--fault", "highz@meter"}, {"--speed", "0"}, {"--fixture", "table"},
		{"--part", "toaster"}, {"--wander", "21"}, {"--spread", "-1"}, {"--wander", "NaN"},
	} {
		var errs bytes.Buffer
		w := &terminal.World{Ctx: context.Background(), Stdin: strings.NewReader(""), Stdout: io.Discard, Stderr: &errs,
			Now: time.Now}
		if code := run(w, append([]string{"simulate"}, args...)); code != terminal.ExitUsage {
			t.Errorf("%v: exit code %d, want %d: %s", args, code, terminal.ExitUsage, errs.String())
		}
	}
}

func TestSimulateServesTheTransportsAskedFor(t *testing.T) {
	for _, c := range []struct {
		args          []string
		want, listing []string
	}{
		{[]string{"--transport", "hislip"}, []string{"::hislip0,"}, []string{"::hislip0,", "SOCKET"}},
		{[]string{"--transport", "raw,vxi11", "--address", "vxi11", "--mapper", "40111"},
			[]string{"TCPIP::127.0.0.1:40111::inst0::INSTR"},
			[]string{"::SOCKET", ":40111::inst2::INSTR", "the port mapper listens on port 40111"}},
	} {
		ctx, stop := context.WithCancel(context.Background())
		var out, errs bytes.Buffer
		w := &terminal.World{Ctx: ctx, Stdin: strings.NewReader(""), Stdout: &out, Stderr: &errs, Now: time.Now}
		stop()
		if code := run(w, append([]string{"simulate"}, c.args...)); code != terminal.ExitDone {
			t.Fatalf("%v: exit code %d: %s", c.args, code, errs.String())
		}
		if _, list := catalog.Parse("bench.yaml", out.Bytes(), nil); list.Err() != nil {
			t.Errorf("%v: %v", c.args, list.Err())
		}
		for _, want := range c.want {
			if !strings.Contains(out.String(), want) {
				t.Errorf("%v: the bench file lacks %q", c.args, want)
			}
		}
		for _, want := range c.listing {
			if !strings.Contains(errs.String(), want) {
				t.Errorf("%v: the listing lacks %q:\n%s", c.args, want, errs.String())
			}
		}
	}
	var errs bytes.Buffer
	w := &terminal.World{Ctx: context.Background(), Stdin: strings.NewReader(""), Stdout: io.Discard, Stderr: &errs,
		Now: time.Now}
	if code := run(w, []string{"simulate", "--transport", "raw", "--address", "hislip"}); code == terminal.ExitDone ||
		!strings.Contains(errs.String(), "not served") {
		t.Errorf("exit code %d: %s", code, errs.String())
	}
}
