package transport_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"provoke/internal/bench/scpi"
	"provoke/internal/bench/scpi/hislip"
	"provoke/internal/bench/scpi/transport"
	"provoke/internal/bench/scpi/vxi11"
	"provoke/internal/bench/simbench"
)

// wellKnown serves a bench on a loopback address of its own, where port 111 is free whatever else
// runs on this machine. Other clients of VXI-11 ask there and nowhere else; it takes root.
func wellKnown(t testing.TB, b *simbench.Bench) {
	t.Helper()
	host := fmt.Sprintf("127.%d.%d.%d", 10+rand.IntN(200), rand.IntN(250), 2+rand.IntN(250))
	err := b.Serve(simbench.Serving{Address: host + ":0", Transports: simbench.Transports, Mapper: 111})
	if err == nil {
		return
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("outside check needs port 111: %v", err)
	}
	t.Skipf("outside check skipped: a port mapper on port 111: %v", err)
}

// said is a dialogue and what every client must get in it; "" stands for a message without an answer.
var said = []struct{ message, answer string }{
	{"*IDN?", identity},
	{"*RST;*CLS", ""},
	{"OUTP:LOAD 50;:VOLT:UNIT VPP;:FREQ 27.12 MHZ;:VOLT 0.25", ""},
	{"FREQ?;:VOLT?;:OUTP?", "2.712000000E+07;2.500000000E-01;0"},
	{"VOLT 11", ""},
	{"SYST:ERR?", `-222,"Data out of range"`},
	{"SYST:ERR?", `0,"No error"`},
	{"AM:DEPT 80;STAT 1;STAT?", "1"},
}

func TestOutsideLxiAndOurClientGetTheSameAnswers(t *testing.T) {
	t.Parallel()
	lxi := program(t, "lxi")
	b := simbench.New(simbench.Config{Seed: 5})
	t.Cleanup(func() { b.Close() })
	wellKnown(t, b)
	raw := strings.Split(b.AddressOver(simbench.Raw, "source"), "::")
	for way, args := range map[string][]string{"raw": {"-a", raw[1], "-p", raw[2], "--raw"}, "VXI-11": {"-a", raw[1]}} {
		for _, x := range said {
			if x.answer == "" { // every call is a connection of its own: the next must not overtake it
				x.message, x.answer = x.message+";*OPC?", "1"
			}
			out, err := exec.Command(lxi, append(append([]string{"scpi"}, args...), x.message)...).CombinedOutput()
			if err != nil || strings.TrimSpace(string(out)) != x.answer {
				t.Errorf("lxi over %s: %s answers %q, %v; want %q", way, x.message, out, err, x.answer)
			}
		}
	}
	for _, tr := range simbench.Transports {
		speak(t, b.AddressOver(tr, "source"))
	}
}

// speak has the dialogue with our client.
func speak(t *testing.T, address string) {
	t.Helper()
	c := scpi.New(scpi.Options{Name: address, Dial: dialOf(t, address, transport.Options{}), Timeout: patience})
	defer c.Close()
	for _, x := range said {
		if x.answer == "" {
			if err := c.Write(t.Context(), x.message); err != nil {
				t.Error(err)
			}
			continue
		}
		ask(t, c, x.message, x.answer)
	}
}

const visaScript = `
import sys, json, pyvisa
address, dialogue = sys.argv[1], json.loads(sys.argv[2])
r = pyvisa.ResourceManager('@py').open_resource(address, read_termination='\n', write_termination='\n', timeout=5000)
for message, answer in dialogue:
    if answer == '':
        r.write(message)
        continue
    got = r.query(message)
    assert got == answer, (message, got, answer)
for n in (1, 11, 300, 5000, 100000):
    got = r.query_binary_values('DIAG:BLOC? %d' % n, datatype='B', container=bytes)
    assert got == bytes(i % 256 for i in range(n)), (n, len(got))
if address.endswith('INSTR'):
    assert r.read_stb() == 0
    r.write('VOLT 11')
    assert r.query('*OPC?') == '1'
    assert r.read_stb() == 4
    r.write('*ESE?')
    r.clear()
    assert r.query('*OPC?') == '1'
print('the same')
`

func TestOutsidePyvisaAndOurClientGetTheSameAnswers(t *testing.T) {
	if testing.Short() {
		t.Skip("another program many times")
	}
	t.Parallel()
	python := program(t, "/usr/bin/python3", "-c", "import pyvisa, pyvisa_py")
	b := simbench.New(simbench.Config{Seed: 5})
	t.Cleanup(func() { b.Close() })
	wellKnown(t, b)
	var dialogue []string
	for _, x := range said {
		dialogue = append(dialogue, fmt.Sprintf("[%s, %s]", strconv.Quote(x.message), strconv.Quote(x.answer)))
	}
	for _, tr := range []simbench.Transport{simbench.Raw, simbench.VXI11} {
		out, err := exec.Command(python, "-c", visaScript, b.AddressOver(tr, "source"), "["+strings.Join(dialogue, ",")+"]").CombinedOutput()
		if err != nil || strings.TrimSpace(string(out)) != "the same" {
			t.Errorf("pyvisa over %s: %v: %s", tr, err, out)
		}
	}
}

// piece is what one side sent at once.
type piece struct {
	toServer bool
	data     []byte
}

// recorder stands between a client and a port and keeps what both say, one list for each connection.
type recorder struct {
	listener net.Listener
	to       string
	// change may alter what the server says first on a connection.
	change func([]byte)

	mu    sync.Mutex
	conns [][]piece
	wg    sync.WaitGroup
}

func record(t *testing.T, to string, change func([]byte)) *recorder {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &recorder{listener: l, to: to, change: change}
	r.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			r.wg.Go(func() { r.relay(c) })
		}
	})
	t.Cleanup(func() { l.Close(); r.wg.Wait() })
	return r
}

func (r *recorder) port() int { return r.listener.Addr().(*net.TCPAddr).Port }

func (r *recorder) relay(client net.Conn) {
	server, err := net.Dial("tcp", r.to)
	if err != nil {
		client.Close()
		return
	}
	r.mu.Lock()
	n := len(r.conns)
	r.conns = append(r.conns, nil)
	r.mu.Unlock()
	pass := func(from, to net.Conn, toServer bool) {
		defer from.Close()
		defer to.Close()
		buf := make([]byte, 32<<10)
		for first := true; ; first = false {
			k, err := from.Read(buf)
			if err != nil {
				return
			}
			data := bytes.Clone(buf[:k])
			if first && !toServer && r.change != nil {
				r.change(data)
			}
			r.mu.Lock()
			r.conns[n] = append(r.conns[n], piece{toServer, data})
			r.mu.Unlock()
			if _, err := to.Write(data); err != nil {
				return
			}
		}
	}
	r.wg.Go(func() { pass(server, client, false) })
	pass(client, server, true)
}

// recorded returns what was said so far on every connection.
func (r *recorder) recorded() [][]piece {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.conns)
}

// decode makes capture files of the connections and returns what an independent decoder says of each
// packet; it fails on a packet that the decoder finds malformed.
func decode(t *testing.T, conns [][]piece, port int, protocol string, fields ...string) string {
	t.Helper()
	text2pcap, tshark := program(t, "text2pcap"), program(t, "tshark", "-v")
	var all strings.Builder
	for i, conn := range conns {
		dir := t.TempDir()
		dump, capture := filepath.Join(dir, "dump"), filepath.Join(dir, "capture.pcapng")
		var text strings.Builder
		for _, p := range conn {
			direction := map[bool]string{true: "I", false: "O"}[p.toServer]
			for data := p.data; len(data) > 0; {
				part := data[:min(len(data), 1400)] // as on a wire
				data = data[len(part):]
				fmt.Fprintf(&text, "%s\n000000", direction)
				for _, c := range part {
					fmt.Fprintf(&text, " %02x", c)
				}
				text.WriteString("\n\n")
			}
		}
		if err := os.WriteFile(dump, []byte(text.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		ports := fmt.Sprintf("%d,%d", 40000+i, port)
		if out, err := exec.Command(text2pcap, "-D", "-4", "127.0.0.1,127.0.0.2", "-T", ports, dump, capture).CombinedOutput(); err != nil {
			t.Fatalf("text2pcap: %v: %s", err, out)
		}
		run := func(args ...string) string {
			var errs bytes.Buffer
			c := exec.Command(tshark, append([]string{"-n", "-r", capture, "-d", fmt.Sprintf("tcp.port==%d,%s", port, protocol)}, args...)...)
			c.Stderr = &errs
			out, err := c.Output()
			if err != nil {
				t.Fatalf("tshark: %v: %s", err, errs.String())
			}
			return string(out)
		}
		if bad := run("-Y", "_ws.malformed || _ws.expert.severity >= 0x800000", "-T", "fields", "-e", "frame.number", "-e", "_ws.expert.message"); bad != "" {
			t.Errorf("the decoder finds a fault in connection %d: %s", i, bad)
		}
		args := []string{"-T", "fields", "-E", "separator=,"}
		for _, f := range append([]string{"_ws.col.Protocol"}, fields...) {
			args = append(args, "-e", f)
		}
		all.WriteString(run(args...))
	}
	return all.String()
}

func wants(t *testing.T, decoded string, all ...string) {
	t.Helper()
	for _, want := range all {
		if !strings.Contains(decoded, want) {
			t.Errorf("the decoder did not see %q in:\n%.6000s", want, decoded)
		}
	}
}

func TestOutsideAnIndependentDecoderUnderstandsOurHiSLIP(t *testing.T) {
	if testing.Short() {
		t.Skip("a capture by another program")
	}
	t.Parallel()
	b := simbench.New(simbench.Config{})
	t.Cleanup(func() { b.Close() })
	serve(t, b, simbench.Serving{Transports: []simbench.Transport{simbench.HiSLIP}, Overlap: true})
	r := record(t, fmt.Sprintf("127.0.0.1:%d", portOf(t, b.Address("source"))), nil)
	s, err := hislip.Open(t.Context(), hislip.Options{Host: "127.0.0.1", Port: r.port()})
	if err != nil {
		t.Fatal(err)
	}
	exchange(t, s, "*IDN?\n")
	exchange(t, s, "DIAG:BLOC? 1100000\n") // more than one message holds
	if _, err := s.ReadStatus(t.Context()); err != nil {
		t.Error(err)
	}
	for _, step := range []func(context.Context) error{s.Trigger, s.Clear, func(ctx context.Context) error { return s.Lock(ctx, 0) },
		func(ctx context.Context) error { _, _, err := s.Locked(ctx); return err }, s.Unlock,
		func(ctx context.Context) error { return s.Control(ctx, hislip.GoLocal) }} {
		if err := step(t.Context()); err != nil {
			t.Error(err)
		}
	}
	exchange(t, s, "*OPC?\n")
	s.Close()
	decoded := decode(t, r.recorded(), r.port(), "hislip", "hislip.messagetype", "hislip.msgpara.messageid", "hislip.controlcode.rmt", "hislip.msgpara.clientproto", "hislip.msgpara.sessionid")
	for n := range 26 {
		switch n {
		case 2, 3, 13, 14, 20: // errors, interruptions and service requests do not occur here
		default:
			wants(t, decoded, fmt.Sprintf("HiSLIP,0x%02x,", n))
		}
	}
}

// exchange sends a message and takes its answer.
func exchange(t *testing.T, p scpi.Port, message string) {
	t.Helper()
	if err := p.Send(t.Context(), []byte(message)); err != nil {
		t.Fatal(err)
	}
	for {
		_, last, err := p.Receive(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if last {
			return
		}
	}
}

func TestOutsideAnIndependentDecoderUnderstandsOurVXI11(t *testing.T) {
	if testing.Short() {
		t.Skip("a capture by another program")
	}
	t.Parallel()
	b := simbench.New(simbench.Config{})
	t.Cleanup(func() { b.Close() })
	serve(t, b, simbench.Serving{Transports: []simbench.Transport{simbench.VXI11}})
	mapper := record(t, fmt.Sprintf("127.0.0.1:%d", b.MapperPort()), nil)
	first, err := vxi11.Open(t.Context(), vxi11.Options{Host: "127.0.0.1", MapperPort: mapper.port()})
	if err != nil {
		t.Fatal(err)
	}
	first.Close()
	reply := mapper.recorded()[0][1].data
	core := int(binary.BigEndian.Uint32(reply[len(reply)-4:]))
	var abort *recorder
	proxied := record(t, fmt.Sprintf("127.0.0.1:%d", core), func(created []byte) {
		// the reply to create_link: record mark, reply head, error, link, abort port
		const at = 4 + 24 + 4 + 4
		if abort != nil {
			return // the second link's is not looked at
		}
		abort = record(t, fmt.Sprintf("127.0.0.1:%d", binary.BigEndian.Uint32(created[at:])), nil)
		binary.BigEndian.PutUint32(created[at:], uint32(abort.port()))
	})
	l, err := vxi11.Open(t.Context(), vxi11.Options{Host: "127.0.0.1", CorePort: proxied.port(), Device: "inst0"})
	if err != nil {
		t.Fatal(err)
	}
	exchange(t, l, "*IDN?\n")
	exchange(t, l, "DIAG:BLOC? 20000\n")
	if _, err := l.ReadStatus(t.Context()); err != nil {
		t.Error(err)
	}
	for _, step := range []func(context.Context) error{l.Trigger, l.Clear, l.Remote, l.Local, func(ctx context.Context) error { return l.Lock(ctx, limit) }, l.Unlock} {
		if err := step(t.Context()); err != nil {
			t.Error(err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancelled := make(chan struct{})
	go func() { defer close(cancelled); cancel() }()
	if _, _, err := l.Receive(ctx); err == nil {
		t.Error("an answer without a question")
	}
	<-cancelled
	l.Close()
	if m, err := vxi11.Open(t.Context(), vxi11.Options{Host: "127.0.0.1", CorePort: proxied.port()}); err != nil {
		t.Error(err)
	} else {
		m.Close() // with device_destroy
	}
	wants(t, decode(t, mapper.recorded(), mapper.port(), "rpc", "portmap.procedure_v2", "portmap.prog", "portmap.port"), "Portmap,3,395183,", fmt.Sprint(",", core))
	decoded := decode(t, proxied.recorded(), proxied.port(), "rpc", "vxi11_core.procedure_v1", "vxi11_core.device", "vxi11_core.reason", "vxi11_core.flags")
	for _, procedure := range []int{10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 23} {
		wants(t, decoded, fmt.Sprintf("VXI-11 Core,%d,", procedure))
	}
	wants(t, decoded, ",inst0,")
	wants(t, decode(t, abort.recorded(), abort.port(), "rpc", "vxi11_async.procedure_v1"), "VXI-11 Async,1")
}
