package transport_test

import (
	"fmt"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/scpi"
	"provoke/internal/bench/scpi/transport"
	"provoke/internal/bench/simbench"
)

// point is what a step of a run says at the least: a source is set and confirmed, an analyser reads.
type point struct{ source, analyser *scpi.Conn }

func openPoint(t testing.TB, b *simbench.Bench, tr simbench.Transport) point {
	at := func(face string) *scpi.Conn {
		c := scpi.New(scpi.Options{Name: face, Dial: dialOf(t, b.AddressOver(tr, face), transport.Options{}),
			Timeout: patience})
		t.Cleanup(func() { c.Close() })
		return c
	}
	p := point{at("source"), at("analyser")}
	if err := p.source.Set(t.Context(), "OUTP:LOAD 50", "VOLT:UNIT VPP", "OUTP 1"); err != nil {
		t.Fatal(err)
	}
	if err := p.analyser.Set(t.Context(), "INIT:CONT OFF", "FREQ:SPAN 0", "BAND 1000"); err != nil {
		t.Fatal(err)
	}
	return p
}

func (p point) take(t testing.TB, k int) {
	ctx := t.Context()
	if _, err := p.source.Ask(ctx, 4, fmt.Sprintf("FREQ %d", 10_000_000+k%100), "VOLT 0.1", "*OPC?", "FREQ?",
		"VOLT?", "OUTP?"); err != nil {
		t.Fatal(err)
	}
	if _, err := p.analyser.Ask(ctx, 1, "READ:POW?"); err != nil {
		t.Fatal(err)
	}
}

func BenchmarkSetAndConfirmAndReading(b *testing.B) {
	bench := simbench.New(simbench.Config{})
	defer bench.Close()
	serve(b, bench, simbench.Serving{Transports: simbench.Transports})
	for _, tr := range simbench.Transports {
		b.Run(string(tr), func(b *testing.B) {
			p := openPoint(b, bench, tr)
			for k := 0; b.Loop(); k++ {
				p.take(b, k)
			}
		})
	}
}

// speedScript has the same dialogue twice. In its plain form it is written as a script is written
// first: a message for each thing. In its best form it takes as few messages as ours, on a socket
// that holds nothing back.
const speedScript = `
import sys, time, socket, pyvisa
source, analyser, form, count = sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4])
rm = pyvisa.ResourceManager('@py')
s, a = [rm.open_resource(x, read_termination='\n', write_termination='\n', timeout=5000) for x in (source, analyser)]
if form == 'best':
    for r in (s, a):
        session = r.visalib.sessions[r.session]
        if hasattr(session.interface, 'setsockopt'):
            session.interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
def plain(k):
    s.write('FREQ %d' % (10000000 + k % 100))
    s.write('VOLT 0.1')
    assert s.query('*OPC?') == '1'
    s.query('FREQ?'), s.query('VOLT?'), s.query('OUTP?')
    assert s.query('SYST:ERR?').startswith('0,')
    a.query('READ:POW?')
    assert a.query('SYST:ERR?').startswith('0,')
def best(k):
    assert len(s.query('FREQ %d;:VOLT 0.1;*OPC?;:FREQ?;:VOLT?;:OUTP?;:SYST:ERR?' % (10000000 + k % 100)).split(';')) == 5
    assert len(a.query('READ:POW?;:SYST:ERR?').split(';')) == 2
take = best if form == 'best' else plain
for k in range(10):
    take(k)
lowest = 1e9
for _ in range(10):
    began = time.perf_counter()
    for k in range(count):
        take(k)
    lowest = min(lowest, (time.perf_counter() - began) / count)
print(lowest)
`

// TestOutsideFiguresOfSpeed measures side by side in one run and asserts nothing.
func TestOutsideFiguresOfSpeed(t *testing.T) {
	if testing.Short() {
		t.Skip("figures only")
	}
	python := program(t, "/usr/bin/python3", "-c", "import pyvisa, pyvisa_py")
	b := simbench.New(simbench.Config{})
	t.Cleanup(func() { b.Close() })
	wellKnown(t, b)
	ours := map[simbench.Transport]time.Duration{}
	points := map[simbench.Transport]point{}
	for _, tr := range simbench.Transports {
		points[tr] = openPoint(t, b, tr)
	}
	// The lowest of ten rounds counts, ours as theirs; in turn, so that what else runs here slows all alike.
	const rounds, each = 10, 100
	for round := range rounds + 1 {
		for _, tr := range simbench.Transports {
			began := time.Now()
			for k := range each {
				points[tr].take(t, k)
			}
			if took := time.Since(began) / each; round == 1 || round > 1 && took < ours[tr] {
				ours[tr] = took
			}
		}
	}
	raw := ours[simbench.Raw]
	t.Logf("figure: set-and-confirm and a reading over loopback: raw %v, VXI-11 %v (%.2f times raw), HiSLIP %v (%.2f "+
		"times raw)",
		raw.Round(time.Microsecond), ours[simbench.VXI11].Round(time.Microsecond), ratio(ours[simbench.VXI11], raw),
		ours[simbench.HiSLIP].Round(time.Microsecond), ratio(ours[simbench.HiSLIP], raw))
	for _, tr := range []simbench.Transport{simbench.Raw, simbench.VXI11} {
		for form, count := range map[string]string{"plain": "3", "best": "100"} {
			out, err := exec.Command(python, "-c", speedScript, b.AddressOver(tr, "source"),
				b.AddressOver(tr, "analyser"), form, count).CombinedOutput()
			seconds, e := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
			if err != nil || e != nil {
				t.Fatalf("%v: %s", err, out)
			}
			theirs := time.Duration(seconds * float64(time.Second))
			t.Logf("figure: the same over %s by a script on pyvisa-py, %s form: %v, %.1f times ours", tr, form,
				theirs.Round(time.Microsecond), ratio(theirs, ours[tr]))
		}
	}
}

func ratio(a, b time.Duration) float64 { return float64(a) / float64(b) }
