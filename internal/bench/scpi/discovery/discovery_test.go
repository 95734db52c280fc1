package discovery

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"golang.org/x/net/dns/dnsmessage"

	"provoke/internal/bench/scpi/hislip"
	"provoke/internal/bench/scpi/vxi11"
	"provoke/internal/bench/simbench"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func bench(t *testing.T, s simbench.Serving) *simbench.Bench {
	t.Helper()
	b := simbench.New(simbench.Config{})
	t.Cleanup(func() { b.Close() })
	s.Address = "127.0.0.1:0"
	s.Transports = simbench.Transports
	if err := b.Serve(s); err != nil {
		t.Fatal(err)
	}
	return b
}

func TestEveryKindOfNetworkInstrumentSaysWhoItIs(t *testing.T) {
	b := bench(t, simbench.Serving{})
	for _, tr := range simbench.Transports {
		f := Found{Address: b.AddressOver(tr, "source")}
		Ask(t.Context(), &f, 2*time.Second)
		if f.Identity != "provoke simulated bench,function generator,S1,1" || f.Err != nil || f.InUse != "" {
			t.Errorf("%s: %+v", tr, f)
		}
	}
}

func TestAskingChangesNothingAtTheInstrument(t *testing.T) {
	b := bench(t, simbench.Serving{})
	say := func(message string) string {
		c, err := b.Dial(t.Context(), "source")
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		fmt.Fprintln(c, message)
		buf := make([]byte, 200)
		n, _ := c.Read(buf)
		return strings.TrimSpace(string(buf[:n]))
	}
	say("VOLT 11;*ESE 42;*OPC?") // an entry in the error queue
	for _, tr := range simbench.Transports {
		f := Found{Address: b.AddressOver(tr, "source")}
		Ask(t.Context(), &f, 2*time.Second)
	}
	if got := say("*ESE?;:SYST:ERR?;:SYST:ERR?"); got != `42;-222,"Data out of range";0,"No error"` {
		t.Errorf("afterwards: %s", got)
	}
}

func TestAnInstrumentInUseIsLeftAlone(t *testing.T) {
	b := bench(t, simbench.Serving{})
	l, err := vxi11.Open(t.Context(), vxi11.Options{Host: "127.0.0.1", MapperPort: b.MapperPort(), Device: "inst2",
		Lock: true})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for _, tr := range []simbench.Transport{simbench.VXI11, simbench.HiSLIP} {
		f := Found{Address: b.AddressOver(tr, "analyser")}
		Ask(t.Context(), &f, 2*time.Second)
		if f.InUse == "" || f.Identity != "" || f.Err != nil {
			t.Errorf("%s of an analyser that is locked: %+v", tr, f)
		}
	}
	// A raw socket would not show the lock: it is not tried once the lock was seen.
	list := []*Found{{Address: b.AddressOver(simbench.Raw, "analyser")},
		{Address: b.AddressOver(simbench.VXI11, "analyser")}}
	askHost(t.Context(), list, 2*time.Second)
	for _, f := range list {
		if f.InUse == "" || f.Identity != "" {
			t.Errorf("%+v", f)
		}
	}
	h, err := hislip.Open(t.Context(), hislip.Options{Host: "127.0.0.1",
		Port: hislipPort(t, b.AddressOver(simbench.HiSLIP, "meter"))})
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	if err := h.Lock(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	f := Found{Address: b.AddressOver(simbench.HiSLIP, "meter")}
	if Ask(t.Context(), &f, 2*time.Second); f.InUse == "" {
		t.Errorf("%+v", f)
	}
}

func hislipPort(t *testing.T, address string) (port int) {
	t.Helper()
	if _, err := fmt.Sscanf(address, "TCPIP::127.0.0.1::hislip0,%d::INSTR", &port); err != nil {
		t.Fatal(err)
	}
	return port
}

func TestAskingHasAShortLimit(t *testing.T) {
	b := bench(t, simbench.Serving{})
	for _, k := range []simbench.FaultKind{simbench.FaultDeaf, simbench.FaultUnplugged} {
		b.Clear("source")
		if err := b.Inject("source", simbench.Fault{Kind: k}); err != nil {
			t.Fatal(err)
		}
		for _, tr := range simbench.Transports {
			f := Found{Address: b.AddressOver(tr, "source")}
			began := time.Now()
			Ask(t.Context(), &f, 200*time.Millisecond)
			if f.Err == nil || time.Since(began) > time.Second {
				t.Errorf("%s, %s: %+v after %v", k, tr, f, time.Since(began))
			}
		}
	}
}

func TestABroadcastFindsThePortMapper(t *testing.T) {
	// A unicast address stands for the broadcast here, so that no network is needed.
	b := bench(t, simbench.Serving{Mapper: 20000 + rand.IntN(20000)})
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	var found []vxi11.Found
	if err := vxi11.Broadcast(ctx, net.IPv4(127, 0, 0, 1), net.IPv4(127, 0, 0, 1), b.MapperPort(),
		func(f vxi11.Found) { found = append(found, f) }); err != nil {
		t.Fatal(err)
	}
	if len(found) != 1 || found[0].Host != "127.0.0.1" || found[0].Port == 0 {
		t.Errorf("%+v", found)
	}
}

func TestNoNetworkIsSaidPlainly(t *testing.T) {
	_, err := network(t.Context(), Options{Interface: "nowhere0"}.withDefaults())
	if !errors.Is(err, ErrNoNetwork) || !strings.Contains(err.Error(),
		"no network: there is no interface nowhere0, there are ") {
		t.Errorf("got %v", err)
	}
}

func TestOneAddressFoundTwiceIsOneEntry(t *testing.T) {
	got := merge([]Found{
		{Address: "TCPIP::10.0.0.2::inst0::INSTR", How: []How{ByBroadcast}},
		{Address: "ASRL/dev/ttyS0::INSTR", How: []How{BySerial}},
		{Address: "TCPIP::10.0.0.2::INST0::INSTR", How: []How{ByMulticast}, Name: "a generator"},
		{Address: "TCPIP::10.0.0.2::inst0::INSTR", How: []How{ByMulticast}},
	})
	if len(got) != 2 || got[1].Name != "a generator" || !slices.Equal(got[1].How, []How{ByBroadcast, ByMulticast}) {
		t.Errorf("%+v", got)
	}
}

func TestADeviceThatAnotherProgramHasOpenIsTold(t *testing.T) {
	if who := holder("/dev/null"); who == "" && os.Getenv("CI") == "true" {
		t.Log("no other program has /dev/null open here")
	}
	if who := holder("/dev/does-not-exist"); who != "" {
		t.Errorf("%s has a device that is not there", who)
	}
}

// answerOf makes a response by RFC 1035 and RFC 6762 with the record that made another reader throw the
// whole packet away: an NSEC whose bitmap is empty, as a responder in wide use sends it.
func answerOf(t *testing.T) []byte {
	t.Helper()
	name := func(s string) dnsmessage.Name { n, err := dnsmessage.NewName(s); must(t, err); return n }
	b := dnsmessage.NewBuilder(nil, dnsmessage.Header{Response: true, Authoritative: true})
	must(t, b.StartAnswers())
	instance := name("Signal source._hislip._tcp.local.")
	must(t, b.PTRResource(dnsmessage.ResourceHeader{Name: name("_hislip._tcp.local."), Class: dnsmessage.ClassINET,
		TTL: 120}, dnsmessage.PTRResource{PTR: instance}))
	must(t, b.StartAdditionals())
	must(t, b.UnknownResource(dnsmessage.ResourceHeader{Name: name("bench.local."), Class: dnsmessage.ClassINET,
		TTL: 120}, dnsmessage.UnknownResource{Type: 47, Data: []byte{0, 0, 0}}))
	must(t, b.SRVResource(dnsmessage.ResourceHeader{Name: instance, Class: dnsmessage.ClassINET, TTL: 120},
		dnsmessage.SRVResource{Port: 4880, Target: name("bench.local.")}))
	must(t, b.AResource(dnsmessage.ResourceHeader{Name: name("Bench.local."), Class: dnsmessage.ClassINET, TTL: 120},
		dnsmessage.AResource{A: [4]byte{10, 0, 0, 7}}))
	packet, err := b.Finish()
	must(t, err)
	return packet
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestAnAnnouncedInstrumentIsFoundByAUnicastQuery(t *testing.T) {
	responder, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	must(t, err)
	defer responder.Close()
	asked := make(chan []byte, 4)
	go func() {
		buf := make([]byte, 1500)
		for {
			n, from, err := responder.ReadFromUDP(buf)
			if err != nil {
				return
			}
			asked <- slices.Clone(buf[:n])
			responder.WriteToUDP([]byte("no DNS"), from)
			responder.WriteToUDP(answerOf(t), from)
		}
	}()
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	must(t, err)
	defer conn.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	got, err := query(ctx, conn, responder.LocalAddr().(*net.UDPAddr))
	if err != nil || len(got) != 1 || got[0].Address != "TCPIP::10.0.0.7::hislip0::INSTR" ||
		got[0].Name != "Signal source" {
		t.Errorf("%+v, %v", got, err)
	}
	var p dnsmessage.Parser
	_, err = p.Start(<-asked)
	must(t, err)
	questions, err := p.AllQuestions()
	must(t, err)
	var names []string
	for _, q := range questions {
		names = append(names, q.Name.String())
		if q.Type != dnsmessage.TypePTR || q.Class != 0x8001 {
			t.Errorf("%v", q)
		}
	}
	// the service names of the LXI Device Specification, from memory
	if want := []string{"_hislip._tcp.local.", "_vxi-11._tcp.local.", "_scpi-raw._tcp.local.",
		"_lxi._tcp.local."}; !slices.Equal(names, want) {
		t.Errorf("asked for %v", names)
	}
}

func FuzzLearn(f *testing.F) {
	f.Add([]byte("\x00\x00\x84\x00\x00\x00\x00\x01\x00\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, packet []byte) {
		k := known{service: map[string]int{}, at: map[string]placed{}, host: map[string]net.IP{}}
		k.learn(packet, net.IPv4(127, 0, 0, 1))
		k.found()
	})
}
