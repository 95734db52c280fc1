package scpi

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// peer is an instrument on net.Pipe: each dial starts serve on a new connection.
type peer struct {
	mu    sync.Mutex
	dials int
	heard []string
	serve func(dial int, p *peerConn)
}

type peerConn struct {
	net.Conn
	lines *bufio.Reader
	peer  *peer
}

// next returns the next message, "" when the connection is closed.
func (p *peerConn) next() string {
	line, err := p.lines.ReadString('\n')
	if err != nil {
		return ""
	}
	line = strings.TrimSuffix(line, "\n")
	p.peer.mu.Lock()
	p.peer.heard = append(p.peer.heard, line)
	p.peer.mu.Unlock()
	return line
}

func (p *peerConn) say(text string) { io.WriteString(p.Conn, text) }

func (p *peer) dial(ctx context.Context) (Port, error) { return Streams(p.open)(ctx) }

func (p *peer) open(context.Context) (io.ReadWriteCloser, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.dials++
	n := p.dials
	here, there := net.Pipe()
	go func() {
		defer there.Close()
		p.serve(n, &peerConn{Conn: there, lines: bufio.NewReader(there), peer: p})
	}()
	return here, nil
}

// answers makes a serve function that gives each message its answer; a message without one is
// heard and not answered.
func answers(table map[string]string) func(int, *peerConn) {
	return func(_ int, p *peerConn) {
		for m := p.next(); m != ""; m = p.next() {
			if a, ok := table[m]; ok {
				p.say(a)
			}
		}
	}
}

func newConn(t *testing.T, p *peer, o Options) *Conn {
	t.Helper()
	o.Dial, o.Name = p.dial, "source SG1"
	c := New(o)
	t.Cleanup(func() { c.Close() })
	return c
}

func TestAQueryReturnsTheAnswerWithoutItsTerminator(t *testing.T) {
	p := &peer{serve: answers(map[string]string{"*IDN?": "a generator\r\n"})}
	c := newConn(t, p, Options{})
	got, err := c.Query(t.Context(), "*IDN?")
	if err != nil || got != "a generator" {
		t.Fatalf("got %q, %v", got, err)
	}
	if want := "*CLS *IDN?"; strings.Join(p.heard, " ") != want {
		t.Errorf("heard %q, want %q", p.heard, want)
	}
	if c.Generation() != 1 {
		t.Errorf("generation %d after one dial", c.Generation())
	}
}

func TestALateAnswerNeverCountsForTheNextQuestion(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &peer{serve: func(n int, p *peerConn) {
			for m := p.next(); m != ""; m = p.next() {
				switch m {
				case "SLOW?":
					time.Sleep(2500 * time.Millisecond)
					p.say("late\n")
				case "*IDN?":
					p.say("a generator\n")
				}
			}
		}}
		c := newConn(t, p, Options{})
		began := time.Now()
		_, err := c.Query(t.Context(), "SLOW?")
		if !errors.Is(err, ErrTimeout) || !errors.Is(err, ErrPoisoned) {
			t.Fatalf("got %v, want a timeout that poisons", err)
		}
		if d := time.Since(began); d != DefaultTimeout {
			t.Errorf("gave up after %v, want the default of %v", d, DefaultTimeout)
		}
		time.Sleep(2 * time.Second)
		got, err := c.Query(t.Context(), "*IDN?")
		if err != nil || got != "a generator" {
			t.Errorf("next question got %q, %v", got, err)
		}
		if c.Generation() != 2 {
			t.Errorf("generation %d, want 2 after a poisoned connection", c.Generation())
		}
	})
}

func TestBytesThatNobodyAskedForMakeTheLinkDirty(t *testing.T) {
	t.Run("two answers glued", func(t *testing.T) {
		p := &peer{serve: answers(map[string]string{"A?": "1\n2\n", "B?": "3\n"})}
		c := newConn(t, p, Options{})
		if got, err := c.Query(t.Context(), "A?"); !errors.Is(err, ErrDirty) || got != "" {
			t.Fatalf("got %q, %v; want a dirty link", got, err)
		}
		if got, err := c.Query(t.Context(), "B?"); err != nil || got != "3" {
			t.Errorf("after redial: %q, %v", got, err)
		}
	})
	t.Run("second answer while idle", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			p := &peer{serve: func(n int, p *peerConn) {
				for m := p.next(); m != ""; m = p.next() {
					if m == "A?" {
						p.say("1\n")
						time.Sleep(time.Millisecond)
						p.say("1\n")
					}
					if m == "B?" {
						p.say("3\n")
					}
				}
			}}
			c := newConn(t, p, Options{})
			if got, err := c.Query(t.Context(), "A?"); err != nil || got != "1" {
				t.Fatalf("got %q, %v", got, err)
			}
			time.Sleep(10 * time.Millisecond)
			synctest.Wait()
			if got, err := c.Query(t.Context(), "B?"); err != nil || got != "3" {
				t.Errorf("got %q, %v", got, err)
			}
			if c.Generation() != 2 {
				t.Errorf("generation %d, want a new connection", c.Generation())
			}
		})
	})
}

func TestAConnectionClosedInMidAnswerIsAnError(t *testing.T) {
	p := &peer{serve: func(n int, p *peerConn) {
		for m := p.next(); m != ""; m = p.next() {
			if m == "READ?" && n == 1 {
				p.say("-12.")
				return
			}
			if m == "READ?" {
				p.say("-12.5\n")
			}
		}
	}}
	c := newConn(t, p, Options{})
	if got, err := c.Query(t.Context(), "READ?"); !errors.Is(err, ErrClosed) || got != "" {
		t.Fatalf("got %q, %v", got, err)
	}
	if got, err := c.Query(t.Context(), "READ?"); err != nil || got != "-12.5" {
		t.Errorf("after redial: %q, %v", got, err)
	}
}

func TestAConnectionLostWhileIdleIsDialledAnewBeforeTheNextMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &peer{serve: func(n int, p *peerConn) {
			for m := p.next(); m != ""; m = p.next() {
				if m == "A?" {
					p.say("1\n")
					return
				}
				if m == "B?" {
					p.say("2\n")
				}
			}
		}}
		c := newConn(t, p, Options{})
		c.Query(t.Context(), "A?")
		synctest.Wait()
		if got, err := c.Query(t.Context(), "B?"); err != nil || got != "2" {
			t.Errorf("got %q, %v", got, err)
		}
		if c.Generation() != 2 {
			t.Errorf("generation %d", c.Generation())
		}
	})
}

func TestAPinnedSessionSendsNothingOnAnotherConnection(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &peer{serve: func(n int, p *peerConn) {
			for m := p.next(); m != ""; m = p.next() {
				if m == "OUTP?" {
					p.say("0\n")
					return // the instrument is switched off and on
				}
			}
		}}
		c := newConn(t, p, Options{})
		err := c.Hold(t.Context(), func(s *Session) error {
			if _, err := s.Query("OUTP?"); err != nil {
				return err
			}
			s.Pin()
			synctest.Wait()
			return s.Write("OUTP 1")
		})
		if !errors.Is(err, ErrStale) {
			t.Fatalf("got %v, want ErrStale", err)
		}
		for _, m := range p.heard {
			if m == "OUTP 1" {
				t.Error("a message that raises was sent on a connection whose state nobody had read")
			}
		}
	})
}

func TestSetReadsTheErrorQueueToItsEnd(t *testing.T) {
	queue := []string{"-222,\"Data out of range\"\n", "-410,\"Query INTERRUPTED; again\"\n", "0,\"No error\"\n"}
	var asked atomic.Int32
	p := &peer{serve: func(n int, p *peerConn) {
		for m := p.next(); m != ""; m = p.next() {
			if strings.HasSuffix(m, "SYST:ERR?") {
				p.say(queue[asked.Add(1)-1])
			}
		}
	}}
	c := newConn(t, p, Options{})
	err := c.Set(t.Context(), "POW 99", "OUTP 1")
	var e *InstrumentError
	if !errors.As(err, &e) || e.Code != -222 || e.Message != "Data out of range" ||
		e.Command != "POW 99;:OUTP 1;:SYST:ERR?" {
		t.Fatalf("got %v", err)
	}
	if !strings.Contains(err.Error(), "Query INTERRUPTED; again") || int(asked.Load()) != len(queue) {
		t.Errorf("the queue was not read to its end: %v", err)
	}
	if errors.Is(err, ErrPoisoned) {
		t.Error("an instrument that reports an error is not a bad connection")
	}
}

func TestAnEndlessErrorQueueIsGivenUp(t *testing.T) {
	p := &peer{serve: func(n int, p *peerConn) {
		for m := p.next(); m != ""; m = p.next() {
			if strings.HasSuffix(m, "SYST:ERR?") {
				p.say("-350,\"Queue overflow\"\n")
			}
		}
	}}
	c := newConn(t, p, Options{})
	if err := c.Set(t.Context(), "POW 1"); err == nil || !strings.Contains(err.Error(), "does not end") {
		t.Errorf("got %v", err)
	}
}

func TestSetAndErrorQueryAreOnePacket(t *testing.T) {
	var writes []string
	p := &peer{serve: answers(map[string]string{"POW -10;:OUTP 1;:SYST:ERR?": "0,\"No error\"\n"})}
	c := newConn(t, p, Options{})
	c.o.Dial = Streams(func(ctx context.Context) (io.ReadWriteCloser, error) {
		rwc, err := p.open(ctx)
		return &countWrites{rwc, &writes}, err
	})
	if err := c.Set(t.Context(), "POW -10", "OUTP 1"); err != nil {
		t.Fatal(err)
	}
	if len(writes) != 2 || writes[1] != "POW -10;:OUTP 1;:SYST:ERR?\n" {
		t.Errorf("writes %q", writes)
	}
}

type countWrites struct {
	io.ReadWriteCloser
	writes *[]string
}

func (c *countWrites) Write(b []byte) (int, error) {
	*c.writes = append(*c.writes, string(b))
	return c.ReadWriteCloser.Write(b)
}

func TestAnInstrumentThatDropsTheRestOfARefusedMessageIsAskedWhy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		refused := true
		p := &peer{serve: func(n int, p *peerConn) {
			for m := p.next(); m != ""; m = p.next() {
				if m != "SYST:ERR?" {
					continue // the whole message is dropped, its question included
				}
				if refused {
					refused = false
					p.say("-113,\"Undefined header\"\n")
				} else {
					p.say("+0,\"No error\"\n")
				}
			}
		}}
		c := newConn(t, p, Options{})
		err := c.Set(t.Context(), "AM:SOUR INT")
		var e *InstrumentError
		if !errors.As(err, &e) || e.Code != -113 || !errors.Is(err, ErrTimeout) {
			t.Fatalf("got %v", err)
		}
	})
}

func TestTheWrongNumberOfAnswersIsGarbage(t *testing.T) {
	p := &peer{serve: answers(map[string]string{"A?;:B?;:SYST:ERR?": "1;0,\"No error\"\n", "A?;:B?": "7\n"})}
	c := newConn(t, p, Options{})
	if _, err := c.Ask(t.Context(), 2, "A?", "B?"); !errors.Is(err, ErrGarbage) || !errors.Is(err, ErrPoisoned) {
		t.Errorf("got %v", err)
	}
	err := c.Hold(t.Context(), func(s *Session) error { _, err := s.QueryFields(2, "A?", "B?"); return err })
	if !errors.Is(err, ErrGarbage) || c.Generation() != 2 {
		t.Errorf("got %v, generation %d", err, c.Generation())
	}
}

func TestSilencingCutsOffAnExchangeThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &peer{serve: answers(map[string]string{"OUTP OFF;:OUTP?": "0\n"})}
		c := newConn(t, p, Options{Timeout: time.Minute})
		hung := make(chan error)
		go func() { _, err := c.Query(t.Context(), "READ?"); hung <- err }()
		synctest.Wait()
		began := time.Now()
		err := c.HoldUrgently(t.Context(), func(s *Session) error { _, err := s.Query("OUTP OFF;:OUTP?"); return err })
		if err != nil {
			t.Error(err)
		}
		if d := time.Since(began); d > UrgentAfter {
			t.Errorf("waited %v", d)
		}
		if err := <-hung; !errors.Is(err, ErrPreempted) {
			t.Errorf("the hung exchange got %v", err)
		}
	})
}

func TestWaitingForTheInstrumentEndsWithTheContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &peer{serve: answers(nil)}
		c := newConn(t, p, Options{Timeout: time.Minute})
		ctx, cancel := context.WithCancel(t.Context())
		hung := make(chan error)
		go func() { _, err := c.Query(ctx, "READ?"); hung <- err }()
		synctest.Wait()
		short, stop := context.WithTimeout(t.Context(), time.Second)
		defer stop()
		if _, err := c.Query(short, "READ?"); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("the second user got %v", err)
		}
		cancel()
		if err := <-hung; !errors.Is(err, context.Canceled) || !errors.Is(err, ErrPoisoned) {
			t.Errorf("the first user got %v", err)
		}
	})
}

func TestAWriteThatNobodyReadsEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		block := make(chan struct{})
		p := &peer{serve: func(n int, p *peerConn) { p.next(); <-block }}
		c := newConn(t, p, Options{})
		if err := c.Write(t.Context(), "OUTP 1"); !errors.Is(err, ErrTimeout) {
			t.Errorf("got %v", err)
		}
		close(block)
	})
}

func TestDiallingHasALimitOfItsOwn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := New(Options{Dial: func(ctx context.Context) (Port, error) { <-ctx.Done(); return nil, ctx.Err() }})
		began := time.Now()
		_, err := c.Query(t.Context(), "*IDN?")
		if !errors.Is(err, ErrNotConnected) || !errors.Is(err, ErrTimeout) || time.Since(began) != DefaultDialTimeout {
			t.Errorf("after %v: %v", time.Since(began), err)
		}
		c.Close()
		if _, err := c.Query(t.Context(), "*IDN?"); !errors.Is(err, ErrShut) {
			t.Errorf("after Close: %v", err)
		}
	})
}

func TestAnAnswerWithoutEndIsGivenUp(t *testing.T) {
	p := &peer{serve: func(n int, p *peerConn) {
		p.next()
		p.next()
		for range 100 {
			if _, err := io.WriteString(p.Conn, strings.Repeat("1", 1000)); err != nil {
				return
			}
		}
	}}
	c := newConn(t, p, Options{MaxLine: 2000})
	if _, err := c.Query(t.Context(), "READ?"); !errors.Is(err, ErrGarbage) {
		t.Errorf("got %v", err)
	}
}

func TestBlocksAreTakenByTheirLength(t *testing.T) {
	// IEEE 488.2 8.7.9: #, number of digits, digits, bytes. A byte equal to the terminator is data.
	for _, c := range []struct {
		name, answer string
		expect       int
		want         string
		err          error
	}{
		{"a newline is data", "#15ab\ncd\n", 0, "ab\ncd", nil},
		{"CR LF behind it", "#210" + "0123456789" + "\r\n", 0, "0123456789", nil},
		{"empty", "#10\n", 0, "", nil},
		{"indefinite with a known length", "#0ab\nd\n", 4, "ab\nd", nil},
		{"indefinite", "#0abcd\n", 0, "", ErrGarbage},
		{"longer than told", "#12abc\n", 0, "", ErrGarbage},
		{"shorter than told", "#19abc\n", 0, "", ErrTimeout},
		{"no block", "1.25\n", 0, "", ErrGarbage},
		{"bad digit count", "#x12\n", 0, "", ErrGarbage},
		{"bad length", "#2a1b\n", 0, "", ErrGarbage},
		{"too large", "#9999999999\n", 0, "", ErrGarbage},
		{"another answer behind", "#12ab\n1\n", 0, "", ErrDirty},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := &peer{serve: answers(map[string]string{"TRAC?": c.answer, "*IDN?": "x\n"})}
				conn := newConn(t, p, Options{MaxBlock: 1000})
				got, err := conn.QueryBlock(t.Context(), "TRAC?", c.expect)
				if c.err == nil && (err != nil || string(got) != c.want) || !errors.Is(err, c.err) {
					t.Errorf("got %q, %v", got, err)
				}
				if id, err := conn.Query(t.Context(), "*IDN?"); err != nil || id != "x" {
					t.Errorf("next question: %q, %v", id, err)
				}
			})
		})
	}
}

func TestAMessageWithATerminatorInsideIsRefused(t *testing.T) {
	p := &peer{serve: answers(nil)}
	c := newConn(t, p, Options{})
	if err := c.Write(t.Context(), "OUTP 1\nPOW 30"); err == nil || len(p.heard) != 0 {
		t.Errorf("got %v, heard %q", err, p.heard)
	}
}

func TestTheTraceHoldsEveryMessageInOrder(t *testing.T) {
	var got []string
	p := &peer{serve: answers(map[string]string{"*IDN?": "x\n", "TRAC?": "#12ab\n"})}
	c := newConn(t, p, Options{Trace: func(e Exchange) { got = append(got, string(e.Direction)+" "+e.Text) }})
	c.Query(t.Context(), "*IDN?")
	c.QueryBlock(t.Context(), "TRAC?", 0)
	want := "# dialled, generation 1|> *CLS|> *IDN?|< x|> TRAC?|< block of 2 bytes"
	if s := strings.Join(got, "|"); s != want {
		t.Errorf("got  %s\nwant %s", s, want)
	}
}

func TestManyUsersNeverMixTheirAnswers(t *testing.T) {
	p := &peer{serve: func(n int, p *peerConn) {
		for m := p.next(); m != ""; m = p.next() {
			if m != "*CLS" {
				p.say(m + "\n")
			}
		}
	}}
	c := newConn(t, p, Options{})
	var wg sync.WaitGroup
	for i := range 8 {
		q := strings.Repeat("A", i+1) + "?"
		wg.Go(func() {
			for range 50 {
				if got, err := c.Query(t.Context(), q); err != nil || got != q {
					t.Errorf("asked %q, got %q, %v", q, got, err)
					return
				}
			}
		})
	}
	wg.Wait()
}

func TestARefusedSocketNamesTheInstrument(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	l.Close()
	_, err = Open(t.Context(), Options{Name: "source SG1", Dial: TCP("127.0.0.1", port)})
	if !errors.Is(err, ErrNotConnected) || !strings.Contains(err.Error(), "source SG1: dialling: cannot connect") {
		t.Errorf("got %v", err)
	}
}

func FuzzAnswer(f *testing.F) {
	for _, s := range []string{"1\n", "#15ab\ncd\n", "#0\n", "\n", "0,\"No error\"\n", "1;2;0,\"x\"\n", "#9999999999\n",
		"\r\r\n", "a\nb\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, answer []byte) {
		for _, ask := range []func(*Conn) error{
			func(c *Conn) error {
				s, err := c.Query(t.Context(), "A?")
				if len(s) > 64 {
					t.Errorf("%d bytes taken, the most is 64", len(s))
				}
				return err
			},
			func(c *Conn) error {
				b, err := c.QueryBlock(t.Context(), "A?", 0)
				if len(b) > 64 {
					t.Errorf("%d bytes taken, the most is 64", len(b))
				}
				return err
			},
			func(c *Conn) error { _, err := c.Ask(t.Context(), 1, "A?"); return err },
		} {
			p := &peer{serve: func(n int, p *peerConn) {
				p.next()
				p.next()
				p.Conn.Write(answer)
			}}
			c := New(Options{Dial: p.dial, Timeout: 50 * time.Millisecond, MaxBlock: 64, MaxLine: 64})
			err := ask(c)
			if err != nil && errors.Is(err, ErrPoisoned) && c.link != nil && c.Generation() == 1 {
				t.Errorf("poisoned and not closed: %v", err)
			}
			c.Close()
		}
	})
}

func BenchmarkSetAndConfirm(b *testing.B) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	go func() {
		conn, err := l.Accept()
		if err != nil {
			return
		}
		defer conn.Close()
		r := bufio.NewReader(conn)
		for {
			m, err := r.ReadString('\n')
			if err != nil {
				return
			}
			if strings.HasSuffix(m, "?\n") {
				io.WriteString(conn, "0,\"No error\"\n")
			}
		}
	}()
	c, err := Open(b.Context(), Options{Dial: TCP("127.0.0.1", l.Addr().(*net.TCPAddr).Port)})
	if err != nil {
		b.Fatal(err)
	}
	defer c.Close()
	for b.Loop() {
		if err := c.Set(b.Context(), "POW -10"); err != nil {
			b.Fatal(err)
		}
	}
}
