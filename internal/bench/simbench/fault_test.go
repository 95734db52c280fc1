package simbench

import (
	"context"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// faulty runs a test of one fault in a bubble where time is fake.
func faulty(t *testing.T, fault string, f func(t *testing.T, b *Bench)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := New(Config{Fixture: Jig50})
		defer b.Close()
		x, err := ParseFault(fault)
		if err == nil {
			err = b.Inject(x.Instrument, x)
		}
		if err != nil {
			t.Fatal(err)
		}
		f(t, b)
	})
}

func (b *Bench) outputOn() bool { return b.State().On }

func TestDeafHearsNothing(t *testing.T) {
	faulty(t, "deaf@source", func(t *testing.T, b *Bench) {
		c := dial(t, b, "source")
		if !c.quietly("OUTP 1;OUTP?", time.Minute) || b.outputOn() {
			t.Error("a deaf source acted or answered")
		}
	})
}

func TestSilentActsOnSettingsOnly(t *testing.T) {
	faulty(t, "silent@source", func(t *testing.T, b *Bench) {
		c := dial(t, b, "source")
		c.send("OUTP 1")
		if !c.quietly("OUTP?", time.Minute) || !b.outputOn() {
			t.Error("a silent source must act on OUTP 1 and not answer OUTP?")
		}
	})
}

func TestActsNoAnswer(t *testing.T) {
	faulty(t, "acts-no-answer@source", func(t *testing.T, b *Bench) {
		if !dial(t, b, "source").quietly("OUTP 1;OUTP?", time.Minute) || !b.outputOn() {
			t.Error("it must act and not answer")
		}
	})
}

func TestLateActsAtOnceAndAnswersLater(t *testing.T) {
	faulty(t, "late@source:delay=700ms", func(t *testing.T, b *Bench) {
		c := dial(t, b, "source")
		began := time.Now()
		c.send("OUTP 1;OUTP?")
		synctest.Wait()
		if !b.outputOn() {
			t.Error("it must act at once")
		}
		if got, _ := c.in.ReadString('\n'); got != "1\n" || time.Since(began) != 700*time.Millisecond {
			t.Errorf("answer %q after %v", got, time.Since(began))
		}
	})
}

func TestActsLateAnswersAtOnceAndActsLater(t *testing.T) {
	faulty(t, "acts-late@source:delay=700ms", func(t *testing.T, b *Bench) {
		c := dial(t, b, "source")
		if got := c.ask("OUTP 1;*OPC?"); got != "1" || b.outputOn() {
			t.Errorf("answer %q, output on %v", got, b.outputOn())
		}
		time.Sleep(701 * time.Millisecond)
		if !b.outputOn() {
			t.Error("it must act after its delay")
		}
	})
}

func TestErrorRefusesEverySettingIntoTheQueue(t *testing.T) {
	faulty(t, "error@source", func(t *testing.T, b *Bench) {
		if got := dial(t, b, "source").ask("OUTP 1;:SYST:ERR?"); got != `-310,"System error"` || b.outputOn() {
			t.Errorf("answer %q, output on %v", got, b.outputOn())
		}
	})
}

func TestGarbageAnswersNoNumber(t *testing.T) {
	faulty(t, "garbage@analyser:after=1", func(t *testing.T, b *Bench) {
		c := dial(t, b, "analyser")
		if got := c.ask("*OPC?"); got != "1" {
			t.Errorf("the message before the fault answers %q", got)
		}
		if got := c.ask("READ:POW?"); !strings.Contains(got, "garbage") {
			t.Errorf("answer %q", got)
		}
	})
}

func TestClosesEndsTheConnection(t *testing.T) {
	faulty(t, "closes@meter:after=2", func(t *testing.T, b *Bench) {
		c := dial(t, b, "meter")
		c.number("READ?")
		c.number("READ?")
		c.send("READ?")
		if _, err := c.in.ReadByte(); err == nil {
			t.Error("the connection lives on")
		}
	})
}

func TestRebootLosesSettingsAndConnectionsOnce(t *testing.T) {
	faulty(t, "reboots@source:after=1", func(t *testing.T, b *Bench) {
		c, other := dial(t, b, "source"), dial(t, b, "source")
		c.ask("OUTP 1;OUTP?")
		c.send("OUTP?")
		for _, x := range []*client{c, other} {
			if _, err := x.in.ReadByte(); err == nil {
				t.Error("a connection lives on")
			}
		}
		again := dial(t, b, "source")
		if got := again.ask("OUTP?"); got != "0" {
			t.Errorf("output %s after a reboot", got)
		}
		if got := again.ask("*ESR?"); got != "128" { // power on
			t.Errorf("event status %s after a reboot", got)
		}
	})
}

func TestOverrangeAnswersTheMarkOfSCPI(t *testing.T) {
	faulty(t, "overrange@powermeter", func(t *testing.T, b *Bench) {
		if got := dial(t, b, "powermeter").ask("SENS:FREQ 1E6;:READ1?;*OPC?"); got != "9.9E37;1" {
			t.Errorf("answer %q", got)
		}
	})
}

func TestOnlyLimitsAFaultToSomeMessages(t *testing.T) {
	faulty(t, "silent@source:only=volt", func(t *testing.T, b *Bench) {
		c := dial(t, b, "source")
		if got := c.ask("OUTP?"); got != "0" {
			t.Errorf("answer %q", got)
		}
		if !c.quietly("VOLT?", time.Minute) {
			t.Error("VOLT? was answered")
		}
	})
}

func TestAbsentRefusesConnections(t *testing.T) {
	b := open(t, Config{})
	if err := b.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	if err := b.Inject("analyser", Fault{Kind: FaultAbsent}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Dial(context.Background(), "analyser"); err == nil {
		t.Error("in process it connects")
	}
	part := strings.Split(b.Address("analyser"), "::")
	if c, err := net.Dial("tcp", net.JoinHostPort(part[1], part[2])); err == nil {
		c.Close()
		t.Error("over TCP it connects")
	}
}

func TestProductFaults(t *testing.T) {
	for fault, good := range map[string]func(string, error) bool{
		"silent@dut:after=3":    func(s string, err error) bool { return err != nil },
		"closes@dut:after=3":    func(s string, err error) bool { return err != nil },
		"garbage@dut:after=3":   func(s string, err error) bool { return err == nil && !strings.Contains(s, "kg") },
		"overrange@dut:after=3": func(s string, err error) bool { return s == "99999.99 kg\r\n" },
	} {
		faulty(t, fault, func(t *testing.T, b *Bench) {
			c := dial(t, b, "dut")
			defer c.conn.Close()
			c.conn.SetReadDeadline(time.Now().Add(time.Minute))
			for range 3 {
				if line, err := c.in.ReadString('\n'); err != nil || !strings.HasSuffix(line, " kg\r\n") {
					t.Fatalf("%s: line %q, %v", fault, line, err)
				}
			}
			if line, err := c.in.ReadString('\n'); !good(line, err) {
				t.Errorf("%s: then %q, %v", fault, line, err)
			}
		})
	}
}

func TestWiringFaultsMoveTheReadingAsTheyDoOnABench(t *testing.T) {
	reading := func(fault string) float64 {
		b := open(t, Config{Fixture: Jig50})
		if fault != "" {
			f, err := ParseFault(fault)
			if err == nil {
				err = b.Inject(f.Instrument, f)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		drive(t, b, 10e6, -25)
		return dial(t, b, "analyser").number(
			"INIT:CONT OFF;:FREQ:CENT 10E6;SPAN 0;:BAND 1E3;:DISP:TRAC:Y:RLEV 20;:READ:POW?")
	}
	right := reading("")
	for fault, want := range map[string]float64{
		"highz@source": -6.02, "unterminated@source": 6.02, "pad-missing@source": 10, "pad-extra@source": -10,
		"pad-missing@analyser": 20, "pad-extra@analyser": -10,
	} {
		near(t, fault+": change of the reading in dB", reading(fault)-right, want, 0.15)
	}
	if v := reading("probe-open@analyser"); v > -118 {
		t.Errorf("with the probe open it reads %.1f dBm, want the floor", v)
	}
}

func TestClearedFaultsLeaveTheBenchWell(t *testing.T) {
	b := open(t, Config{})
	for _, f := range []Fault{{Kind: FaultHighZ, Instrument: "source"}, {Kind: FaultPadMissing, Instrument: "source"},
		{Kind: FaultPadExtra, Instrument: "analyser"}, {Kind: FaultProbeOpen, Instrument: "analyser"},
		{Kind: FaultDeaf, Instrument: "source"}} {
		if err := b.Inject(f.Instrument, f); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range Names {
		b.Clear(name)
	}
	if got := (wiring{fixture: Cable, generatorPadIn: true, analyserPadIn: true,
		interlock: true}); b.plant.wiring != got {
		t.Errorf("wiring %+v", b.plant.wiring)
	}
	dial(t, b, "source").ask("*OPC?")
}

func TestAFaultThatCannotBeIsRefused(t *testing.T) {
	for _, text := range []string{"", "deaf", "deaf@toaster", "lazy@source", "deaf@source:after=x",
		"deaf@source:why=1"} {
		if _, err := ParseFault(text); err == nil {
			t.Errorf("%q was read", text)
		}
	}
	b := open(t, Config{})
	if err := b.Inject("meter", Fault{Kind: FaultHighZ}); err == nil {
		t.Error("highz at the meter was injected")
	}
}
