package transport_test

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"provoke/internal/bench/scpi"
	"provoke/internal/bench/scpi/transport"
	"provoke/internal/bench/simbench"
)

func TestMain(m *testing.M) {
	flag.Set("test.parallel", "16") // the tests wait for time limits more than they compute
	goleak.VerifyTestMain(m)
}

// way is one way to the simulated bench's source. Each goes through the real client code; what stands
// between it and the bench is real where it can be (sockets, pseudo-terminals), else a stand-in.
type way struct {
	name string
	// reach returns the Dial of a face; it may skip the test.
	reach func(t *testing.T, b *simbench.Bench, face string) scpi.Dial
	// clears: the transport has a device clear.
	clears bool
	// connected: the transport has connections of its own, which the bench can close.
	connected bool
	// longest block that takes no more than a second or two; 0 for any.
	longest int
	// seesLater: what lies behind an answer is noticed before the next message only.
	seesLater bool
}

// over serves the bench on a transport and dials the address that it gives.
func over(t simbench.Transport) func(*testing.T, *simbench.Bench, string) scpi.Dial {
	return func(test *testing.T, b *simbench.Bench, face string) scpi.Dial {
		serve(test, b, simbench.Serving{Transports: []simbench.Transport{t}})
		return dialOf(test, b.Address(face), transport.Options{})
	}
}

// unmarked is the same for an instrument that marks no end: its terminator ends an answer.
func unmarked(t simbench.Transport) func(*testing.T, *simbench.Bench, string) scpi.Dial {
	return func(test *testing.T, b *simbench.Bench, face string) scpi.Dial {
		serve(test, b, simbench.Serving{Transports: []simbench.Transport{t}})
		return dialOf(test, b.Address(face), transport.Options{Unmarked: true})
	}
}

func serve(t testing.TB, b *simbench.Bench, s simbench.Serving) {
	t.Helper()
	if s.Address == "" {
		s.Address = "127.0.0.1:0"
	}
	if err := b.Serve(s); err != nil {
		t.Fatal(err)
	}
}

func dialOf(t testing.TB, address string, o transport.Options) scpi.Dial {
	t.Helper()
	d, err := new(transport.Opener).Dial(address, o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// ways lists every transport; files of their own add to it.
var ways = []way{
	{name: "raw", reach: over(simbench.Raw), connected: true},
	{name: "VXI-11", reach: over(simbench.VXI11), clears: true, connected: true},
	{name: "HiSLIP", reach: over(simbench.HiSLIP), clears: true, connected: true},
	{name: "VXI-11 unmarked", reach: unmarked(simbench.VXI11), clears: true, connected: true, seesLater: true},
	{name: "HiSLIP unmarked", reach: unmarked(simbench.HiSLIP), clears: true, connected: true},
	{name: "HiSLIP overlapped", reach: func(t *testing.T, b *simbench.Bench, face string) scpi.Dial {
		serve(t, b, simbench.Serving{Transports: []simbench.Transport{simbench.HiSLIP}, Overlap: true})
		return dialOf(t, b.Address(face), transport.Options{})
	}, clears: true, connected: true},
}

// limit is the time limit of an exchange where a test waits for it to pass; patience where none may.
const (
	limit    = 500 * time.Millisecond
	patience = 10 * time.Second
)

// conformance runs f for every transport with a Conn to the source.
func conformance(t *testing.T, timeout time.Duration, f func(t *testing.T, w way, b *simbench.Bench, c *scpi.Conn)) {
	t.Parallel()
	for _, w := range ways {
		t.Run(w.name, func(t *testing.T) {
			t.Parallel()
			b := simbench.New(simbench.Config{Seed: 1})
			t.Cleanup(func() { b.Close() })
			c := scpi.New(scpi.Options{Name: "source SG1", Dial: w.reach(t, b, "source"), Timeout: timeout,
				DialTimeout: max(timeout, 2*limit)})
			t.Cleanup(func() { c.Close() })
			f(t, w, b, c)
		})
	}
}

func ask(t *testing.T, c *scpi.Conn, question, want string) {
	t.Helper()
	if got, err := c.Query(t.Context(), question); err != nil || got != want {
		t.Fatalf("%.60s answers %q, %v; want %q", question, got, err, want)
	}
}

// recovers asks until the answer comes: after a fault a question may fail, in particular on a machine that
// is busy, but no answer may be another one's.
func recovers(t *testing.T, c *scpi.Conn, question, want string) {
	t.Helper()
	for began := time.Now(); ; {
		got, err := c.Query(t.Context(), question)
		if err == nil && got == want {
			return
		}
		if err == nil || time.Since(began) > patience {
			t.Fatalf("%.60s answers %q, %v; want %q", question, got, err, want)
		}
	}
}

const identity = "provoke simulated bench,function generator,S1,1"

func TestEachMessageHasOneAnswer(t *testing.T) {
	conformance(t, patience, func(t *testing.T, _ way, b *simbench.Bench, c *scpi.Conn) {
		for i := range 30 {
			ask(t, c, "*IDN?", identity)
			ask(t, c, fmt.Sprintf("*ESE %d;*ESE?", i), fmt.Sprint(i))
		}
		if err := c.Set(t.Context(), "FREQ 27.12 MHZ", "VOLT 0.2"); err != nil {
			t.Error(err)
		}
		if answers, err := c.Ask(t.Context(), 2, "FREQ?", "VOLT?"); err != nil || len(answers) != 2 ||
			!strings.HasPrefix(answers[0], "2.712") {
			t.Errorf("%q, %v", answers, err)
		}
		var refused *scpi.InstrumentError
		if err := c.Set(t.Context(), "VOLT 11"); !errors.As(err, &refused) || refused.Code != -222 {
			t.Errorf("got %v", err)
		}
		if c.Generation() != 1 {
			t.Errorf("generation %d: the connection did not last", c.Generation())
		}
	})
}

func TestAMessageWithoutAnAnswerLeavesNothingBehind(t *testing.T) {
	conformance(t, patience, func(t *testing.T, _ way, b *simbench.Bench, c *scpi.Conn) {
		for range 10 {
			if err := c.Write(t.Context(), "FREQ 1E6"); err != nil {
				t.Fatal(err)
			}
		}
		ask(t, c, "*OPC?", "1")
	})
}

// counting is the block that DIAGnostic:BLOCk? answers: every byte value, line ends among them.
func counting(n int) []byte {
	out := make([]byte, n)
	for i := range out {
		out[i] = byte(i)
	}
	return out
}

func TestBlocksComeWholeWhateverBytesTheyHold(t *testing.T) {
	conformance(t, patience, func(t *testing.T, w way, b *simbench.Bench, c *scpi.Conn) {
		for _, n := range []int{0, 1, 10, 11, 256, 4096, 70_000, 300_000, 1_500_000} {
			if w.longest > 0 && n > w.longest {
				break
			}
			got, err := c.QueryBlock(t.Context(), fmt.Sprintf("DIAG:BLOC? %d", n), 0)
			if err != nil || !bytes.Equal(got, counting(n)) {
				t.Fatalf("a block of %d bytes came with %d, %v", n, len(got), err)
			}
			ask(t, c, "*IDN?", identity)
		}
	})
}

func TestALongMessageArrivesWhole(t *testing.T) {
	conformance(t, patience, func(t *testing.T, w way, b *simbench.Bench, c *scpi.Conn) {
		count := 7000
		if w.longest > 0 {
			count = 500
		}
		message := strings.Repeat("*ESE 1;", count) + "*ESE 42;*ESE?"
		ask(t, c, message, "42")
	})
}

func TestAfterATimeoutTheLateAnswerNeverCounts(t *testing.T) {
	conformance(t, limit, func(t *testing.T, _ way, b *simbench.Bench, c *scpi.Conn) {
		recovers(t, c, "*IDN?", identity)
		for _, delay := range []time.Duration{limit + limit/2, 2 * limit} {
			inject(t, b, simbench.Fault{Kind: simbench.FaultLate, Delay: delay, Only: "FREQ?", Times: 1})
			if got, err := c.Query(t.Context(), "FREQ?"); !errors.Is(err, scpi.ErrTimeout) ||
				!errors.Is(err, scpi.ErrPoisoned) {
				t.Fatalf("got %q, %v; want a timeout that poisons", got, err)
			}
			for range 20 {
				recovers(t, c, "*IDN?", identity)
				time.Sleep(limit / 20)
			}
		}
		if c.Generation() < 3 {
			t.Errorf("generation %d, want a new connection after each timeout", c.Generation())
		}
	})
}

func inject(t testing.TB, b *simbench.Bench, f simbench.Fault) {
	t.Helper()
	if err := b.Inject("source", f); err != nil {
		t.Fatal(err)
	}
}

// TestEveryFaultOfAConversationIsToldAndOvercome is the fault list of the instrument: what the next
// question after it must find is a good connection or a plain error, never a wrong answer.
func TestEveryFaultOfAConversationIsToldAndOvercome(t *testing.T) {
	for _, f := range []struct {
		name  string
		fault simbench.Fault
		want  error
	}{
		{"two answers glued", simbench.Fault{Kind: simbench.FaultTwice}, scpi.ErrDirty},
		{"half a line", simbench.Fault{Kind: simbench.FaultHalf}, scpi.ErrTimeout},
		{"closed in mid-reply", simbench.Fault{Kind: simbench.FaultTorn}, scpi.ErrClosed},
		{"closed in place of a reply", simbench.Fault{Kind: simbench.FaultCloses}, scpi.ErrClosed},
		{"rebooted", simbench.Fault{Kind: simbench.FaultReboots}, scpi.ErrClosed},
		{"never answers", simbench.Fault{Kind: simbench.FaultSilent}, scpi.ErrTimeout},
		{"deaf", simbench.Fault{Kind: simbench.FaultDeaf}, scpi.ErrTimeout},
	} {
		t.Run(f.name, func(t *testing.T) {
			conformance(t, limit, func(t *testing.T, w way, b *simbench.Bench, c *scpi.Conn) {
				want := f.want
				if want == scpi.ErrClosed && !w.connected {
					want = scpi.ErrTimeout // nothing tells a line that is dead from one that is quiet
				}
				recovers(t, c, "*IDN?", identity)
				fault := f.fault
				fault.Only, fault.Times = "FREQ?", 1
				inject(t, b, fault)
				got, err := c.Query(t.Context(), "FREQ?")
				if f.fault.Kind == simbench.FaultTwice && w.seesLater && err == nil {
					got, err = c.Query(t.Context(), "*IDN?")
				}
				if !errors.Is(err, want) || !errors.Is(err, scpi.ErrPoisoned) || got != "" {
					t.Errorf("got %q, %v; want %v", got, err, want)
				}
				recovers(t, c, "*IDN?", identity)
				recovers(t, c, "*OPC?", "1")
			})
		})
	}
}

func TestGarbageIsAnAnswerThatTheReaderRefuses(t *testing.T) {
	conformance(t, patience, func(t *testing.T, _ way, b *simbench.Bench, c *scpi.Conn) {
		inject(t, b, simbench.Fault{Kind: simbench.FaultGarbage, Only: "SYST:ERR?", Times: 1})
		if err := c.Set(t.Context(), "FREQ 1E6"); !errors.Is(err, scpi.ErrGarbage) ||
			!errors.Is(err, scpi.ErrPoisoned) {
			t.Errorf("got %v", err)
		}
		ask(t, c, "*IDN?", identity)
	})
}

func TestAnOverflowingErrorQueueIsReadToItsEnd(t *testing.T) {
	conformance(t, patience, func(t *testing.T, _ way, b *simbench.Bench, c *scpi.Conn) {
		inject(t, b, simbench.Fault{Kind: simbench.FaultOverflow, Only: "FREQ", Times: 1})
		err := c.Set(t.Context(), "FREQ 1E6")
		var e *scpi.InstrumentError
		if !errors.As(err, &e) || !strings.Contains(err.Error(), "-350") {
			t.Errorf("got %v", err)
		}
		if err := c.Set(t.Context(), "FREQ 1E6"); err != nil {
			t.Errorf("after it: %v", err)
		}
	})
}

func TestDeviceClearDropsWhatIsUnderWayAndNothingElse(t *testing.T) {
	conformance(t, patience, func(t *testing.T, w way, b *simbench.Bench, c *scpi.Conn) {
		if err := c.Set(t.Context(), "FREQ 5E6"); err != nil {
			t.Fatal(err)
		}
		err := c.Hold(t.Context(), func(s *scpi.Session) error {
			if err := s.Write("*ESE?"); err != nil { // a question whose answer nobody takes
				return err
			}
			if err := s.Clear(); err != nil {
				return err
			}
			got, err := s.Query("FREQ?")
			if err != nil || !strings.HasPrefix(got, "5.0") {
				t.Errorf("after the clear: %q, %v", got, err)
			}
			return err
		})
		if err != nil && w.clears {
			t.Error(err)
		}
		ask(t, c, "*OPC?", "1")
	})
}

func TestTheStatusByteTellsOfErrors(t *testing.T) {
	conformance(t, patience, func(t *testing.T, w way, b *simbench.Bench, c *scpi.Conn) {
		read := func() byte {
			var status byte
			err := c.Hold(t.Context(), func(s *scpi.Session) (err error) {
				status, err = s.Status()
				return err
			})
			if err != nil {
				t.Error(err)
			}
			return status
		}
		if got := read(); got != 0 {
			t.Errorf("status %d of an instrument that is well", got)
		}
		if err := c.Write(t.Context(), "VOLT 11"); err != nil {
			t.Fatal(err)
		}
		ask(t, c, "*OPC?", "1")
		const errorQueue = 4 // SCPI-1999 volume 1, 9.1: bit 2
		if got := read(); got != errorQueue {
			t.Errorf("status %d with an error in the queue", got)
		}
	})
}

func TestAConnectionThatIsIdleStaysGood(t *testing.T) {
	conformance(t, patience, func(t *testing.T, _ way, b *simbench.Bench, c *scpi.Conn) {
		ask(t, c, "*IDN?", identity)
		time.Sleep(2 * limit)
		ask(t, c, "*IDN?", identity)
		if c.Generation() != 1 {
			t.Errorf("generation %d", c.Generation())
		}
	})
}

func TestACablePulledInMidWriteEndsInATimeout(t *testing.T) {
	conformance(t, limit, func(t *testing.T, _ way, b *simbench.Bench, c *scpi.Conn) {
		ask(t, c, "*IDN?", identity)
		inject(t, b, simbench.Fault{Kind: simbench.FaultUnplugged})
		for range 2 { // on the connection that is open, and on a new one
			began := time.Now()
			_, err := c.Query(t.Context(), strings.Repeat("*ESE 1;", 8000)+"*ESE?")
			if !errors.Is(err, scpi.ErrTimeout) || !errors.Is(err, scpi.ErrPoisoned) {
				t.Errorf("got %v", err)
			}
			if took := time.Since(began); took > 5*limit {
				t.Errorf("given up after %v", took)
			}
		}
		b.Clear("source")
		recovers(t, c, "*IDN?", identity) // what stands between may still be busy with what was said before
	})
}

func TestSilencingIsNotHeldUpByAnExchangeThatHangs(t *testing.T) {
	conformance(t, patience, func(t *testing.T, _ way, b *simbench.Bench, c *scpi.Conn) {
		ask(t, c, "OUTP 1;OUTP?", "1")
		inject(t, b, simbench.Fault{Kind: simbench.FaultSilent, Only: "FREQ?"})
		patient := make(chan error)
		slow, stop := context.WithTimeout(t.Context(), patience)
		defer stop()
		go func() {
			patient <- c.Hold(slow, func(s *scpi.Session) error { _, err := s.Query("FREQ?"); return err })
		}()
		time.Sleep(20 * time.Millisecond)
		err := c.HoldUrgently(t.Context(), func(s *scpi.Session) error {
			got, err := s.Query("OUTP 0;OUTP?")
			if got != "0" {
				t.Errorf("the output reads back as %q", got)
			}
			return err
		})
		if err != nil || b.State().On {
			t.Errorf("RF is on, %v", err)
		}
		<-patient
	})
}
