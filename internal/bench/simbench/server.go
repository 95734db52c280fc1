package simbench

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"strconv"
	"strings"
	"time"
)

// face is one thing to talk to: an instrument or the product's text output.
type face struct {
	name      string
	in        *instrument // nil for the product
	listeners []net.Listener
	port      int // of the raw socket
	hislip    int // port of HiSLIP, 0 for none
	conns     map[net.Conn]struct{}
	queue     []chan struct{} // turns of connections that wait; one is closed when it comes
	locked    any             // the link or session that has the lock
	faults    []*Fault
	bench     *Bench
	back      []func() // undo what manners changed
}

// firstPort numbers the faces of a bench that does not listen, so that its addresses differ.
const firstPort = 5001

func (b *Bench) newFace(name string, index int) *face {
	f := &face{name: name, port: firstPort + index, conns: map[net.Conn]struct{}{}, bench: b}
	if name == "dut" {
		return f
	}
	in := &instrument{name: name, matched: map[string]*command{}, event: 128,
		reset: func() {}, settled: b.plant.changed}
	in.identity = "provoke simulated bench," + name + "," + b.config.Serial + ",1"
	in.commands = in.system()
	f.in = in
	switch name {
	case "source":
		b.source = b.newSource(in)
	case "amplifier":
		b.newAmplifier(in)
	case "analyser":
		b.newAnalyser(in)
	case "powermeter":
		b.newPowerMeter(in)
	case "meter":
		b.newMeter(in)
	case "interlock":
		b.newInterlock(in)
	case "hand":
		b.newHand(in)
	}
	return f
}

// Dial connects to a face in process, through net.Pipe, served by the same code as the sockets. It
// takes a face's name, its Address or host:port.
func (b *Bench) Dial(ctx context.Context, instrument string) (net.Conn, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("reaching the simulated %s: %w", instrument, err)
	}
	b.mu.Lock()
	f := b.lookup(instrument)
	switch {
	case f == nil:
		b.mu.Unlock()
		return nil, fmt.Errorf("the simulated bench has no %q", instrument)
	case f.fault(FaultAbsent) != nil:
		b.mu.Unlock()
		return nil, fmt.Errorf("reaching the simulated %s: connection refused", f.name)
	}
	b.mu.Unlock()
	ours, theirs := net.Pipe()
	if !b.attend(f, ours) {
		return nil, errors.New("the simulated bench is closed")
	}
	return theirs, nil
}

// lookup finds a face by name or address. The caller holds the lock.
func (b *Bench) lookup(instrument string) *face {
	if f := b.faces[instrument]; f != nil {
		return f
	}
	for _, f := range b.faces {
		port := strconv.Itoa(f.port)
		if strings.HasSuffix(instrument, "::"+port+"::SOCKET") || strings.HasSuffix(instrument, ":"+port) {
			return f
		}
	}
	return nil
}

// attend serves a connection in its own goroutine; false when the bench is closed.
func (b *Bench) attend(f *face, c net.Conn) bool {
	return b.host(f, c, func() {
		switch {
		case f.in == nil:
			b.serveProduct(f, c)
		case b.meets(b.greets(f)):
			b.serveInstrument(f, c)
		}
	})
}

// host runs the serving of a connection in its own goroutine; false when the bench is closed.
func (b *Bench) host(f *face, c net.Conn, serve func()) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		c.Close()
		return false
	}
	switch {
	case len(f.conns) > 0 && f.fault(FaultSingle) != nil:
		c.Close()
		return true
	case f.fault(FaultThrowsOut) != nil:
		for old := range f.conns {
			old.Close()
		}
	}
	turn := make(chan struct{})
	f.conns[c] = struct{}{}
	if f.fault(FaultQueues) == nil || len(f.conns) == 1 {
		close(turn)
	} else {
		f.queue = append(f.queue, turn)
	}
	b.running.Go(func() {
		defer b.forget(f, c)
		select {
		case <-turn:
			serve()
		case <-b.ctx.Done():
		}
	})
	return true
}

// greets is what a new connection to a face meets.
func (b *Bench) greets(f *face) fate {
	b.mu.Lock()
	defer b.mu.Unlock()
	if f.fault(FaultUnplugged) != nil {
		return goesDead
	}
	return goesOn
}

// Connected is how many connections an instrument holds.
func (b *Bench) Connected(face string) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.faces[face].conns)
}

func (b *Bench) forget(f *face, c net.Conn) {
	c.Close()
	b.mu.Lock()
	keeps := f.fault(FaultKeepsPlace)
	b.mu.Unlock()
	if keeps != nil {
		b.wait(keeps.Delay)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	delete(f.conns, c)
	if len(f.queue) > 0 {
		close(f.queue[0])
		f.queue = f.queue[1:]
	}
	if f.name == "source" && len(f.conns) == 0 && b.source != nil && b.source.linkOff {
		b.plant.advance(b.benchTime())
		b.source.lost()
		b.plant.changed()
	}
}

// longestMessage bounds a program message.
const longestMessage = 64 << 10

func messages(c net.Conn) *bufio.Scanner {
	s := bufio.NewScanner(c)
	s.Buffer(make([]byte, 4096), longestMessage)
	return s
}

// serveInstrument answers program messages until the connection ends.
func (b *Bench) serveInstrument(f *face, c net.Conn) {
	lines := messages(c)
	for lines.Scan() {
		message := strings.TrimRight(lines.Text(), "\r")
		answer, fate := b.handle(f, message)
		if !b.meets(fate) {
			return
		}
		if answer == nil {
			continue
		}
		if answer.after > 0 && !b.wait(answer.after) {
			return
		}
		if _, err := c.Write(answer.onStream()); err != nil || answer.torn {
			return
		}
	}
}

// fate of a connection after a message.
type fate int

const (
	goesOn fate = iota
	hangsUp
	goesDead // the cable is pulled: it stays open and nothing more is heard or said
)

// meets waits out a dead connection until the bench ends; false ends the connection.
func (b *Bench) meets(f fate) bool {
	if f == goesDead {
		<-b.ctx.Done()
	}
	return f == goesOn
}

// wait sleeps; false when the bench closes meanwhile.
func (b *Bench) wait(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-b.ctx.Done():
		return false
	}
}

// answer is a response message, when it is sent and how much of it.
type answer struct {
	text  []byte // without a terminator
	after time.Duration
	half  bool // only half is sent, without an end
	torn  bool // the connection closes after half
}

// onStream is what a socket sends.
func (a *answer) onStream() []byte {
	text, ends := a.sent()
	if ends {
		text = append(text, '\n')
	}
	return text
}

// sent is what goes out, and whether its end is marked.
func (a *answer) sent() (text []byte, ends bool) {
	if a.half || a.torn {
		return a.text[:(len(a.text)+1)/2], false
	}
	return a.text, true
}

// handle carries out one message as the face's faults let it.
func (b *Bench) handle(f *face, message string) (*answer, fate) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.plant.advance(b.benchTime())
	fault := f.due(message)
	kind := FaultKind("")
	var delay time.Duration
	if fault != nil {
		kind, delay = fault.Kind, fault.Delay
	}
	how := whole
	switch kind {
	case FaultDeaf:
		return nil, goesOn
	case FaultSilent:
		if queriesIn(message) > 0 {
			return nil, goesOn
		}
	case FaultCloses:
		return nil, hangsUp
	case FaultUnplugged:
		return nil, goesDead
	case FaultReboots:
		b.reboot(f, fault)
		return nil, hangsUp
	case FaultActsLate:
		how = queriesOnly
		b.running.Go(func() { b.actLater(f, message, delay) })
	case FaultError:
		how = setsFail
	case FaultErrorWithin:
		how = innerFails
	case FaultOverflow:
		f.in.overflow()
	}
	text, answered := f.in.execute(message, how)
	if !answered || kind == FaultActsNoAnswer {
		return nil, goesOn
	}
	return spoiled(kind, delay, []byte(text)), goesOn
}

// spoiled is an answer as a fault lets it out.
func spoiled(kind FaultKind, delay time.Duration, text []byte) *answer {
	out := &answer{text: text}
	switch kind {
	case FaultLate:
		out.after = delay
	case FaultGarbage:
		out.text = []byte("\x00\xff#?~garbage")
	case FaultEmpty:
		out.text = nil
	case FaultFirstOnly:
		out.text = []byte(splitOutsideQuotes(string(text), ';')[0])
	case FaultReversed:
		answers := splitOutsideQuotes(string(text), ';')
		slices.Reverse(answers)
		out.text = []byte(strings.Join(answers, ";"))
	case FaultOverrange:
		out.text = overranged(out.text)
	case FaultHalf:
		out.half = true
	case FaultTorn:
		out.torn = true
	case FaultTwice:
		out.text = append(append(append([]byte(nil), text...), '\n'), text...)
	}
	return out
}

// actLater carries out the settings of a message after a delay.
func (b *Bench) actLater(f *face, message string, delay time.Duration) {
	if !b.wait(delay) {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.plant.advance(b.benchTime())
	f.in.execute(message, setsOnly)
}

// reboot loses settings and connections; the fault is then over.
func (b *Bench) reboot(f *face, fault *Fault) {
	f.drop(fault)
	f.in.reset()
	f.in.queue, f.in.event = nil, 128
	b.plant.changed()
	for c := range f.conns {
		c.Close()
	}
}

// serveProduct sends a line every tenth of a second of bench time and listens for RESET.
func (b *Bench) serveProduct(f *face, c net.Conn) {
	b.running.Go(func() {
		defer c.Close()
		lines := messages(c)
		for lines.Scan() {
			if strings.EqualFold(strings.TrimSpace(lines.Text()), "RESET") {
				b.resetByLine(f)
			}
		}
	})
	tick := time.NewTicker(b.wall(linePeriod))
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-b.ctx.Done():
			return
		}
		line, goOn := b.productLine(f)
		if !goOn {
			return
		}
		if line == "" {
			if b.isGone(f, c) {
				return
			}
			continue
		}
		if _, err := c.Write([]byte(line)); err != nil {
			return
		}
	}
}

// isGone reports that the other side has left; only a silent line needs to ask.
func (b *Bench) isGone(f *face, c net.Conn) bool {
	return c.SetWriteDeadline(time.Time{}) != nil
}

func (b *Bench) resetByLine(f *face) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if f.fault(FaultDeaf) != nil {
		return
	}
	b.plant.advance(b.benchTime())
	b.plant.product.reset(b.plant.bands)
}

// productLine returns the next line; "" for silence, false to close.
func (b *Bench) productLine(f *face) (string, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.plant.advance(b.benchTime())
	line := b.plant.product.line(b.plant.bands)
	fault := f.due(line)
	if fault == nil {
		return line, true
	}
	switch fault.Kind {
	case FaultDeaf, FaultSilent, FaultActsNoAnswer, FaultUnplugged:
		return "", true
	case FaultCloses:
		return "", false
	case FaultReboots:
		f.drop(fault)
		clear(b.plant.product.states)
		return "", false
	case FaultGarbage:
		return "\xff\x00 7~ k\r\n", true
	case FaultOverrange:
		return "99999.99 kg\r\n", true
	}
	return line, true
}
