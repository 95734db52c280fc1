package hislip

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"provoke/internal/bench/scpi"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// The vectors below were written by hand from IVI-6.1 as remembered: section 2 (message header:
// prologue "HS", message type, control code, message parameter, payload length, all big-endian),
// table of message types, section 3.1.1 (synchronised mode), section 6 by the transaction's name.
// A line is what the client must send (>) or what the server sends (<), on the synchronous (s) or
// asynchronous (a) channel. Spaces are for the eye; text in quotes is ASCII.
const opening = `
s> 4853 00 00 0200 5056 0000000000000007 "hislip0"   # Initialize: protocol 2.0, vendor "PV", sub-address
s< 4853 01 00 0100 0007 0000000000000000             # InitializeResponse: protocol 1.0, session 7, synchronised
a> 4853 11 00 0000 0007 0000000000000000             # AsyncInitialize: session 7
a< 4853 12 00 0000 5858 0000000000000000             # AsyncInitializeResponse: vendor "XX"
a> 4853 0f 00 00000000 0000000000000008 0000000000100000  # AsyncMaximumMessageSize: 1 MiB
a< 4853 10 00 00000000 0000000000000008 0000000000000110  # its response: 272 bytes
`

// dialogue plays the server's part of a vector and fails where the client departs from it.
type dialogue struct {
	t        *testing.T
	listener net.Listener
	done     chan struct{}
}

func play(t *testing.T, script string) (*dialogue, Options) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	d := &dialogue{t, l, make(chan struct{})}
	go func() {
		defer close(d.done)
		d.run(script)
	}()
	t.Cleanup(func() { l.Close(); <-d.done })
	return d, Options{Host: "127.0.0.1", Port: l.Addr().(*net.TCPAddr).Port}
}

func (d *dialogue) run(script string) {
	conns := map[byte]net.Conn{}
	defer func() {
		for _, c := range conns {
			c.Close()
		}
	}()
	for n, line := range strings.Split(script, "\n") {
		line, _, _ = strings.Cut(line, "#")
		if strings.TrimSpace(line) == "" {
			continue
		}
		channel, direction, want := line[0], line[1], bytesOf(d.t, line[2:])
		if conns[channel] == nil {
			c, err := d.listener.Accept()
			if err != nil {
				return
			}
			c.SetDeadline(time.Now().Add(5 * time.Second))
			conns[channel] = c
		}
		if direction == '<' {
			conns[channel].Write(want)
			continue
		}
		got := make([]byte, len(want))
		k, err := io.ReadFull(conns[channel], got)
		if err != nil || !bytes.Equal(got, want) {
			d.t.Errorf("line %d %q:\ngot  %x (%v)\nwant %x", n, strings.TrimSpace(line), got[:k], err, want)
			return
		}
	}
	// nothing may follow until the client closes
	for channel, c := range conns {
		if rest, _ := io.ReadAll(c); len(rest) > 0 {
			d.t.Errorf("the client also sent on %c: %x", channel, rest)
		}
	}
}

// bytesOf reads hexadecimal with text in quotes between.
func bytesOf(t *testing.T, line string) []byte {
	var out []byte
	for i, part := range strings.Split(line, `"`) {
		if i%2 == 1 {
			out = append(out, strings.ReplaceAll(part, `\n`, "\n")...)
			continue
		}
		b, err := hex.DecodeString(strings.ReplaceAll(part, " ", ""))
		if err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		out = append(out, b...)
	}
	return out
}

func open(t *testing.T, o Options) *Session {
	t.Helper()
	s, err := Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestOpeningByVector(t *testing.T) {
	_, o := play(t, opening)
	s := open(t, o)
	defer s.Close()
	if major, minor := s.Version(); major != 1 || minor != 0 || s.Overlapped() || s.longest != 0x110-16 || s.id != 7 {
		t.Errorf("agreed on %d.%d, overlapped %v, %d bytes, session %d", major, minor, s.Overlapped(), s.longest, s.id)
	}
}

func TestAQuestionAndItsAnswerByVector(t *testing.T) {
	// 3.1.1: message ids begin at ffffff00 and rise by two; RMT-delivered goes with the first message
	// after an answer was taken; the answer carries the id of the message that it answers.
	_, o := play(t, opening+`
s> 4853 07 00 ffffff00 0000000000000006 "*IDN?\n"     # DataEND
s< 4853 06 00 ffffff00 0000000000000004 "a ge"        # Data
s< 4853 07 00 ffffff00 0000000000000008 "nerator\n"   # DataEND
s> 4853 07 01 ffffff02 0000000000000005 "*RST\n"      # RMT-delivered
s> 4853 07 00 ffffff04 0000000000000006 "*OPC?\n"     # and not twice
s< 4853 07 00 ffffff04 0000000000000002 "1\n"
s> 4853 0c 01 ffffff06 0000000000000000               # Trigger
`)
	s := open(t, o)
	defer s.Close()
	ask := func(question, want string) {
		must(t, s.Send(t.Context(), []byte(question)))
		if want == "" {
			return
		}
		var got []byte
		for {
			part, last, err := s.Receive(t.Context())
			must(t, err)
			if got = append(got, part...); last {
				break
			}
		}
		if string(got) != want {
			t.Errorf("%q answers %q", question, got)
		}
	}
	ask("*IDN?\n", "a generator\n")
	ask("*RST\n", "")
	ask("*OPC?\n", "1\n")
	must(t, s.Trigger(t.Context()))
}

func TestALongMessageIsCutToWhatTheServerTakesByVector(t *testing.T) {
	text := strings.Repeat("x", 300)
	_, o := play(t, opening+fmt.Sprintf(`
s> 4853 06 00 ffffff00 0000000000000100 "%s"   # Data: 256 bytes with 16 of header
s> 4853 07 00 ffffff02 000000000000002c "%s"   # DataEND: the rest
`, text[:256], text[256:]))
	s := open(t, o)
	defer s.Close()
	must(t, s.Send(t.Context(), []byte(text)))
}

func TestDeviceClearByVector(t *testing.T) {
	// Device clear transaction: both channels are emptied, ids begin anew, RMT-delivered is forgotten.
	_, o := play(t, opening+`
s> 4853 07 00 ffffff00 0000000000000006 "READ?\n"
a> 4853 13 00 00000000 0000000000000000               # AsyncDeviceClear
s< 4853 07 00 ffffff00 0000000000000006 "stale\n"     # was under way
a< 4853 17 00 00000000 0000000000000000               # AsyncDeviceClearAcknowledge
s> 4853 08 00 00000000 0000000000000000               # DeviceClearComplete
s< 4853 09 00 00000000 0000000000000000               # DeviceClearAcknowledge
s> 4853 07 00 ffffff00 0000000000000006 "*OPC?\n"
s< 4853 07 00 ffffff00 0000000000000002 "1\n"
`)
	s := open(t, o)
	defer s.Close()
	must(t, s.Send(t.Context(), []byte("READ?\n")))
	must(t, s.Clear(t.Context()))
	must(t, s.Send(t.Context(), []byte("*OPC?\n")))
	if got, last, err := s.Receive(t.Context()); err != nil || !last || string(got) != "1\n" {
		t.Errorf("%q, %v, %v", got, last, err)
	}
}

func TestAServerThatPrefersOverlapIsAskedForSynchronisedModeByVector(t *testing.T) {
	preferring := strings.Replace(opening, "s< 4853 01 00 0100", "s< 4853 01 01 0200", 1)
	_, o := play(t, preferring+`
a> 4853 13 00 00000000 0000000000000000               # AsyncDeviceClear
a< 4853 17 01 00000000 0000000000000000               # its acknowledgement still prefers overlap
s> 4853 08 00 00000000 0000000000000000               # DeviceClearComplete asks for synchronised
s< 4853 09 00 00000000 0000000000000000               # granted
`)
	s := open(t, o)
	defer s.Close()
	if major, _ := s.Version(); s.Overlapped() || major != 2 {
		t.Errorf("overlapped %v, revision %d", s.Overlapped(), major)
	}
}

func TestAServerThatInsistsOnOverlapIsUsedSo(t *testing.T) {
	insisting := strings.Replace(opening, "s< 4853 01 00 0100", "s< 4853 01 01 0100", 1)
	_, o := play(t, insisting+`
a> 4853 13 00 00000000 0000000000000000
a< 4853 17 01 00000000 0000000000000000
s> 4853 08 00 00000000 0000000000000000
s< 4853 09 01 00000000 0000000000000000               # no
s> 4853 07 00 ffffff00 0000000000000006 "*OPC?\n"
s< 4853 07 00 ffffff40 0000000000000002 "1\n"         # 3.1.2: ids of the server's own
`)
	s := open(t, o)
	defer s.Close()
	must(t, s.Send(t.Context(), []byte("*OPC?\n")))
	if got, _, err := s.Receive(t.Context()); err != nil || string(got) != "1\n" || !s.Overlapped() {
		t.Errorf("%q, %v", got, err)
	}
}

func TestStatusAndLocksByVector(t *testing.T) {
	// Status query, lock, lock info and remote local transactions.
	_, o := play(t, opening+`
s> 4853 07 00 ffffff00 0000000000000005 "*CLS\n"
a> 4853 15 00 ffffff00 0000000000000000               # AsyncStatusQuery: id of the last message
a< 4853 16 44 00000000 0000000000000000               # AsyncStatusResponse: 0x44
a> 4853 04 01 000001f4 0000000000000000               # AsyncLock: 500 ms
a< 4853 05 01 00000000 0000000000000000               # granted
a> 4853 18 00 00000000 0000000000000000               # AsyncLockInfo
a< 4853 19 01 00000001 0000000000000000               # exclusive, one client
a> 4853 04 00 ffffff00 0000000000000000               # release
a< 4853 05 01 00000000 0000000000000000
a> 4853 04 01 00000000 0000000000000000
a< 4853 05 00 00000000 0000000000000000               # refused
a< 4853 14 50 00000000 0000000000000000               # AsyncServiceRequest, of its own accord
a> 4853 0a 06 ffffff00 0000000000000000               # AsyncRemoteLocalControl: go to local
a< 4853 0b 00 00000000 0000000000000000
`)
	s := open(t, o)
	defer s.Close()
	must(t, s.Send(t.Context(), []byte("*CLS\n")))
	if b, err := s.ReadStatus(t.Context()); err != nil || b != 0x44 {
		t.Errorf("status %#x, %v", b, err)
	}
	must(t, s.Lock(t.Context(), 500*time.Millisecond))
	if exclusive, n, err := s.Locked(t.Context()); err != nil || !exclusive || n != 1 {
		t.Errorf("locked %v, %d, %v", exclusive, n, err)
	}
	must(t, s.Unlock(t.Context()))
	if err := s.Lock(t.Context(), 0); !errors.Is(err, scpi.ErrInUse) {
		t.Errorf("a lock that is refused: %v", err)
	}
	must(t, s.Control(t.Context(), GoLocal))
	if b, requested := s.ServiceRequest(); !requested || b != 0x50 {
		t.Errorf("service request %#x, %v", b, requested)
	}
}

func TestWhatEndsASession(t *testing.T) {
	const question = "\n" + `s> 4853 07 00 ffffff00 0000000000000006 "READ?\n"` + "\n"
	for name, c := range map[string]struct {
		script string
		want   error
		says   string
	}{
		"an answer with the number of another message": {`s< 4853 07 00 fffffefe 0000000000000002 "1\n"`, scpi.ErrDirty,
			"0xfffffefe"},
		"an answer without a number": {`s< 4853 07 00 ffffffff 0000000000000002 "1\n"`, scpi.ErrDirty,
			""},
		"Interrupted": {`s< 4853 0d 00 ffffff00 0000000000000000`, scpi.ErrDirty,
			"threw an answer away"},
		"FatalError": {`s< 4853 02 02 00000000 0000000000000003 "bad"`,
			scpi.ErrClosed, "without both channels (bad)"},
		"Error": {`s< 4853 03 04 00000000 0000000000000000`,
			nil, "message too large"},
		"no HiSLIP at all": {"s< \"HTTP/1.1 400 Bad\" \ns> 4853 02 01 00000000 " +
			"0000000000000015 \"poorly formed message\"", scpi.ErrGarbage, "begins no HiSLIP message"},
		"a length beyond what was agreed on": {"s< 4853 07 00 ffffff00 0000000000100001\ns> 4853 02 01 " +
			"00000000 0000000000000015 \"poorly formed message\"", scpi.ErrGarbage, "1048577 bytes"},
	} {
		t.Run(name, func(t *testing.T) {
			_, o := play(t, opening+question+c.script)
			s := open(t, o)
			defer s.Close()
			must(t, s.Send(t.Context(), []byte("READ?\n")))
			got, _, err := s.Receive(t.Context())
			if err == nil || got != nil || !errors.Is(err, c.want) && c.want != nil ||
				!strings.Contains(err.Error(), c.says) {
				t.Errorf("got %q, %v", got, err)
			}
		})
	}
}

func TestAnAnswerBegunBeforeItsQuestionHadEnded(t *testing.T) {
	// 3.1.1: Data may carry ffffffff, the DataEND that ends the answer may not.
	_, o := play(t, opening+`
s> 4853 07 00 ffffff00 0000000000000006 "READ?\n"
s< 4853 06 00 ffffffff 0000000000000001 "1"
s< 4853 07 00 ffffff00 0000000000000002 "2\n"
`)
	s := open(t, o)
	defer s.Close()
	must(t, s.Send(t.Context(), []byte("READ?\n")))
	for i, want := range []string{"1", "2\n"} {
		if got, last, err := s.Receive(t.Context()); err != nil || string(got) != want || last != (i == 1) {
			t.Errorf("part %d: %q, %v, %v", i, got, last, err)
		}
	}
}

func TestWhatKeepsASessionFromOpening(t *testing.T) {
	for name, c := range map[string]struct {
		script string
		want   error
		says   string
	}{
		"no session left": {"s> 4853 00 00 0200 5056 0000000000000007 \"hislip0\"\ns< 4853 02 04 00000000 " +
			"0000000000000000", scpi.ErrInUse, "hislip0"},
		"encryption": {"s> 4853 00 00 0200 5056 0000000000000007 \"hislip0\"\ns< 4853 01 02 0200 0007 " +
			"0000000000000000", nil, "demands encryption"},
		"another message": {"s> 4853 00 00 0200 5056 0000000000000007 \"hislip0\"\ns< 4853 07 00 00000000 " +
			"0000000000000000", scpi.ErrGarbage, "DataEND in place of InitializeResponse"},
	} {
		t.Run(name, func(t *testing.T) {
			_, o := play(t, c.script)
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			_, err := Open(ctx, o)
			if err == nil || c.want != nil && !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("got %v", err)
			}
		})
	}
}

func TestOpeningAnAddressThatAcceptsAndSaysNothingEnds(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer l.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if _, err := Open(ctx, Options{Host: "127.0.0.1", Port: l.Addr().(*net.TCPAddr).Port}); !errors.Is(err,
		context.DeadlineExceeded) {
		t.Errorf("got %v", err)
	}
}

// FuzzMessage feeds any bytes as messages: no panic, nothing longer than was agreed on.
func FuzzMessage(f *testing.F) {
	f.Add(message{kind: dataEnd, parameter: firstID, payload: []byte("1\n")}.append(nil))
	f.Add([]byte("HS\x07\x00\x00\x00\x00\x00\xff\xff\xff\xff\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, in []byte) {
		r := bytes.NewReader(in)
		for {
			m, err := readMessage(r, 100)
			if err != nil {
				return
			}
			if len(m.payload) > 100 {
				t.Fatal("too long")
			}
			if got := m.append(nil); !bytes.Contains(in, got) {
				t.Errorf("%v does not write itself as it was read", m)
			}
		}
	})
}
