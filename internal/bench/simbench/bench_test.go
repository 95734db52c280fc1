package simbench

import (
	"bufio"
	"context"
	"math"
	"net"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// client speaks to one face in process.
type client struct {
	t    *testing.T
	conn net.Conn
	in   *bufio.Reader
}

func dial(t *testing.T, b *Bench, name string) *client {
	t.Helper()
	c, err := b.Dial(context.Background(), name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return &client{t, c, bufio.NewReader(c)}
}

func (c *client) send(message string) {
	c.t.Helper()
	if _, err := c.conn.Write([]byte(message + "\n")); err != nil {
		c.t.Fatalf("sending %q: %v", message, err)
	}
}

func (c *client) ask(message string) string {
	c.t.Helper()
	c.send(message)
	c.conn.SetReadDeadline(time.Now().Add(3 * time.Second))
	line, err := c.in.ReadString('\n')
	if err != nil {
		c.t.Fatalf("asking %q: %v", message, err)
	}
	return strings.TrimRight(line, "\r\n")
}

func (c *client) number(message string) float64 {
	c.t.Helper()
	text := c.ask(message)
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		c.t.Fatalf("%q answers %q, not a number", message, text)
	}
	return x
}

// quietly reports that a message gets no answer.
func (c *client) quietly(message string, d time.Duration) bool {
	c.send(message)
	c.conn.SetReadDeadline(time.Now().Add(d))
	_, err := c.in.ReadByte()
	return err != nil
}

func open(t *testing.T, c Config) *Bench {
	t.Helper()
	b := New(c)
	t.Cleanup(func() { b.Close() })
	return b
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %.6g, want %.6g within %g", what, got, want, within)
	}
}

// drive puts a CW carrier on the bench: dBm into 50 Ω at the generator.
func drive(t *testing.T, b *Bench, hz, dbm float64) {
	t.Helper()
	source := dial(t, b, "source")
	vpp := strconv.FormatFloat(voltsOf(dbm)*2*math.Sqrt2, 'f', 6, 64)
	hertz := strconv.FormatFloat(hz, 'f', 3, 64)
	if got := source.ask("OUTP:LOAD 50;:VOLT:UNIT VPP;:FREQ " + hertz + ";:VOLT " + vpp +
		";:OUTP 1;:SYST:ERR?"); got != `0,"No error"` {
		t.Fatalf("driving: %s", got)
	}
	dial(t, b, "amplifier").ask("OUTP 1;OUTP?")
}

func TestTheChainPutsTheComputedCurrentOnTheJig(t *testing.T) {
	// −10 dBm at the generator, about 10 dB of pad, 40 dB of gain: about +20 dBm forward; in a
	// 50 + 50 Ω jig I[dBµA] = P[dBm] + 73.01 − IL (physics notes, 1.3), here some 7.2 dB at 1 MHz.
	b := open(t, Config{Fixture: Jig50})
	drive(t, b, 1e6, -10)
	s := b.State()
	il := b.plant.clamp.insertionLoss(1e6)
	near(t, "current in dBµA against forward power", dBuA(s.Carrier), s.Forward+73.01-il, 0.05)
	near(t, "forward power in dBm", s.Forward, 20, 1.2)
}

func TestTheAnalyserReadsTheProbeThroughPadAndCoax(t *testing.T) {
	b := open(t, Config{Fixture: Jig50})
	drive(t, b, 10e6, -10)
	a := dial(t, b, "analyser")
	got := a.number("INIT:CONT OFF;:FREQ:CENT 10E6;:FREQ:SPAN 0;:BAND 10E3;:READ:POW?")
	// U[dBµV] = I[dBµA] + Zt[dBΩ] − pad − coax; P[dBm] = U − 106.99 (physics notes, 2.2). Zt of ten
	// turns into 50 Ω is 13.98 dBΩ less a little for the core.
	want := dBuA(b.State().Carrier) + 13.98 - 20 - 0.19 - 106.99
	near(t, "analyser reading in dBm", got, want, 0.15)
	if c := a.ask("STAT:QUES:POW:COND?"); c != "0" {
		t.Errorf("condition %s, want 0", c)
	}
}

func TestStandbyLeavesNothingToSpeakOf(t *testing.T) {
	b := open(t, Config{Fixture: Jig50})
	drive(t, b, 1e6, -10)
	on := b.State().Carrier
	dial(t, b, "amplifier").ask("OUTP 0;OUTP?")
	if drop := decibel(on / b.State().Carrier); drop < 55 {
		t.Errorf("standby lowers the current by %.1f dB, want at least 55 dB", drop)
	}
}

func TestAnAmplifierInputOverItsRatingIsDestroyedAndStaysSo(t *testing.T) {
	b := open(t, Config{Fixture: Jig50})
	drive(t, b, 1e6, 5) // carrier at −5 dBm at the input: within the rating
	if len(b.Abuses()) != 0 {
		t.Fatalf("abused at −5 dBm: %v", b.Abuses())
	}
	// 80 % AM raises the crest by 5.1 dB to +0.1 dBm: over the rating of 0 dBm.
	source := dial(t, b, "source")
	source.ask("AM:DEPT 80;INT:FREQ 1E3;:AM:STAT 1;*OPC?")
	abuses := b.Abuses()
	if len(abuses) != 1 || !abuses[0].Destroyed || abuses[0].Instrument != "amplifier" {
		t.Fatalf("abuses: %v, want one destroyed amplifier", abuses)
	}
	near(t, "excess in dB", abuses[0].Value-abuses[0].Limit, 0.1, 0.06)
	if c := b.State().Carrier; c != 0 {
		t.Errorf("a destroyed amplifier still drives %g A", c)
	}
	source.ask("*RST;*OPC?")
	drive(t, b, 1e6, -10)
	if c := b.State().Carrier; c != 0 {
		t.Errorf("it drives %g A again after *RST", c)
	}
	if got := dial(t, b, "hand").ask("ABUSE?"); !strings.HasPrefix(got, `1,"amplifier: input, peak envelope`) {
		t.Errorf("ABUSE? answers %s", got)
	}
}

func TestTheWeigherSendsTenLinesASecondOfBenchTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := New(Config{Speed: 4})
		defer b.Close()
		c, err := b.Dial(context.Background(), "dut")
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		began := time.Now()
		in := bufio.NewReader(c)
		for range 40 {
			line, err := in.ReadString('\n')
			if err != nil || !strings.HasPrefix(line, "  12.3") || !strings.HasSuffix(line, " kg\r\n") {
				t.Fatalf("line %q, %v", line, err)
			}
		}
		if took := time.Since(began); took != time.Second {
			t.Errorf("40 lines took %v at four times the speed, want 1 s", took)
		}
	})
}

func dialTCP(t *testing.T, b *Bench, name string) *client {
	t.Helper()
	part := strings.Split(b.Address(name), "::")
	c, err := net.Dial("tcp", net.JoinHostPort(part[1], part[2]))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return &client{t, c, bufio.NewReader(c)}
}

func dialForBenchmark(b *testing.B, bench *Bench) net.Conn {
	b.Helper()
	part := strings.Split(bench.Address("source"), "::")
	c, err := net.Dial("tcp", net.JoinHostPort(part[1], part[2]))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { c.Close() })
	return c
}

func TestAnAnalyserInputOverItsRatingIsDestroyedAndStaysSo(t *testing.T) {
	b := open(t, Config{Fixture: Jig50})
	b.do(func(p *plant) { p.extraPad = -45 }) // somebody put an amplifier in front of it
	drive(t, b, 10e6, -3)
	abuses := b.Abuses()
	if len(abuses) != 1 || !abuses[0].Destroyed || abuses[0].Instrument != "analyser" {
		t.Fatalf("abuses: %v, want one destroyed analyser", abuses)
	}
	if v := dial(t, b, "analyser").number("FREQ:CENT 10E6;SPAN 0;:BAND 1E3;:DISP:TRAC:Y:RLEV 30;:READ:POW?"); v > -85 {
		t.Errorf("a destroyed analyser still reads %.1f dBm", v)
	}
}
