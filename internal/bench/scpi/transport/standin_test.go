package transport_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"provoke/internal/bench/scpi"
	"provoke/internal/bench/scpi/transport"
	"provoke/internal/bench/scpi/usbtmc"
	"provoke/internal/bench/simbench"
)

func init() {
	ways = append(ways,
		way{name: "VXI-11 gateway", reach: func(t *testing.T, b *simbench.Bench, face string) scpi.Dial {
			serve(t, b, simbench.Serving{Transports: []simbench.Transport{simbench.VXI11}})
			return dialOf(t, fmt.Sprintf("TCPIP::127.0.0.1:%d::gpib0,%d::INSTR", b.MapperPort(), busAddress(face)),
				transport.Options{})
		}, clears: true, connected: true},
		way{name: "GPIB adapter unmarked", reach: func(t *testing.T, b *simbench.Bench, face string) scpi.Dial {
			a := startAdapter(t, b)
			return dialOf(t, fmt.Sprintf("GPIB0::%d::INSTR", busAddress(face)),
				transport.Options{Through: a.address(), Unmarked: true})
		}, clears: true, longest: 100_000, seesLater: true},
		way{name: "GPIB adapter", reach: func(t *testing.T, b *simbench.Bench, face string) scpi.Dial {
			a := startAdapter(t, b)
			return dialOf(t, fmt.Sprintf("GPIB0::%d::INSTR", busAddress(face)), transport.Options{Through: a.address()})
		}, clears: true, longest: 100_000},
		way{name: "serial", reach: serialWay, longest: 100_000},
		way{name: "USBTMC", reach: func(t *testing.T, b *simbench.Bench, face string) scpi.Dial {
			d := &usbDevice{b: b, face: face}
			t.Cleanup(d.unplug)
			return func(ctx context.Context) (scpi.Port,
				error) {
				return usbtmc.New(ctx, &usbFile{d: d}, usbtmc.Options{})
			}
		}, clears: true, connected: true, longest: 300_000},
	)
}

func busAddress(face string) int {
	for i, n := range simbench.Names {
		if n == face {
			return i + 1
		}
	}
	return 30
}

func dialOfOpener(t testing.TB, p *transport.Opener, address string, o transport.Options) scpi.Dial {
	t.Helper()
	d, err := p.Dial(address, o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// instrument is the bench's face as something that holds its answers until it is asked to talk.
type instrument struct {
	b    *simbench.Bench
	face string

	mu     sync.Mutex
	conn   net.Conn
	answer chan byte
	gone   chan struct{}
}

func (i *instrument) connect() error {
	if i.conn != nil {
		return nil
	}
	conn, err := i.b.Dial(context.Background(), i.face)
	if err != nil {
		return err
	}
	answer, gone := make(chan byte, 4<<20), make(chan struct{})
	i.conn, i.answer, i.gone = conn, answer, gone
	go func() {
		defer close(gone)
		in := bufio.NewReader(conn)
		for {
			c, err := in.ReadByte()
			if err != nil {
				return
			}
			answer <- c
		}
	}()
	return nil
}

// hear gives it a message.
func (i *instrument) hear(message []byte) error {
	i.mu.Lock()
	defer i.mu.Unlock()
	if err := i.connect(); err != nil {
		return err
	}
	i.conn.SetWriteDeadline(time.Now().Add(limit))
	_, err := i.conn.Write(message)
	if err != nil {
		i.conn.Close()
		i.conn = nil
	}
	return err
}

// clear is a device clear: what was said and not fetched is gone, and so is what is not said yet.
func (i *instrument) clear() {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.conn != nil {
		i.conn.Close()
		i.conn = nil
	}
}

var errNothing = errors.New("it has nothing to say")

// talk fetches a whole message: a block by its length, a line to its end, and what comes right behind; or
// with until up to that byte.
func (i *instrument) talk(wait time.Duration, stop <-chan struct{}, until int) (message []byte, whole bool, err error) {
	i.mu.Lock()
	if err := i.connect(); err != nil {
		i.mu.Unlock()
		return nil, false, err
	}
	answer, gone := i.answer, i.gone
	i.mu.Unlock()
	t := time.NewTimer(wait)
	defer t.Stop()
	next := func(after <-chan time.Time) (byte, bool) {
		select {
		case c := <-answer:
			return c, true
		default:
		}
		select {
		case c := <-answer:
			return c, true
		case <-after:
		case <-stop:
			err = errNothing
		case <-gone:
			select {
			case c := <-answer:
				return c, true
			default:
			}
			err = io.EOF
		}
		return 0, false
	}
	for {
		c, ok := next(t.C)
		if !ok {
			break
		}
		message = append(message, c)
		if until >= 0 {
			if int(c) == until {
				return message, true, nil
			}
			continue
		}
		if ended(message) {
			time.Sleep(time.Millisecond)
			if len(answer) == 0 {
				return message, true, nil
			}
		}
	}
	if err == nil && len(message) == 0 {
		err = errNothing
	}
	if err == io.EOF {
		i.clear()
	}
	return message, false, err
}

// ended tells whether bytes are a whole block with its newline, or end in a newline.
func ended(m []byte) bool {
	if len(m) < 2 || m[0] != '#' || m[1] < '1' || m[1] > '9' {
		return m[len(m)-1] == '\n'
	}
	digits := int(m[1] - '0')
	if len(m) < 2+digits {
		return false
	}
	n, err := strconv.Atoi(string(m[2 : 2+digits]))
	return err != nil && m[len(m)-1] == '\n' || err == nil && len(m) >= 2+digits+n+1
}

// adapter is a stand-in for a GPIB adapter with ++ commands, which one client at a time may use. It
// holds the instruments' connections, so that an answer nobody fetched outlives a client.
type adapter struct {
	t        *testing.T
	listener net.Listener
	devices  map[int]*instrument

	mu    sync.Mutex
	heard []string // ++ commands
}

func startAdapter(t *testing.T, b *simbench.Bench) *adapter {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	a := &adapter{t: t, listener: l, devices: map[int]*instrument{}}
	for _, name := range simbench.Names {
		a.devices[busAddress(name)] = &instrument{b: b, face: name}
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			a.serve(c)
			c.Close()
		}
	}()
	t.Cleanup(func() {
		l.Close()
		for _, d := range a.devices {
			d.clear()
		}
		<-done
	})
	return a
}

func (a *adapter) address() string {
	return fmt.Sprintf("TCPIP::127.0.0.1::%d::SOCKET", a.listener.Addr().(*net.TCPAddr).Port)
}

// told returns the ++ commands so far.
func (a *adapter) told() []string {
	a.mu.Lock()
	defer a.mu.Unlock()
	return append([]string(nil), a.heard...)
}

func (a *adapter) serve(c net.Conn) {
	in := bufio.NewReader(c)
	now := a.devices[1]
	wait := 500 * time.Millisecond
	for {
		line, command, err := adapterLine(in)
		if err != nil {
			return
		}
		if !command {
			if now != nil {
				now.hear(line)
			}
			continue
		}
		a.mu.Lock()
		a.heard = append(a.heard, string(line))
		a.mu.Unlock()
		word := strings.Fields(string(line))
		switch word[0] {
		case "++addr":
			n, _ := strconv.Atoi(word[1])
			now = a.devices[n]
		case "++read_tmo_ms":
			n, _ := strconv.Atoi(word[1])
			wait = time.Duration(n) * time.Millisecond
		case "++ver":
			io.WriteString(c, "stand-in for an adapter, version 1\r\n")
		case "++clr":
			now.clear()
		case "++spoll":
			fmt.Fprintf(c, "%d\r\n", poll(now))
		case "++read":
			until := -1
			if word[1] != "eoi" {
				until, _ = strconv.Atoi(word[1])
			}
			message, _, _ := now.talk(wait, nil, until)
			c.Write(message)
		}
	}
}

// poll asks for the status byte, which a real instrument gives without a message.
func poll(i *instrument) int {
	i.hear([]byte("*STB?\n"))
	m, _, _ := i.talk(time.Second, nil, -1)
	n, _ := strconv.Atoi(strings.TrimSpace(string(m)))
	return n
}

// adapterLine reads a line; ESC before a byte makes it data. A line that begins with an unescaped ++
// is a command.
func adapterLine(in *bufio.Reader) (line []byte, command bool, err error) {
	escaped := false
	for n := 0; ; n++ {
		c, err := in.ReadByte()
		if err != nil {
			return nil, false, err
		}
		switch {
		case escaped:
			escaped = false
		case c == 27:
			escaped = true
			continue
		case c == '\n', c == '\r':
			return line, command, nil
		case c == '+' && n == 1 && len(line) == 1:
			command = true
		}
		line = append(line, c)
	}
}

// program finds an outside program, or skips; where CI is set a missing one fails.
func program(t testing.TB, name string, probe ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil && len(probe) > 0 {
		err = exec.Command(path, probe...).Run()
	}
	if err == nil {
		return path
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("outside check needs %s %s: %v", name, strings.Join(probe, " "), err)
	}
	t.Skipf("outside check skipped: %s %s: %v", name, strings.Join(probe, " "), err)
	return ""
}

// serialWay is a real serial port driver over a pair of pseudo-terminals that socat holds; the bench is
// at the far end.
func serialWay(t *testing.T, b *simbench.Bench, face string) scpi.Dial {
	socat := program(t, "socat")
	dir := t.TempDir()
	near, far := filepath.Join(dir, "near"), filepath.Join(dir, "far")
	run := exec.Command(socat, "pty,raw,echo=0,link="+near, "pty,raw,echo=0,link="+far)
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { run.Process.Kill(); run.Wait() })
	for began := time.Now(); ; time.Sleep(5 * time.Millisecond) {
		_, err1 := os.Stat(near)
		_, err2 := os.Stat(far)
		if err1 == nil && err2 == nil {
			break
		}
		if time.Since(began) > 5*time.Second {
			t.Fatal("socat made no pseudo-terminals")
		}
	}
	line, err := os.OpenFile(far, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	stop := make(chan struct{})
	var running sync.WaitGroup
	running.Go(func() { atLine(line, &instrument{b: b, face: face}, stop, &running) })
	t.Cleanup(func() { close(stop); line.Close(); running.Wait() })
	return dialOf(t, "ASRL"+near+"::INSTR", transport.Options{})
}

// atLine is an instrument on a line: what it says goes out whether or not anybody listens.
func atLine(line *os.File, i *instrument, stop chan struct{}, running *sync.WaitGroup) {
	running.Go(func() {
		defer i.clear()
		for {
			m, _, err := i.talk(50*time.Millisecond, stop, -1)
			select {
			case <-stop:
				return
			default:
			}
			if len(m) > 0 {
				line.Write(m)
			}
			if err != nil && err != errNothing {
				time.Sleep(time.Millisecond)
			}
		}
	})
	in := bufio.NewReader(line)
	for {
		m, err := in.ReadBytes('\n')
		if err != nil {
			return
		}
		i.hear(m)
	}
}

// usbDevice is a stand-in for a USB instrument; its output outlives the file that is open on it.
type usbDevice struct {
	b    *simbench.Bench
	face string

	mu   sync.Mutex
	i    *instrument
	left []byte // of a message that was longer than the read
	open bool   // a transfer was given up and not aborted: nothing works until it is
	done []usbtmc.Request
}

func (d *usbDevice) unplug() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.i != nil {
		d.i.clear()
	}
}

func (d *usbDevice) instrument() *instrument {
	if d.i == nil {
		d.i = &instrument{b: d.b, face: d.face}
	}
	return d.i
}

// usbFile is an open file of the kernel's driver, as far as the tests need it (Linux,
// drivers/usb/class/usbtmc.c: a time limit for each file, reads that end with EOM or when the room is
// full, ETIMEDOUT, and a protocol error where a transfer that failed was not aborted).
type usbFile struct {
	d       *usbDevice
	timeout time.Duration
	eom     bool
	cancel  chan struct{}
	mu      sync.Mutex
}

func (f *usbFile) Write(p []byte) (int, error) {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if f.d.open {
		return 0, syscall.EPIPE
	}
	if err := f.d.instrument().hear(p); err != nil {
		f.d.open = true
		return 0, usbError(err)
	}
	return len(p), nil
}

func usbError(err error) error {
	switch {
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrClosedPipe):
		return syscall.ENODEV
	case errors.Is(err, os.ErrDeadlineExceeded), errors.Is(err, errNothing):
		return syscall.ETIMEDOUT
	}
	return err
}

func (f *usbFile) Read(p []byte) (int, error) {
	f.d.mu.Lock()
	i, left, open := f.d.instrument(), f.d.left, f.d.open
	f.d.mu.Unlock()
	if open {
		return 0, syscall.EPIPE
	}
	f.mu.Lock()
	f.cancel = make(chan struct{})
	cancel := f.cancel
	f.mu.Unlock()
	whole := true
	if left == nil {
		var err error
		if left, whole, err = i.talk(f.timeout, cancel, -1); err != nil || !whole && len(left) == 0 {
			f.d.mu.Lock()
			f.d.open = true
			f.d.mu.Unlock()
			if err == nil {
				err = errNothing
			}
			return 0, usbError(err)
		}
	}
	n := copy(p, left)
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	f.d.left = nil
	if n < len(left) {
		f.d.left = left[n:]
	}
	f.eom = f.d.left == nil && whole
	return n, nil
}

func (f *usbFile) Do(r usbtmc.Request, value uint32) (uint32, error) {
	if r == usbtmc.CancelIO {
		f.mu.Lock()
		defer f.mu.Unlock()
		if f.cancel != nil {
			close(f.cancel)
			f.cancel = nil
		}
		return 0, nil
	}
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if r != usbtmc.SetTimeout && r != usbtmc.InAttributes {
		f.d.done = append(f.d.done, r)
	}
	switch r {
	case usbtmc.Clear:
		if f.d.open {
			return 0, syscall.EPIPE
		}
		f.d.instrument().clear()
		f.d.left = nil
	case usbtmc.AbortIn, usbtmc.AbortOut:
		f.d.open = false
		f.d.left = nil
	case usbtmc.SetTimeout:
		f.timeout = time.Duration(value) * time.Millisecond
	case usbtmc.InAttributes:
		if f.eom {
			return 1, nil
		}
		return 0, nil
	case usbtmc.ReadStatus:
		return uint32(poll(f.d.instrument())), nil
	}
	return 0, nil
}

func (f *usbFile) Close() error { return nil }
