package simbench

import (
	"encoding/binary"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

const noError = `0,"No error"`

// conversations are messages and answers; a message whose answer is "" is a setting.
type exchange struct{ say, hear string }

func converse(t *testing.T, c *client, script []exchange) {
	t.Helper()
	for _, x := range script {
		if x.hear == "" {
			c.send(x.say)
			continue
		}
		if got := c.ask(x.say); !sameAnswer(got, x.hear) {
			t.Errorf("%q answers %q, want %q", x.say, got, x.hear)
		}
	}
}

// sameAnswer compares answers field by field, numbers as numbers.
func sameAnswer(got, want string) bool {
	g, w := strings.Split(got, ";"), strings.Split(want, ";")
	if len(g) != len(w) {
		return false
	}
	for i := range g {
		x, errX := strconv.ParseFloat(g[i], 64)
		y, errY := strconv.ParseFloat(w[i], 64)
		if g[i] != w[i] && (errX != nil || errY != nil || math.Abs(x-y) > 1e-6*math.Abs(y)) {
			return false
		}
	}
	return true
}

func TestFunctionGeneratorHearsEveryCommand(t *testing.T) {
	c := dial(t, open(t, Config{}), "source")
	converse(t, c, []exchange{
		{"*IDN?", "provoke simulated bench,function generator,S1,1"},
		{"*RST;*CLS", ""},
		{"FREQ?;OUTP?;VOLT?;VOLT:UNIT?;:OUTP:LOAD?", "1E6;0;0.001;VPP;50"},
		{":source:frequency:cw 27.12 MHz;:FREQ?", "27.12E6"},
		{"FREQ 455 KHZ;FREQ?", "455E3"},
		{"VOLT 2;VOLT?", "2"},
		{"VOLT:UNIT DBM;:VOLT?", "10"}, // G04: 2 Vpp is 10 dBm
		{"VOLT:UNIT VRMS;:VOLT?", "0.7071067812"},
		{"VOLT 600 MVPP;:VOLT:UNIT VPP;:VOLT?", "0.6"},
		{"OUTP:LOAD INF;:VOLT?;OUTP:LOAD?", "1.2;9.9E37"}, // the display doubles, the output stays
		{"OUTP:LOAD 50;:VOLT?", "0.6"},
		{"AM:SOUR INT;DEPT 80;INT:FREQ 1E3;:AM:STAT ON", ""},
		{"AM:STAT?;DEPT?;INT:FREQ?;:AM:SOUR?", "1;80;1000;INT"},
		{"PULM:STAT 1;:PULM:INT:FREQ 1 KHZ;DCYC 50", ""},
		{"PULM:STAT?;INT:FREQ?;DCYC?", "1;1000;50"},
		{"OUTP ON;:OUTP:STAT?", "1"},
		{"FREQ? MIN;FREQ? MAX;VOLT? MAX", "1E3;120E6;10"},
		{"FUNC SIN;FUNC?", "SIN"},
		{"*OPC?;*ESR?;SYST:ERR?", "1;0;" + noError},
	})
	// the path of a unit holds for the next: AM:STAT?;DEPT? above; a path that is not there is -113
	c.send("AM:STAT?;FREQ?")
	c.conn.SetReadDeadline(time.Now().Add(time.Second))
	c.in.ReadString('\n')
	converse(t, c, []exchange{{"SYST:ERR?", `-113,"Undefined header"`}, {"SYST:ERR?", noError}})
}

func TestSignalGeneratorCountsInDecibelMilliwatt(t *testing.T) {
	b := open(t, Config{Generator: SignalGenerator})
	c := dial(t, b, "source")
	converse(t, c, []exchange{
		{"*IDN?", "provoke simulated bench,signal generator,S1,1"},
		{"POW -12.34 DBM;POW?", "-12.34"},
		{"UNIT:POW DBM;POW?", "DBM"},
	}[:2])
	converse(t, c, []exchange{
		{"VOLT 1;:SYST:ERR?", ""}, // a command error ends the message
		{"SYST:ERR?", `-113,"Undefined header"`},
		{"OUTP:LOAD INF", ""},
		{"SYST:ERR?", `-113,"Undefined header"`},
		{"POW 30", ""},
		{"SYST:ERR?;:POW?", `-222,"Data out of range";-12.34`},
	})
}

func TestASettingOutOfRangeIsRefusedAndNeverClipped(t *testing.T) {
	c := dial(t, open(t, Config{}), "source")
	converse(t, c, []exchange{
		{"VOLT 0.5;FREQ 1E6", ""},
		{"VOLT 10.1;:FREQ 200E6;:VOLT 0.0001;:AM:DEPT 101", ""},
		{"VOLT?;FREQ?", "0.5;1E6"},
		{"SYST:ERR:COUN?", "4"},
		{"SYST:ERR?;ERR?;ERR?", `-222,"Data out of range";-222,"Data out of range";-222,"Data out of range"`},
		{"*CLS;SYST:ERR?", noError},
		// AM whose crest would leave the generator's range
		{"VOLT 8;:AM:DEPT 80;STAT 1;STAT?", "0"},
		{"SYST:ERR?", `-221,"Settings conflict"`},
		{"*ESR?", "16"},
		{"VOLT", ""}, {"SYST:ERR?", `-109,"Missing parameter"`},
		{"VOLT 1,2", ""}, {"SYST:ERR?", `-108,"Parameter not allowed"`},
		{"VOLT X", ""}, {"SYST:ERR?", `-104,"Data type error"`},
		{"VOLT 1 HZ", ""}, {"SYST:ERR?", `-131,"Invalid suffix"`},
		{"OUTP PERHAPS", ""}, {"SYST:ERR?", `-224,"Illegal parameter value"`},
		{"VOLT NAN", ""}, {"SYST:ERR?", `-104,"Data type error"`},
		{"*FOO", ""}, {"SYST:ERR?", `-113,"Undefined header"`},
		{"*ESE 32;*ESE?", "32"}, {"*STB?", "32"}, {"*ESR?", "48"}, {"*STB?", "0"},
	})
	for range 30 {
		c.send("NONSENSE")
	}
	converse(t, c, []exchange{{"SYST:ERR:COUN?", "20"}})
}

func TestHighImpedanceSettingHalvesTheRealOutput(t *testing.T) {
	// G09: 2 Vpp in high-Z setting is 3.979 dBm into 50 Ω.
	b := open(t, Config{})
	converse(t, dial(t, b, "source"), []exchange{{"OUTP:LOAD INF;:VOLT 2;:OUTP 1;:SYST:ERR?", noError}})
	near(t, "real output in dBm", dBmOf(b.plant.generator.volts), 3.979400087, 1e-3)
}

func TestAnalyserHearsEveryCommand(t *testing.T) {
	c := dial(t, open(t, Config{}), "analyser")
	converse(t, c, []exchange{
		{"*RST;FREQ:CENT 10 MHZ;SPAN 1 MHZ;:BAND:RES 10 KHZ;:DISP:WIND:TRAC:Y:SCAL:RLEV -20;:INP:ATT 10", ""},
		{"FREQ:CENT?;SPAN?;:BAND?;:DISP:TRAC:Y:RLEV?;:INP:ATT?", "10E6;1E6;10E3;-20;10"},
		{"INIT:CONT OFF;CONT?;:SWE:POIN 101;POIN?", "0;101"},
		{"FORM ASC;FORM?;FORM REAL,32;FORM?;FORM:BORD SWAP;BORD?", "ASC,0;REAL,32;SWAP"},
		{"INIT;:CALC:MARK:MAX;:SYST:ERR?", noError},
		{"STAT:QUES:POW:COND?;:STAT:QUES:COND?", "0;0"},
		{"BAND 5 KHZ", ""}, {"SYST:ERR?", `-224,"Illegal parameter value"`},
		{"INIT:CONT ON;:INIT", ""}, {"SYST:ERR?", `-213,"Init ignored"`},
	})
	if y := c.number("CALC:MARK:Y?"); y > -105 || y < -115 {
		t.Errorf("the noise at 10 kHz is %.1f dBm, want about -110 dBm", y)
	}
	c.number("CALC:MARK1:X?")
	if n := len(strings.Split(c.ask("FORM ASC;:TRAC? TRACE1"), ",")); n != 101 {
		t.Errorf("the trace has %d points, want 101", n)
	}
}

// readBlock reads an IEEE 488.2 definite length block and its terminator.
func (c *client) readBlock() []byte {
	c.t.Helper()
	c.conn.SetReadDeadline(time.Now().Add(3 * time.Second))
	head := make([]byte, 2)
	if _, err := io.ReadFull(c.in, head); err != nil || head[0] != '#' {
		c.t.Fatalf("block begins %q, %v", head, err)
	}
	digits := make([]byte, head[1]-'0')
	io.ReadFull(c.in, digits)
	n, _ := strconv.Atoi(string(digits))
	data := make([]byte, n)
	io.ReadFull(c.in, data)
	if end, err := c.in.ReadByte(); end != '\n' {
		c.t.Fatalf("block ends %q, %v", end, err)
	}
	return data
}

func TestBinaryTraceHoldsLineFeedsAndIsFramedByItsLength(t *testing.T) {
	c := dial(t, open(t, Config{}), "analyser")
	c.ask("FREQ:CENT 10E6;SPAN 1E6;:FORM REAL,32;:SWE:POIN 1001;:INIT:CONT OFF;:SYST:ERR?")
	seen := false
	for try := 0; try < 20 && !seen; try++ {
		c.send("INIT;:TRAC? TRACE1")
		data := c.readBlock()
		if len(data) != 4004 {
			t.Fatalf("block of %d bytes, want 4004", len(data))
		}
		for i := 0; i < len(data); i += 4 {
			v := math.Float32frombits(binary.BigEndian.Uint32(data[i:]))
			if !(v > -115 && v < -95) {
				t.Fatalf("point %d is %g dBm, want noise", i/4, v)
			}
		}
		seen = strings.ContainsRune(string(data), '\n')
	}
	if !seen {
		t.Error("no block of 20 held a line feed byte; the test shows nothing")
	}
	if got := c.ask("SYST:ERR?"); got != noError {
		t.Error(got)
	}
}

func TestAnOverloadedMixerReadsWrongAndSaysSo(t *testing.T) {
	b := open(t, Config{Fixture: Jig50})
	b.SetAnalyserPad(false)
	drive(t, b, 10e6, 0)
	a := dial(t, b, "analyser")
	v := a.number("INIT:CONT OFF;:FREQ:CENT 10E6;SPAN 0;:BAND 10E3;:DISP:TRAC:Y:RLEV 30;:READ:POW?")
	want := b.State().Carrier * magnitude(b.plant.probe.transfer(10e6)) / ratio(b.plant.readLoss(10e6))
	if !(v < dBmOf(want)-0.25) {
		t.Errorf("an overloaded reading is %.2f dBm, want clearly below the true %.2f dBm", v, dBmOf(want))
	}
	if got := a.ask("STAT:QUES:POW:COND?"); got != "1" {
		t.Errorf("condition %s, want 1", got)
	}
	if v := a.number("DISP:TRAC:Y:RLEV -20;:READ:POW?"); v != 9.9e37 {
		t.Errorf("beyond the display it answers %g, want 9.9E37", v)
	}
	// with 30 dB at the input the mixer is left in peace
	v = a.number("DISP:TRAC:Y:RLEV 30;:INP:ATT 30;:READ:POW?")
	near(t, "reading in dBm", v, dBmOf(want), 0.05)
}

func TestSecondHarmonicIsWhereItBelongs(t *testing.T) {
	b := open(t, Config{Fixture: Jig50})
	drive(t, b, 10e6, 0)
	a := dial(t, b, "analyser")
	first := a.number("INIT:CONT OFF;:FREQ:CENT 10E6;SPAN 0;:BAND 10E3;:READ:POW?")
	second := a.number("FREQ:CENT 20E6;:READ:POW?")
	if d := first - second; d < 38 || d > 55 {
		t.Errorf("the second harmonic is %.1f dB down, want about 40 to 50", d)
	}
	if between := a.number("FREQ:CENT 15E6;:READ:POW?"); between > -100 {
		t.Errorf("between the lines it reads %.1f dBm, want noise", between)
	}
}

func TestPowerMeterReadsForwardAndReverseThroughTheCoupler(t *testing.T) {
	b := open(t, Config{Fixture: Jig50})
	m := dial(t, b, "powermeter")
	if v := m.number("READ1?"); v != 9.91e37 {
		t.Errorf("without a frequency it answers %g, want 9.91E37", v)
	}
	m.send("SENS:FREQ 10 MHZ")
	near(t, "floor in dBm", m.number("READ1?"), -60, 1)
	drive(t, b, 10e6, -10)
	forward := m.number("READ1?")
	near(t, "forward in dBm", forward, b.State().Forward-30, 0.05)
	gamma := magnitude(b.plant.clamp.input(10e6, complex(100.5, 0)))
	near(t, "return loss in dB", forward-m.number("READ2?"), -decibel(gamma), 0.3)
	if got := m.ask("SENS:FREQ?"); !sameAnswer(got, "10E6") {
		t.Error(got)
	}
}

func TestMeterInterlockAndAmplifierFaces(t *testing.T) {
	b := open(t, Config{})
	near(t, "analogue output in V", dial(t, b, "meter").number("READ?"), 1+0.2*12.34, 0.001)
	near(t, "analogue output in V", dial(t, b, "meter").number("MEAS:VOLT:DC?"), 1+0.2*12.34, 0.001)
	converse(t, dial(t, b, "amplifier"), []exchange{{"OUTP?", "0"}, {"OUTP:STAT ON;STAT?", "1"}, {"*RST;OUTP?", "0"}})
	lock := dial(t, b, "interlock")
	converse(t, lock, []exchange{{"INP:STAT?", "1"}})
	b.SetInterlock(false)
	converse(t, lock, []exchange{{"INP?", "0"}})
}

func TestTheHandDoesWhatAPersonDoes(t *testing.T) {
	b := open(t, Config{})
	c := dial(t, b, "hand")
	converse(t, c, []exchange{
		{"FIXT JIG50;FIXT?", "jig50"}, {"FIXT JIG150;FIXT?", "jig150"}, {"FIXT CABL;FIXT?", "cable"},
		{"BUIL FIXD;BUIL?", "fixed"}, {"BUIL ORIG;BUIL?", "original"},
		{"DUT:RES;:DUT:HOLD ON;:DUT:HOLD OFF;:INT OPEN;:INT CLOS;:PAD OUT;:PAD IN;:PAD:GEN OUT;:PAD:GEN IN;:PROB " +
			"OPEN;:PROB CONN;:LOAD INF;:LOAD 50;:SYST:ERR?", noError},
		{"ABUS?", "0"}, {"SPE?", "1"}, {"RF:EXP?", "0"},
		{"LOAD 75", ""}, {"SYST:ERR?", `-224,"Illegal parameter value"`},
	})
	if got := c.ask("PEAK:CURR?"); len(strings.Split(got, ",")) != 2 {
		t.Errorf("PEAK:CURR? answers %q", got)
	}
	c.send("TRUT?")
	if data := c.readBlock(); !strings.HasPrefix(string(data), `{"note":"invented`) {
		t.Errorf("TRUT? answers %.60s", data)
	}
	b.SetBuild(Original)
	c.ask("LOAD INF;:SPE?")
	converse(t, dial(t, b, "source"), []exchange{{"OUTP:LOAD?", "9.9E37"}})
}

func TestTwoClientsTalkAtOnceOverTCP(t *testing.T) {
	b := open(t, Config{})
	if err := b.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for _, unit := range []string{"1", "2"} {
		c := dialTCP(t, b, "source")
		wg.Go(func() {
			for range 200 {
				if got := c.ask("*OPC?;FREQ " + unit + "E6;VOLT?;*OPC?"); !sameAnswer(got, "1;0.001;1") {
					t.Errorf("answer %q", got)
					return
				}
			}
		})
	}
	wg.Wait()
}
