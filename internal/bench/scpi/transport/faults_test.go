package transport_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"provoke/internal/bench/scpi"
	"provoke/internal/bench/scpi/hislip"
	"provoke/internal/bench/scpi/transport"
	"provoke/internal/bench/scpi/vxi11"
	"provoke/internal/bench/simbench"
)

// addressesAt are the resource strings that lead to a port of the loopback.
func addressesAt(port int) map[string]string {
	return map[string]string{
		"raw":          fmt.Sprintf("TCPIP::127.0.0.1::%d::SOCKET", port),
		"VXI-11":       fmt.Sprintf("TCPIP::127.0.0.1:%d::inst0::INSTR", port),
		"HiSLIP":       fmt.Sprintf("TCPIP::127.0.0.1::hislip0,%d::INSTR", port),
		"GPIB adapter": "GPIB0::9::INSTR",
	}
}

// reach asks who is there and returns the error and how long it took.
func reach(t *testing.T, address string, o transport.Options) (time.Duration, error) {
	t.Helper()
	c := scpi.New(scpi.Options{Name: "source SG1", Dial: dialOf(t, address, o), Timeout: limit, DialTimeout: limit})
	defer c.Close()
	began := time.Now()
	_, err := c.Query(t.Context(), "*IDN?")
	return time.Since(began), err
}

func TestAnInstrumentThatRefusesIsToldAtOnce(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	l.Close()
	for name, address := range addressesAt(port) {
		took, err := reach(t, address, transport.Options{Through: addressesAt(port)["raw"]})
		if !errors.Is(err, scpi.ErrNotConnected) || !strings.Contains(err.Error(), "refused") || took > limit {
			t.Errorf("%s: %v after %v", name, err, took)
		}
	}
	if _, err := reach(t, "ASRL"+filepath.Join(t.TempDir(), "none")+"::INSTR", transport.Options{}); !errors.Is(err,
		scpi.ErrNotConnected) {
		t.Errorf("serial: %v", err)
	}
	if _, err := reach(t, "USB0::0x1234::0x5678::NONE::INSTR", transport.Options{}); !errors.Is(err,
		scpi.ErrNotConnected) {
		t.Errorf("USB: %v", err)
	}
}

func TestAnInstrumentThatAcceptsAndSaysNothingEndsInATimeout(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			defer c.Close()
		}
	}()
	port := l.Addr().(*net.TCPAddr).Port
	for name, address := range addressesAt(port) {
		t.Run(name, func(t *testing.T) {
			took, err := reach(t, address, transport.Options{Through: addressesAt(port)["raw"]})
			if !errors.Is(err, scpi.ErrTimeout) || took > 3*limit {
				t.Errorf("%v after %v", err, took)
			}
		})
	}
}

func TestAnInstrumentThatIsAbsentEndsInATimeout(t *testing.T) {
	// TEST-NET-1 (RFC 5737): nobody is there. A machine without a route says so at once.
	for name, address := range map[string]string{"raw": "TCPIP::192.0.2.1::5025::SOCKET",
		"VXI-11": "TCPIP::192.0.2.1::inst0::INSTR",
		"HiSLIP": "TCPIP::192.0.2.1::hislip0::INSTR", "GPIB adapter": "GPIB0::9::INSTR"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			took, err := reach(t, address, transport.Options{Through: "TCPIP::192.0.2.1::1234::SOCKET"})
			if !errors.Is(err, scpi.ErrNotConnected) || took > 2*limit {
				t.Errorf("%v after %v", err, took)
			}
		})
	}
}

func TestAQuestionWhoseAnswerNobodyTookEndsAHiSLIPSession(t *testing.T) {
	// IEEE 488.2, 6.3.2.3: the instrument throws the answer away and enters -410 (IVI-6.1, interrupted
	// transaction); what is left on the way carries another number.
	b := simbench.New(simbench.Config{})
	defer b.Close()
	serve(t, b, simbench.Serving{Transports: []simbench.Transport{simbench.HiSLIP}})
	s, err := hislip.Open(t.Context(), hislip.Options{Host: "127.0.0.1", Port: portOf(t, b.Address("source"))})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []string{"*ESE?\n", "*OPC?\n"} {
		if err := s.Send(t.Context(), []byte(m)); err != nil {
			t.Fatal(err)
		}
	}
	// The old answer may be on the way before the instrument has read the second question: either is refused.
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	for told := false; !told; {
		got, _, err := s.Receive(ctx)
		if !errors.Is(err, scpi.ErrDirty) {
			t.Fatalf("got %q, %v", got, err)
		}
		told = strings.Contains(err.Error(), "threw an answer away")
	}
	s.Close()
	p, err := hislip.Open(t.Context(), hislip.Options{Host: "127.0.0.1", Port: portOf(t, b.Address("source"))})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if err := p.Send(t.Context(), []byte("SYST:ERR?\n")); err != nil {
		t.Fatal(err)
	}
	if got, _, err := p.Receive(t.Context()); err != nil || !strings.HasPrefix(string(got), "-410,") {
		t.Errorf("the error queue: %q, %v", got, err)
	}
}

func TestAnInstrumentThatIsLockedSaysSo(t *testing.T) {
	b := simbench.New(simbench.Config{})
	defer b.Close()
	serve(t, b, simbench.Serving{Transports: []simbench.Transport{simbench.VXI11, simbench.HiSLIP}})
	owner, err := vxi11.Open(t.Context(), vxi11.Options{Host: "127.0.0.1", MapperPort: b.MapperPort(), Lock: true})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := reach(t, b.AddressOver(simbench.VXI11, "source"), transport.Options{}); !errors.Is(err,
		scpi.ErrInUse) {
		t.Errorf("locked by another: %v", err)
	}
	if err := owner.Send(t.Context(), []byte("*IDN?\n")); err != nil {
		t.Errorf("the owner of the lock: %v", err)
	}
	owner.Close()
	if _, err := reach(t, b.AddressOver(simbench.VXI11, "source"), transport.Options{}); err != nil {
		t.Errorf("let go: %v", err)
	}
	port := portOf(t, b.AddressOver(simbench.HiSLIP, "source"))
	first, err := hislip.Open(t.Context(), hislip.Options{Host: "127.0.0.1", Port: port})
	if err != nil {
		t.Fatal(err)
	}
	defer first.Close()
	second, err := hislip.Open(t.Context(), hislip.Options{Host: "127.0.0.1", Port: port})
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	if err := first.Lock(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	if err := second.Lock(t.Context(), 10*time.Millisecond); !errors.Is(err, scpi.ErrInUse) {
		t.Errorf("a lock that another session has: %v", err)
	}
	if exclusive, n, err := second.Locked(t.Context()); !exclusive || n != 1 || err != nil {
		t.Errorf("locked %v, %d, %v", exclusive, n, err)
	}
	if err := first.Unlock(t.Context()); err != nil {
		t.Error(err)
	}
}

func portOf(t *testing.T, address string) (port int) {
	t.Helper()
	if _, err := fmt.Sscanf(address, "TCPIP::127.0.0.1::hislip0,%d::INSTR", &port); err != nil {
		t.Fatalf("%s: %v", address, err)
	}
	return port
}

// busOf opens two instruments behind one adapter.
func busOf(t *testing.T) (b *simbench.Bench, a *adapter, source, meter *scpi.Conn) {
	b = simbench.New(simbench.Config{Seed: 1})
	t.Cleanup(func() { b.Close() })
	a = startAdapter(t, b)
	var opener transport.Opener
	at := func(face string) *scpi.Conn {
		c := scpi.New(scpi.Options{Name: face, Timeout: patience, Dial: dialOfOpener(t, &opener,
			fmt.Sprintf("GPIB0::%d::INSTR", busAddress(face)), transport.Options{Through: a.address()})})
		t.Cleanup(func() { c.Close() })
		return c
	}
	return b, a, at("source"), at("meter")
}

func TestInstrumentsOnABusTakeTurns(t *testing.T) {
	_, a, source, meter := busOf(t)
	var wg sync.WaitGroup
	for c, want := range map[*scpi.Conn]string{source: "function generator", meter: "meter"} {
		wg.Go(func() {
			for range 20 {
				if got, err := c.Query(t.Context(), "*IDN?"); err != nil || !strings.Contains(got, want) {
					t.Errorf("%s answers %q, %v", c.Name(), got, err)
					return
				}
			}
		})
	}
	wg.Wait()
	if source.Generation() != 1 || meter.Generation() != 1 {
		t.Errorf("generations %d and %d", source.Generation(), meter.Generation())
	}
	told := strings.Join(a.told(), " ")
	for _, want := range []string{"++savecfg 0 ++mode 1 ++auto 0 ++eoi 1 ++eos 3 ++ver", "++addr 1", "++addr 5",
		"++clr", "++read eoi"} {
		if !strings.Contains(told, want) {
			t.Errorf("the adapter was never told %q: %s", want, told)
		}
	}
}

func TestSilencingTakesTheBusFromWhoeverHasIt(t *testing.T) {
	b, _, source, meter := busOf(t)
	if got, err := source.Query(t.Context(), "OUTP 1;OUTP?"); err != nil || got != "1" {
		t.Fatalf("%q, %v", got, err)
	}
	if err := b.Inject("meter", simbench.Fault{Kind: simbench.FaultSilent, Only: "READ?"}); err != nil {
		t.Fatal(err)
	}
	hung := make(chan error, 1)
	go func() { _, err := meter.Query(t.Context(), "READ?"); hung <- err }()
	time.Sleep(50 * time.Millisecond)
	began := time.Now()
	off := func() error {
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		defer cancel()
		return source.HoldUrgently(ctx, func(s *scpi.Session) error { _, err := s.Query("OUTP 0;OUTP?"); return err })
	}
	// The bus is lost with the exchange that was cut off: the first try may fail, the next dials anew.
	// The adapter itself waits for the meter until its own limit, which is the longest that this takes.
	for off() != nil {
		if time.Since(began) > 8*time.Second {
			t.Fatal("the source could not be reached")
		}
	}
	if b.State().On {
		t.Error("the output is on")
	}
	t.Logf("off after %v", time.Since(began).Round(10*time.Millisecond))
	if err := <-hung; !errors.Is(err, scpi.ErrClosed) {
		t.Errorf("the exchange that was cut off: %v", err)
	}
}

func TestAnInstrumentOnABusHasAStatusByteAndATrigger(t *testing.T) {
	_, a, source, _ := busOf(t)
	err := source.Hold(t.Context(), func(s *scpi.Session) error {
		if b, err := s.Status(); err != nil || b != 0 {
			t.Errorf("status %d, %v", b, err)
		}
		return s.Trigger()
	})
	if err != nil {
		t.Error(err)
	}
	if _, err := source.Query(t.Context(), "*OPC?"); err != nil {
		t.Error(err)
	}
	if told := strings.Join(a.told(), " "); !strings.Contains(told, "++spoll") || !strings.Contains(told, "++trg") {
		t.Errorf("told %s", told)
	}
}

func TestAddressesThatLeadNowhereAreRefusedBeforeAnythingIsDialled(t *testing.T) {
	var p transport.Opener
	for address, c := range map[string]struct{ through, want string }{
		"GPIB0::9::INSTR": {"", "TCPIP::host::gpib0,9::INSTR"},
		"GPIB1::9::INSTR": {"TCPIP::h::inst0::INSTR", "raw socket or a serial port, not VXI-11"},
		"GPIB2::9::INSTR": {"h:1", "begins with none"},
		"h:5025":          {"", "begins with none"},
	} {
		if _, err := p.Dial(address, transport.Options{Through: c.through}); err == nil ||
			!strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", address, err)
		}
	}
}
