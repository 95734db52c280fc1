package vxi11

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"provoke/internal/bench/scpi"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// The vectors were written by hand from VXI-11 revision 1.0, annex B (parameters and results of each
// procedure in XDR), and RFC 5531 (call: xid, 0, rpc version 2, program, version, procedure, two
// empty authentications; reply: xid, 1, accepted, empty verifier, state). A line is what the client
// must send (>) or the server sends (<), on the port mapper (m), core (c) or abort (a) channel; the
// record mark and the xid are put in front. Text in quotes is ASCII; PPPP is the port of the server.
const (
	link = `
m> 00000000 00000002 000186a0 00000002 00000003 0000000000000000 0000000000000000 000607af 00000001 00000006 00000000  # GETPORT core, TCP
m< 00000001 00000000 0000000000000000 00000000 0000PPPP
c> 00000000 00000002 000607af 00000001 0000000a 0000000000000000 0000000000000000 70726f76 00000000 00000000 00000005 "inst0" 000000  # create_link
c< 00000001 00000000 0000000000000000 00000000 00000000 0000002a 00000000 00000400  # no error, link 42, no abort channel, 1024 bytes
`
	cleared = `
c> 00000000 00000002 000607af 00000001 0000000f 0000000000000000 0000000000000000 0000002a 00000000 00000000 TTTTTTTT  # device_clear
c< 00000001 00000000 0000000000000000 00000000 00000000
`
	destroyed = `
c> 00000000 00000002 000607af 00000001 00000017 0000000000000000 0000000000000000 0000002a  # destroy_link
c< 00000001 00000000 0000000000000000 00000000 00000000
`
)

// play plays the server's part and fails where the client departs from it. TTTTTTTT is a time limit,
// any number that is not zero.
func play(t *testing.T, script string) Options {
	t.Helper()
	listeners := map[byte]net.Listener{}
	for _, c := range []byte("mca") {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		listeners[c] = l
	}
	port := func(c byte) int { return listeners[c].Addr().(*net.TCPAddr).Port }
	hexPort := func(c byte) string {
		return hex.EncodeToString(binary.BigEndian.AppendUint16(nil, uint16(port(c))))
	}
	script = strings.NewReplacer("PPPP", hexPort('c'), "AAAA", hexPort('a')).Replace(script)
	done := make(chan struct{})
	go func() {
		defer close(done)
		serve(t, listeners, script)
	}()
	t.Cleanup(func() {
		for _, l := range listeners {
			l.Close()
		}
		<-done
	})
	return Options{Host: "127.0.0.1", MapperPort: port('m')}
}

func serve(t *testing.T, listeners map[byte]net.Listener, script string) {
	conns := map[byte]net.Conn{}
	xid := map[byte][]byte{}
	defer func() {
		for _, c := range conns {
			c.Close()
		}
	}()
	for _, line := range strings.Split(script, "\n") {
		line, _, _ = strings.Cut(line, "#")
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		c, direction := line[0], line[1]
		if conns[c] == nil {
			conn, err := listeners[c].Accept()
			if err != nil {
				return
			}
			conn.SetDeadline(time.Now().Add(5 * time.Second))
			conns[c] = conn
		}
		if direction == '!' {
			conns[c].Close()
			continue
		}
		want, limits := bytesOf(t, line[2:])
		if direction == '<' {
			record := binary.BigEndian.AppendUint32(nil, uint32(len(want)+4)|1<<31)
			conns[c].Write(append(append(record, xid[c]...), want...))
			continue
		}
		head := make([]byte, 8)
		if _, err := io.ReadFull(conns[c], head); err != nil {
			t.Errorf("%q: %v", line, err)
			return
		}
		if mark := binary.BigEndian.Uint32(head); mark != uint32(len(want)+4)|1<<31 {
			t.Errorf("%q: record mark %#x for %d bytes", line, mark, len(want)+4)
		}
		xid[c] = head[4:]
		got := make([]byte, len(want))
		n, err := io.ReadFull(conns[c], got)
		for _, at := range limits {
			if !bytes.Equal(got[at:at+4], make([]byte, 4)) {
				copy(got[at:], want[at:at+4])
			}
		}
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%q:\ngot  %x (%v)\nwant %x", line, got[:n], err, want)
			return
		}
	}
}

// bytesOf reads hexadecimal with text in quotes, and says where time limits stand.
func bytesOf(t *testing.T, line string) (out []byte, limits []int) {
	for i, part := range strings.Split(line, `"`) {
		if i%2 == 1 {
			out = append(out, strings.ReplaceAll(part, `\n`, "\n")...)
			continue
		}
		for _, word := range strings.Fields(part) {
			if word == "TTTTTTTT" {
				limits = append(limits, len(out))
				word = "00000000"
			}
			b, err := hex.DecodeString(word)
			if err != nil {
				t.Fatalf("%q: %v", line, err)
			}
			out = append(out, b...)
		}
	}
	return out, limits
}

func open(t *testing.T, o Options) *Link {
	t.Helper()
	l, err := Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestALinkByVector(t *testing.T) {
	o := play(t, link+cleared+destroyed)
	l := open(t, o)
	if l.id != 42 || l.longest != 1024 || !l.Framed() {
		t.Errorf("link %d, %d bytes", l.id, l.longest)
	}
	must(t, l.Close())
}

func TestAQuestionAndItsAnswerByVector(t *testing.T) {
	o := play(t, link+cleared+`
c> 00000000 00000002 000607af 00000001 0000000b 0000000000000000 0000000000000000 0000002a TTTTTTTT 00000000 00000008 00000006 "*IDN?\n" 0000  # device_write, END
c< 00000001 00000000 0000000000000000 00000000 00000000 00000006
c> 00000000 00000002 000607af 00000001 0000000c 0000000000000000 0000000000000000 0000002a 00040000 TTTTTTTT 00000000 00000000 00000000  # device_read, 256 KiB
c< 00000001 00000000 0000000000000000 00000000 00000000 00000001 00000004 "a ge"       # reason REQCNT: more to come
c> 00000000 00000002 000607af 00000001 0000000c 0000000000000000 0000000000000000 0000002a 00040000 TTTTTTTT 00000000 00000000 00000000
c< 00000001 00000000 0000000000000000 00000000 00000000 00000004 00000008 "nerator\n"  # reason END
`+destroyed)
	l := open(t, o)
	must(t, l.Send(t.Context(), []byte("*IDN?\n")))
	first, last, err := l.Receive(t.Context())
	if err != nil || last || string(first) != "a ge" {
		t.Errorf("%q, %v, %v", first, last, err)
	}
	rest, last, err := l.Receive(t.Context())
	if err != nil || !last || string(rest) != "nerator\n" {
		t.Errorf("%q, %v, %v", rest, last, err)
	}
	must(t, l.Close())
}

func TestALongMessageGoesInPiecesByVector(t *testing.T) {
	// B.6.3: no piece is longer than maxRecvSize of create_link, END goes with the last only.
	text := strings.Repeat("x", 1028)
	o := play(t, link+cleared+`
c> 00000000 00000002 000607af 00000001 0000000b 0000000000000000 0000000000000000 0000002a TTTTTTTT 00000000 00000000 00000400 "`+text[:1024]+`"
c< 00000001 00000000 0000000000000000 00000000 00000000 00000400
c> 00000000 00000002 000607af 00000001 0000000b 0000000000000000 0000000000000000 0000002a TTTTTTTT 00000000 00000008 00000004 "xxxx"
c< 00000001 00000000 0000000000000000 00000000 00000000 00000004
`+destroyed)
	l := open(t, o)
	must(t, l.Send(t.Context(), []byte(text)))
	must(t, l.Close())
}

func TestATerminatorInPlaceOfENDByVector(t *testing.T) {
	// B.5.3 and B.6.4: termchrset is flag 128, reason CHR is 2.
	o := play(t, link+`
c> 00000000 00000002 000607af 00000001 0000000c 0000000000000000 0000000000000000 0000002a 00040000 TTTTTTTT 00000000 00000080 0000000a
c< 00000001 00000000 0000000000000000 00000000 00000000 00000002 00000002 "1\n" 0000
`+destroyed)
	o.Terminator, o.KeepInput = '\n', true
	l := open(t, o)
	if got, last, err := l.Receive(t.Context()); err != nil || last || string(got) != "1\n" || l.Framed() {
		t.Errorf("%q, %v, %v", got, last, err)
	}
	must(t, l.Close())
}

func TestTheOtherProceduresByVector(t *testing.T) {
	o := play(t, link+cleared+`
c> 00000000 00000002 000607af 00000001 0000000d 0000000000000000 0000000000000000 0000002a 00000000 00000000 TTTTTTTT  # device_readstb
c< 00000001 00000000 0000000000000000 00000000 00000000 00000044
c> 00000000 00000002 000607af 00000001 0000000e 0000000000000000 0000000000000000 0000002a 00000000 00000000 TTTTTTTT  # device_trigger
c< 00000001 00000000 0000000000000000 00000000 00000000
c> 00000000 00000002 000607af 00000001 00000010 0000000000000000 0000000000000000 0000002a 00000000 00000000 TTTTTTTT  # device_remote
c< 00000001 00000000 0000000000000000 00000000 00000000
c> 00000000 00000002 000607af 00000001 00000011 0000000000000000 0000000000000000 0000002a 00000000 00000000 TTTTTTTT  # device_local
c< 00000001 00000000 0000000000000000 00000000 00000000
c> 00000000 00000002 000607af 00000001 00000012 0000000000000000 0000000000000000 0000002a 00000001 000001f4  # device_lock, wait 500 ms
c< 00000001 00000000 0000000000000000 00000000 00000000
c> 00000000 00000002 000607af 00000001 00000013 0000000000000000 0000000000000000 0000002a  # device_unlock
c< 00000001 00000000 0000000000000000 00000000 00000000
c> 00000000 00000002 000607af 00000001 00000012 0000000000000000 0000000000000000 0000002a 00000000 00000000
c< 00000001 00000000 0000000000000000 00000000 0000000b  # error 11
`+destroyed)
	l := open(t, o)
	if b, err := l.ReadStatus(t.Context()); err != nil || b != 0x44 {
		t.Errorf("status %#x, %v", b, err)
	}
	must(t, l.Trigger(t.Context()))
	must(t, l.Remote(t.Context()))
	must(t, l.Local(t.Context()))
	must(t, l.Lock(t.Context(), 500*time.Millisecond))
	must(t, l.Unlock(t.Context()))
	if err := l.Lock(t.Context(), 0); !errors.Is(err, scpi.ErrInUse) || !errors.Is(err, ErrorLocked) {
		t.Errorf("a lock that another link has: %v", err)
	}
	must(t, l.Close())
}

func TestWhatIsUnderWayWhenTheTimeRunsOutIsAbortedByVector(t *testing.T) {
	withAbort := strings.Replace(link, "0000002a 00000000 00000400", "0000002a 0000AAAA 00000400", 1)
	o := play(t, withAbort+cleared+`
c> 00000000 00000002 000607af 00000001 0000000c 0000000000000000 0000000000000000 0000002a 00040000 TTTTTTTT 00000000 00000000 00000000  # never answered
a> 00000000 00000002 000607b0 00000001 00000001 0000000000000000 0000000000000000 0000002a  # device_abort
a< 00000001 00000000 0000000000000000 00000000 00000000
`)
	l := open(t, o)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, _, err := l.Receive(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("got %v", err)
	}
	must(t, l.Close())
}

func TestErrorsOfTheInstrument(t *testing.T) {
	for code, want := range map[string]error{
		"0000000f": scpi.ErrTimeout, "0000000b": scpi.ErrInUse, "00000004": scpi.ErrClosed, "00000017": scpi.ErrClosed,
		"00000011": Error(17),
	} {
		o := play(t, link+cleared+`
c> 00000000 00000002 000607af 00000001 0000000c 0000000000000000 0000000000000000 0000002a 00040000 TTTTTTTT 00000000 00000000 00000000
c< 00000001 00000000 0000000000000000 00000000 `+code+` 00000000 00000000`+destroyed)
		l := open(t, o)
		if _, _, err := l.Receive(t.Context()); !errors.Is(err, want) {
			t.Errorf("error %s: %v", code, err)
		}
		must(t, l.Close())
	}
}

func TestWhatKeepsALinkFromOpening(t *testing.T) {
	create := link[:strings.Index(link, "c<")]
	for name, c := range map[string]struct {
		script string
		want   error
	}{
		"no server": {strings.Replace(link[:strings.Index(link, "c>")], "0000PPPP", "00000000", 1),
			ErrNoServer},
		"mapper of another kind": {link[:strings.Index(link, "m<")] + "m< 00000001 00000000 0000000000000000 00000001",
			nil},
		"call denied": {link[:strings.Index(link, "m<")] + "m< 00000001 00000001 00000000 00000002 00000002",
			scpi.ErrGarbage},
		"no such device": {create +
			"c< 00000001 00000000 0000000000000000 00000000 00000003 00000000 00000000 00000000", ErrorNotAccessible},
		"locked": {create +
			"c< 00000001 00000000 0000000000000000 00000000 0000000b 00000000 00000000 00000000", scpi.ErrInUse},
		"no link left": {create +
			"c< 00000001 00000000 0000000000000000 00000000 00000009 00000000 00000000 00000000", scpi.ErrInUse},
		"closed": {create + "c!", scpi.ErrClosed},
		"short reply": {create + "c< 00000001 00000000 0000000000000000 00000000 00000000 0000002a",
			scpi.ErrGarbage},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Open(t.Context(), play(t, c.script))
			if err == nil || c.want != nil && !errors.Is(err, c.want) {
				t.Errorf("got %v", err)
			}
		})
	}
}

func TestARecordInFragmentsIsPutTogether(t *testing.T) {
	// RFC 5531, section 11: the top bit marks the last fragment.
	in := append([]byte{0, 0, 0, 2}, "ab"...)
	in = append(in, 0x80, 0, 0, 1, 'c')
	if got, err := readRecord(bytes.NewReader(in)); err != nil || string(got) != "abc" {
		t.Errorf("%q, %v", got, err)
	}
	if _, err := readRecord(bytes.NewReader([]byte{0x80, 0xff, 0xff, 0xff})); !errors.Is(err, scpi.ErrGarbage) {
		t.Errorf("a record of 16 MiB: %v", err)
	}
}

func TestOpaquesArePaddedToFour(t *testing.T) {
	// RFC 4506, 4.10.
	for text, want := range map[string]string{"": "00000000", "a": "0000000161000000", "abcd": "0000000461626364",
		"abcde": "000000056162636465000000"} {
		e := encoder(nil).opaque([]byte(text))
		if hex.EncodeToString(e) != want {
			t.Errorf("%q: %x", text, e)
		}
		d := decoder{rest: e}
		if got := d.opaque(); string(got) != text || d.err != nil || len(d.rest) != 0 {
			t.Errorf("%q comes back as %q, %v", text, got, d.err)
		}
	}
}

func FuzzReply(f *testing.F) {
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 0, 0,
		2, '1', '\n', 0, 0})
	f.Fuzz(func(t *testing.T, in []byte) {
		if record, err := readRecord(bytes.NewReader(in)); err == nil && len(record) > mostRecord {
			t.Fatal("too long")
		}
		if d, err := (&client{}).results(in); err == nil {
			d.uint()
			if data := d.opaque(); len(data) > len(in) {
				t.Fatal("more than came")
			}
		}
	})
}
