package dut

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	stdlog "log"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/simonvetter/modbus"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// outside skips, or fails where everything must be there, when a program is missing.
func outside(t *testing.T, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skipf("outside check skipped: %v", err)
	}
	return path
}

// station is a Modbus server with four tables of registers.
type station struct {
	mu       sync.Mutex
	holding  map[uint16]uint16
	input    map[uint16]uint16
	bits     map[uint16]bool
	unit     uint8
	silent   bool
	requests int
}

func (s *station) words(m map[uint16]uint16, addr, n uint16) (out []uint16, err error) {
	for i := range n {
		v, ok := m[addr+i]
		if !ok {
			return nil, modbus.ErrIllegalDataAddress
		}
		out = append(out, v)
	}
	return out, nil
}

func (s *station) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) ([]uint16, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.requests++
	if r.UnitId != s.unit || s.silent {
		return nil, modbus.ErrGWTargetFailedToRespond
	}
	if r.IsWrite {
		for i, v := range r.Args {
			s.holding[r.Addr+uint16(i)] = v
		}
	}
	return s.words(s.holding, r.Addr, r.Quantity)
}

func (s *station) HandleInputRegisters(r *modbus.InputRegistersRequest) ([]uint16, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.words(s.input, r.Addr, r.Quantity)
}

func (s *station) HandleCoils(r *modbus.CoilsRequest) ([]bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return []bool{s.bits[r.Addr]}, nil
}

func (s *station) HandleDiscreteInputs(r *modbus.DiscreteInputsRequest) ([]bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return []bool{s.bits[r.Addr]}, nil
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// serveModbus serves a station on loopback and returns its resource string and port.
func serveModbus(t *testing.T, s *station) (string, int) {
	t.Helper()
	port := freePort(t)
	server, err := modbus.NewServer(&modbus.ServerConfiguration{URL: fmt.Sprintf("tcp://127.0.0.1:%d", port), MaxClients: 4,
		Logger: stdlog.New(io.Discard, "", 0)}, s)
	must(t, err)
	must(t, server.Start())
	t.Cleanup(func() { server.Stop() })
	return fmt.Sprintf("TCPIP::127.0.0.1::%d::SOCKET", port), port
}

func registerMonitor(address string, r catalog.ModbusRegister) catalog.Monitor {
	return catalog.Monitor{Identity: catalog.Identity{ID: "REG"}, Kind: catalog.MonitorModbus, Connection: catalog.Connection{Address: address, Timeout: rf.Duration(500 * time.Millisecond)},
		Unit: "kg", Tolerance: 0.05, Every: rf.Duration(10 * time.Millisecond), Modbus: r}
}

// Values and their words: int32 −1234 is FFFF FB2E; float32 12.5 is 4148 0000 (IEEE 754).
func TestARegisterIsReadInItsFormat(t *testing.T) {
	s := &station{unit: 3, holding: map[uint16]uint16{100: 0xFFFF, 101: 0xFB2E, 110: 0x4148, 111: 0, 120: 1234}, input: map[uint16]uint16{7: 0xFFFE}, bits: map[uint16]bool{5: true}}
	address, _ := serveModbus(t, s)
	for name, v := range map[string]struct {
		r    catalog.ModbusRegister
		want float64
	}{
		"a whole number with its scale":    {catalog.ModbusRegister{Table: catalog.HoldingRegister, Number: 120, Station: 3, Format: "uint16", Scale: 0.01}, 12.34},
		"two words, high first":            {catalog.ModbusRegister{Table: catalog.HoldingRegister, Number: 100, Station: 3, Format: "int32", Scale: 1}, -1234},
		"a float":                          {catalog.ModbusRegister{Table: catalog.HoldingRegister, Number: 110, Station: 3, Format: "float32", Scale: 1}, 12.5},
		"two words, low first":             {catalog.ModbusRegister{Table: catalog.HoldingRegister, Number: 100, Station: 3, Format: "uint32", LowWordFirst: true, Scale: 1}, 0xFB2EFFFF},
		"an input register below zero":     {catalog.ModbusRegister{Table: catalog.InputRegister, Number: 7, Station: 3, Format: "int16", Scale: 1}, -2},
		"a bit":                            {catalog.ModbusRegister{Table: catalog.Coil, Number: 5, Station: 3, Scale: 1}, 1},
		"a discrete input that is not set": {catalog.ModbusRegister{Table: catalog.DiscreteInput, Number: 6, Station: 3, Scale: 1}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			_, l := start(t, registerMonitor(address, v.r), Options{})
			got := l.wait(t, 1)[0]
			if !got.HasValue || math.Abs(got.Value-v.want) > 1e-9 {
				t.Errorf("reads %+v, want %v", got, v.want)
			}
		})
	}
}

func TestARegisterThatIsNotThereIsToldAtOnce(t *testing.T) {
	address, _ := serveModbus(t, &station{unit: 1, holding: map[uint16]uint16{0: 1}})
	m, err := New(registerMonitor(address, catalog.ModbusRegister{Table: catalog.HoldingRegister, Number: 40101, Station: 1, Format: "uint16", Scale: 1}), Options{})
	must(t, err)
	if err := m.Start(t.Context(), func(Sample) {}); err == nil || !strings.Contains(err.Error(), "holding 100") {
		t.Errorf("no hint at counting from 0: %v", err)
	}
	m, err = New(registerMonitor(fmt.Sprintf("TCPIP::127.0.0.1::%d::SOCKET", freePort(t)), catalog.ModbusRegister{Table: catalog.HoldingRegister, Station: 1, Scale: 1}), Options{})
	must(t, err)
	if err := m.Start(t.Context(), func(Sample) {}); err == nil {
		t.Error("a station that is not there starts")
	}
}

func TestAStationThatFallsSilentIsLostAndComesBack(t *testing.T) {
	s := &station{unit: 1, holding: map[uint16]uint16{0: 7}}
	address, _ := serveModbus(t, s)
	_, l := start(t, registerMonitor(address, catalog.ModbusRegister{Table: catalog.HoldingRegister, Station: 1, Format: "uint16", Scale: 1}), Options{})
	l.wait(t, 1)
	set := func(silent bool) { s.mu.Lock(); s.silent = silent; s.mu.Unlock() }
	set(true)
	waitFor(t, l, func(s Sample) bool { return s.Lost != "" })
	set(false)
	n := len(l.all())
	waitFor(t, l, func(s Sample) bool { return s.HasValue && s.Value == 7 && len(l.all()) > n })
}

func waitFor(t *testing.T, l *log, is func(Sample) bool) Sample {
	t.Helper()
	limit := time.After(10 * time.Second)
	for {
		all := l.all()
		if n := len(all); n > 0 && is(all[n-1]) {
			return all[n-1]
		}
		select {
		case <-l.came:
		case <-limit:
			t.Fatalf("not seen in 10 s; %d samples", len(l.all()))
		}
	}
}

// mbpoll writes a register of our server by its own reckoning of addresses and word order; the monitor
// must read what it wrote.
func TestMbpollWritesWhatTheMonitorReads(t *testing.T) {
	program := outside(t, "mbpoll")
	s := &station{unit: 1, holding: map[uint16]uint16{}}
	for i := range uint16(20) {
		s.holding[100+i] = 0
	}
	address, port := serveModbus(t, s)
	for name, v := range map[string]struct {
		flags []string
		value string
		r     catalog.ModbusRegister
		want  float64
	}{
		"16 bits":                 {[]string{"-t", "4"}, "1234", catalog.ModbusRegister{Number: 100, Format: "uint16"}, 1234},
		"32 bits, low word first": {[]string{"-t", "4:int"}, "70000", catalog.ModbusRegister{Number: 100, Format: "int32", LowWordFirst: true}, 70000},
		"32 bits, big-endian":     {[]string{"-t", "4:int", "-B"}, "70000", catalog.ModbusRegister{Number: 100, Format: "int32"}, 70000},
		"float, big-endian":       {[]string{"-t", "4:float", "-B"}, "12.5", catalog.ModbusRegister{Number: 100, Format: "float32"}, 12.5},
	} {
		t.Run(name, func(t *testing.T) {
			args := append([]string{"-m", "tcp", "-a", "1", "-0", "-r", "100", "-p", fmt.Sprint(port), "-1", "-q"}, v.flags...)
			out, err := exec.Command(program, append(args, "127.0.0.1", v.value)...).CombinedOutput()
			if err != nil {
				t.Fatalf("mbpoll: %v\n%s", err, out)
			}
			v.r.Table, v.r.Station, v.r.Scale = catalog.HoldingRegister, 1, 1
			_, l := start(t, registerMonitor(address, v.r), Options{})
			if got := l.wait(t, 1)[0]; got.Value != v.want {
				t.Errorf("mbpoll wrote %s, the monitor reads %v", v.value, got.Value)
			}
		})
	}
}

// tap passes a connection on and records both directions.
type tap struct {
	mu    sync.Mutex
	lines []string // as text2pcap wants them: direction, offset, bytes
}

func (p *tap) record(direction string, b []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.lines = append(p.lines, direction, "000000 "+strings.TrimSpace(spaced(hex.EncodeToString(b))), "")
}

func spaced(h string) string {
	var b strings.Builder
	for i := 0; i < len(h); i += 2 {
		b.WriteString(h[i:i+2] + " ")
	}
	return b.String()
}

func (p *tap) listen(t *testing.T, to int) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	var running sync.WaitGroup
	t.Cleanup(func() { l.Close(); running.Wait() })
	pass := func(from, to net.Conn, direction string) {
		defer running.Done()
		defer to.Close()
		buf := make([]byte, 1024)
		for {
			n, err := from.Read(buf)
			if n > 0 {
				p.record(direction, buf[:n])
				to.Write(buf[:n])
			}
			if err != nil {
				return
			}
		}
	}
	running.Go(func() {
		for {
			here, err := l.Accept()
			if err != nil {
				return
			}
			there, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", to))
			if err != nil {
				here.Close()
				return
			}
			running.Add(2)
			go pass(here, there, "O")
			go pass(there, here, "I")
		}
	})
	return l.Addr().(*net.TCPAddr).Port
}

func TestOurModbusBytesDecodeAsModbus(t *testing.T) {
	text2pcap, tshark := outside(t, "text2pcap"), outside(t, "tshark")
	s := &station{unit: 1, holding: map[uint16]uint16{100: 0x4148, 101: 0}}
	_, port := serveModbus(t, s)
	p := &tap{}
	tapped := p.listen(t, port)
	spec := registerMonitor(fmt.Sprintf("TCPIP::127.0.0.1::%d::SOCKET", tapped), catalog.ModbusRegister{Table: catalog.HoldingRegister, Number: 100, Station: 1, Format: "float32", Scale: 1})
	m, l := start(t, spec, Options{})
	l.wait(t, 3)
	m.Close()
	p.mu.Lock()
	text := strings.Join(p.lines, "\n") + "\n"
	p.mu.Unlock()
	dir := t.TempDir()
	dump, capture := filepath.Join(dir, "modbus.txt"), filepath.Join(dir, "modbus.pcap")
	must(t, os.WriteFile(dump, []byte(text), 0o600))
	if out, err := exec.Command(text2pcap, "-q", "-D", "-T", "502,40000", dump, capture).CombinedOutput(); err != nil {
		t.Fatalf("text2pcap: %v\n%s", err, out)
	}
	out, err := exec.Command(tshark, "-r", capture, "-V").Output()
	if err != nil {
		t.Fatalf("tshark: %v\n%s", err, out)
	}
	decoded := string(out)
	if strings.Contains(decoded, "Malformed") {
		t.Errorf("tshark finds a malformed packet:\n%s", decoded)
	}
	for _, want := range []string{"Function Code: Read Holding Registers (3)", "Reference Number: 100", "Word Count: 2", "Unit Identifier: 1", "Register 100 (UINT16): 16712"} {
		if !strings.Contains(decoded, want) {
			t.Errorf("tshark does not say %q", want)
		}
	}
}

// A pty pair stands for the serial line; the station at its other end is a few bytes by hand.
func TestARegisterIsReadOverASerialLine(t *testing.T) {
	socat := outside(t, "socat")
	dir := t.TempDir()
	a, b := filepath.Join(dir, "a"), filepath.Join(dir, "b")
	ctx, cancel := context.WithCancel(t.Context())
	c := exec.CommandContext(ctx, socat, "pty,raw,echo=0,link="+a, "pty,raw,echo=0,link="+b)
	must(t, c.Start())
	t.Cleanup(func() { cancel(); c.Wait() })
	for range 200 {
		if _, err := os.Stat(b); err == nil {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	far, err := os.OpenFile(b, os.O_RDWR, 0)
	must(t, err)
	t.Cleanup(func() { far.Close() })
	// Request and answer by hand, MODBUS over Serial Line 1.02: station 1, function 3, register 100, one
	// word; the answer holds 1234 = 04D2. CRC-16 with polynomial A001 (from the specification).
	go func() {
		buf := make([]byte, 8)
		for {
			if _, err := io.ReadFull(far, buf); err != nil {
				return
			}
			if hex.EncodeToString(buf) != "010300640001c5d5" {
				fmt.Fprintf(os.Stderr, "request %x\n", buf)
				return
			}
			far.Write(crc([]byte{1, 3, 2, 0x04, 0xD2}))
		}
	}()
	spec := registerMonitor("ASRL"+a+"::INSTR", catalog.ModbusRegister{Table: catalog.HoldingRegister, Number: 100, Station: 1, Format: "uint16", Scale: 0.01})
	spec.SerialLine = "19200 8N1"
	m, l := start(t, spec, Options{})
	if got := l.wait(t, 2)[0]; math.Abs(got.Value-12.34) > 1e-9 {
		t.Errorf("reads %+v", got)
	}
	m.Close()
}

// crc appends the CRC-16 of MODBUS over Serial Line 1.02, 6.2.2.
func crc(frame []byte) []byte {
	c := uint16(0xFFFF)
	for _, b := range frame {
		c ^= uint16(b)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
	}
	return append(frame, byte(c), byte(c>>8))
}

func TestAFieldOfAWebAnswerIsTheReading(t *testing.T) {
	var mu sync.Mutex
	body, status := `{"net":{"weight":12.34,"ok":true},"cells":[{"volt":1.5},{"volt":"2,5"}]}`, 200
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		w.WriteHeader(status)
		io.WriteString(w, body)
	}))
	defer server.Close()
	spec := catalog.Monitor{Identity: catalog.Identity{ID: "WEB"}, Kind: catalog.MonitorHTTP, URL: server.URL, Unit: "kg", Tolerance: 0.05, Every: rf.Duration(5 * time.Millisecond)}
	for field, want := range map[string]float64{"net.weight": 12.34, "cells[1].volt": 2.5, "net.ok": 1} {
		spec.Field = field
		m, l := start(t, spec, Options{})
		if got := l.wait(t, 1)[0]; !got.HasValue || got.Value != want {
			t.Errorf("%s reads %+v, want %v", field, got, want)
		}
		m.Close()
	}
	spec.Field = "net.weight"
	_, l := start(t, spec, Options{})
	l.wait(t, 1)
	change := func(b string, s int) { mu.Lock(); body, status = b, s; mu.Unlock() }
	for _, v := range []struct {
		body   string
		status int
		says   string
	}{{"{}", 200, "has no field"}, {`{"net":{"weight":null}}`, 200, "is null"}, {"<html>", 200, "is no JSON"}, {"{}", 503, "503"}, {`{"net":{"weight":"heavy"}}`, 200, "should be"}} {
		change(v.body, v.status)
		waitFor(t, l, func(s Sample) bool { return strings.Contains(s.Lost, v.says) })
	}
	change(`{"net":{"weight":12.35}}`, 200)
	waitFor(t, l, func(s Sample) bool { return s.HasValue && s.Value == 12.35 })
}

func TestMessagesOfATopicAreReadings(t *testing.T) {
	broker, publish := outside(t, "mosquitto"), outside(t, "mosquitto_pub")
	port := freePort(t)
	conf := filepath.Join(t.TempDir(), "broker.conf")
	must(t, os.WriteFile(conf, []byte(fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\n", port)), 0o644))
	c := exec.Command(broker, "-c", conf)
	must(t, c.Start())
	t.Cleanup(func() { c.Process.Kill(); c.Wait() })
	say := func(args ...string) {
		t.Helper()
		var out []byte
		var err error
		for range 50 { // the broker needs a moment to listen
			if out, err = exec.Command(publish, append([]string{"-h", "127.0.0.1", "-p", fmt.Sprint(port)}, args...)...).CombinedOutput(); err == nil {
				return
			}
			time.Sleep(50 * time.Millisecond)
		}
		t.Fatalf("mosquitto_pub: %v\n%s", err, out)
	}
	say("-r", "-t", "scale/net", "-m", `{"kg":99}`) // kept by the broker: says nothing about now
	spec := catalog.Monitor{Identity: catalog.Identity{ID: "MSG"}, Kind: catalog.MonitorMQTT, Connection: catalog.Connection{Address: fmt.Sprintf("TCPIP::127.0.0.1::%d::SOCKET", port)},
		Topic: "scale/net", Field: "kg", Unit: "kg", Tolerance: 0.05, ErrorPattern: "ERR"}
	m, l := start(t, spec, Options{})
	time.Sleep(100 * time.Millisecond) // the subscription goes out behind the connection
	say("-t", "scale/net", "-m", `{"kg":12.34}`)
	if got := l.wait(t, 1)[0]; got.Value != 12.34 || !got.HasValue {
		t.Errorf("the first reading is %+v, not what was published after the start", got)
	}
	say("-t", "scale/other", "-m", `{"kg":1}`)
	say("-t", "scale/net", "-m", "ERR 07")
	if got := l.wait(t, 2)[1]; !got.Error {
		t.Errorf("an error line is %+v", got)
	}
	c.Process.Kill()
	waitFor(t, l, func(s Sample) bool { return strings.Contains(s.Lost, "connection to the broker") })
	m.Close()
	if m, _ := New(spec, Options{}); m.Start(t.Context(), func(Sample) {}) == nil {
		t.Error("a broker that is not there starts")
	}
}

func TestEchoRepliesAreSamplesAndTheirAbsenceIsSilence(t *testing.T) {
	spec := catalog.Monitor{Identity: catalog.Identity{ID: "ECHO"}, Kind: catalog.MonitorPing, Host: "127.0.0.1", Every: rf.Duration(5 * time.Millisecond), Silence: rf.Duration(time.Second)}
	m, err := New(spec, Options{})
	must(t, err)
	l := newLog()
	if err := m.Start(t.Context(), l.take); err != nil {
		if strings.Contains(err.Error(), "administrator") {
			t.Skipf("outside check skipped: %v", err)
		}
		t.Fatal(err)
	}
	for _, s := range l.wait(t, 3) {
		if s.Lost != "" || !strings.Contains(s.Text, "reply after") {
			t.Errorf("%+v", s)
		}
	}
	must(t, m.Close())
}

// bursts plays an instrument that captures.
type bursts struct {
	mu sync.Mutex
	f  func(i, n int) float64
	n  int
}

func (b *bursts) Capture(_ context.Context, n int, over time.Duration) ([]float64, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if over != 20*time.Millisecond {
		return nil, errors.New("another time than asked")
	}
	b.n = n
	out := make([]float64, n)
	for i := range out {
		out[i] = b.f(i, n)
	}
	return out, nil
}

func TestAReadingThatIsRightOnAverageAndWrongAtEachPeakIsSeen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &bursts{f: func(int, int) float64 { return 3.468 }}
		spec := catalog.Monitor{Identity: catalog.Identity{ID: "OUT"}, Kind: catalog.MonitorAnalogue, Unit: "mV", Tolerance: 10, PeakTolerance: 40, Capture: rf.Duration(20 * time.Millisecond), Samples: 1000}
		m, err := New(spec, Options{Capture: b})
		must(t, err)
		l := newLog()
		must(t, m.Start(t.Context(), l.take))
		defer m.Close()
		synctest.Wait()
		j := Judge{Monitor: spec, Baseline: l.all()[0].Value, HasBaseline: true}
		if math.Abs(j.Baseline-3468) > 1e-6 {
			t.Fatalf("volts are not told in millivolts: %v", j.Baseline)
		}
		// 20 periods of the modulation in the capture, ±50 mV at each peak, nothing on average.
		b.mu.Lock()
		b.f = func(i, n int) float64 { return 3.468 + 0.05*math.Sin(2*math.Pi*20*float64(i)/float64(n)) }
		b.mu.Unlock()
		time.Sleep(time.Second)
		synctest.Wait()
		all := l.all()
		why, bad := j.Bad(all[len(all)-1])
		if !bad || !strings.Contains(why, "on average") || !strings.Contains(why, "at its peaks") {
			t.Errorf("%+v is judged %q, %v", all[len(all)-1], why, bad)
		}
	})
}

func TestOneGlitchOfTheInstrumentIsNoPeak(t *testing.T) {
	v := make([]float64, 1000)
	v[500] = 9
	if s := summary(v, 1); s.High != 0 || s.Low != 0 {
		t.Errorf("%+v", s)
	}
	v[501] = 8
	if s := summary(v, 1); s.High != 8 {
		t.Errorf("two readings are a peak: %+v", s)
	}
}

type relayOutput struct {
	told []string
	fail bool
	t0   time.Time
}

func (r *relayOutput) Set(_ context.Context, on bool) error {
	if r.fail && on {
		return errors.New("stuck")
	}
	r.told = append(r.told, fmt.Sprintf("%v %v", on, time.Since(r.t0)))
	return nil
}

func TestAPowerCycleTakesItsTimeAndHasALimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out := &relayOutput{t0: time.Now()}
		p := &PowerCycle{Relay: catalog.Relay{Identity: catalog.Identity{ID: "K1"}, OffFor: rf.Duration(2 * time.Second), StartsIn: rf.Duration(5 * time.Second), Cycles: 2}, Output: out}
		for range 2 {
			must(t, p.Reset(t.Context()))
		}
		if got := strings.Join(out.told, ", "); got != "false 0s, true 2s, false 7s, true 9s" {
			t.Errorf("the relay was told %s", got)
		}
		if err := p.Reset(t.Context()); !errors.Is(err, ErrCyclesUsed) || len(out.told) != 4 {
			t.Errorf("a third cycle: %v", err)
		}
	})
}

func TestThePowerComesBackAlsoWhenTheRunIsStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out := &relayOutput{t0: time.Now()}
		p := &PowerCycle{Relay: catalog.Relay{OffFor: rf.Duration(time.Hour), Cycles: 1}, Output: out}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := p.Reset(ctx); err == nil || len(out.told) != 2 || !strings.HasPrefix(out.told[1], "true") {
			t.Errorf("%v, told %v", err, out.told)
		}
		out.fail, p.done = true, 0
		if err := p.Reset(t.Context()); err == nil || !strings.Contains(err.Error(), "does not come back") {
			t.Errorf("a relay that sticks: %v", err)
		}
	})
}

// slowMeter answers after a while.
type slowMeter struct{ takes time.Duration }

func (m slowMeter) Read(context.Context) (float64, error) {
	time.Sleep(m.takes)
	return 1, nil
}

func TestASampleSaysWhenItWasAskedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, err := New(catalog.Monitor{Kind: catalog.MonitorMeter, Unit: "V"}, Options{Meter: slowMeter{time.Second}})
		if err != nil {
			t.Fatal(err)
		}
		got := make(chan Sample, 10)
		if err := m.Start(t.Context(), func(s Sample) { got <- s }); err != nil {
			t.Fatal(err)
		}
		for range 3 {
			if s := <-got; s.At.Sub(s.Asked) != time.Second {
				t.Errorf("asked %v before it was read, it took 1 s", s.At.Sub(s.Asked))
			}
		}
		m.Close()
	})
}

func TestEveryKindOfMonitorCanBeMade(t *testing.T) {
	for _, kind := range catalog.MonitorKinds() {
		if makers[kind] == nil {
			t.Errorf("a bench file may have a monitor of kind %s, and nothing makes it", kind)
		}
	}
	if len(makers) != len(catalog.MonitorKinds()) {
		t.Errorf("%d kinds of monitors can be made, a bench file may have %d", len(makers), len(catalog.MonitorKinds()))
	}
}
