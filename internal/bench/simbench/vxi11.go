package simbench

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"
)

// VXI-11 revision 1.0, annex B: one server for the whole bench, as behind a gateway. The device
// "inst0" is the first of Names, "inst1" the second and so on; "gpib0,1" is the first too, as if
// the faces stood on a bus. Every link has an output queue of its own.

const (
	vxi11Core  = 0x0607AF
	vxi11Abort = 0x0607B0
	portMapper = 100000

	vxi11Longest = 64 << 10 // bytes of one device_write
	vxi11Links   = 64
	longestWait  = time.Minute
)

// Error codes of annex B.
const (
	vxiNone          = 0
	vxiNotAccessible = 3
	vxiInvalidLink   = 4
	vxiUnsupported   = 8
	vxiNoResources   = 9
	vxiLocked        = 11
	vxiNoLock        = 12
	vxiTimeout       = 15
	vxiAborted       = 23
)

type vxi11Server struct {
	b         *Bench
	abortPort int

	mu    sync.Mutex
	links map[uint32]*vxi11Link
	next  uint32
	conns map[net.Conn]struct{}
}

// vxi11Link is a link to a device.
type vxi11Link struct {
	id      uint32
	face    *face
	conn    net.Conn
	input   []byte
	arrived chan struct{} // something came into output
	aborted chan struct{}

	mu     sync.Mutex
	output []outgoing
	epoch  int // counts device clears
}

// outgoing is a part of a response message.
type outgoing struct {
	data []byte
	ends bool
	torn bool // the connection closes behind it
}

// serveVXI11 opens core, abort and port mapper.
func (b *Bench) serveVXI11(host, coreAddress, abortAddress string, mapper int) error {
	s := &vxi11Server{b: b, links: map[uint32]*vxi11Link{}, conns: map[net.Conn]struct{}{}}
	core, err := net.Listen("tcp", coreAddress)
	if err != nil {
		return fmt.Errorf("bench's VXI-11: %w", err)
	}
	abort, err := net.Listen("tcp", abortAddress)
	if err != nil {
		core.Close()
		return fmt.Errorf("bench's VXI-11: %w", err)
	}
	s.abortPort = abort.Addr().(*net.TCPAddr).Port
	corePort := core.Addr().(*net.TCPAddr).Port
	b.mu.Lock()
	b.network.vxi11 = s
	b.mu.Unlock()
	b.running.Go(func() { accept(core, s.attend(s.core)) })
	b.running.Go(func() { accept(abort, s.attend(s.abort)) })
	if err := b.closeLater(func() { core.Close(); abort.Close() }); err != nil {
		return err
	}
	return b.serveMapper(s, host, mapper, uint32(corePort))
}

// serveMapper answers the port mapper's questions over TCP and UDP.
func (b *Bench) serveMapper(s *vxi11Server, host string, port int, core uint32) error {
	wanted := []int{port}
	if port == 0 {
		wanted = []int{mapperPort, 0}
	}
	var tcp net.Listener
	var udp net.PacketConn
	var err error
	for _, p := range wanted {
		if tcp, err = net.Listen("tcp", net.JoinHostPort(host, strconv.Itoa(p))); err != nil {
			continue
		}
		port = tcp.Addr().(*net.TCPAddr).Port
		if udp, err = net.ListenPacket("udp", net.JoinHostPort(host, strconv.Itoa(port))); err == nil {
			break
		}
		tcp.Close()
	}
	if err != nil {
		return fmt.Errorf("bench's port mapper: %w", err)
	}
	b.mu.Lock()
	b.network.mapper = port
	b.mu.Unlock()
	answer := func(c rpcCall, reply []byte) ([]byte, fate) { return mapperAnswer(c, reply, core), goesOn }
	b.running.Go(func() { accept(tcp, s.attend(func(c net.Conn) { s.calls(c, answer) })) })
	b.running.Go(func() { datagrams(udp, core) })
	return b.closeLater(func() { tcp.Close(); udp.Close() })
}

func datagrams(udp net.PacketConn, core uint32) {
	buf := make([]byte, 1500)
	for {
		n, from, err := udp.ReadFrom(buf)
		if err != nil {
			if errors.Is(err, net.ErrClosed) {
				return
			}
			continue
		}
		if c, err := parseCall(buf[:n]); err == nil {
			udp.WriteTo(mapperAnswer(c, nil, core), from)
		}
	}
}

// mapperAnswer answers a call of the port mapper version 2 (RFC 1833, section 3): it knows one
// program.
func mapperAnswer(c rpcCall, b []byte, core uint32) []byte {
	switch {
	case c.program != portMapper:
		return c.reply(b, rpcNoProgram)
	case c.version != 2:
		return c.reply(b, rpcMismatch)
	case c.procedure == 0:
		return c.reply(b, rpcSuccess)
	case c.procedure != 3:
		return c.reply(b, rpcNoProcedure)
	}
	program, version, protocol := c.args.word(), c.args.word(), c.args.word()
	port := uint32(0)
	if program == vxi11Core && version == 1 && protocol == 6 {
		port = core
	}
	return putWords(c.reply(b, rpcSuccess), port)
}

// attend serves a connection that belongs to no face.
func (s *vxi11Server) attend(serve func(net.Conn)) func(net.Conn) {
	return func(c net.Conn) {
		s.b.mu.Lock()
		defer s.b.mu.Unlock()
		if s.b.closed {
			c.Close()
			return
		}
		s.mu.Lock()
		s.conns[c] = struct{}{}
		s.mu.Unlock()
		s.b.running.Go(func() {
			defer s.left(c)
			serve(c)
		})
	}
}

// left destroys the links of a connection that is over.
func (s *vxi11Server) left(c net.Conn) {
	c.Close()
	s.b.mu.Lock()
	defer s.b.mu.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.conns, c)
	for id, l := range s.links {
		if l.conn == c {
			s.destroy(id, l)
		}
	}
}

// destroy forgets a link. The caller holds both locks.
func (s *vxi11Server) destroy(id uint32, l *vxi11Link) {
	delete(s.links, id)
	delete(l.face.conns, l.conn)
	if l.face.locked == l {
		l.face.locked = nil
	}
}

// open returns the connections that are open.
func (s *vxi11Server) open() []net.Conn {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []net.Conn
	for c := range s.conns {
		out = append(out, c)
	}
	return out
}

// calls answers one call after the other until the connection ends.
func (s *vxi11Server) calls(c net.Conn, answer func(rpcCall, []byte) ([]byte, fate)) {
	in := bufio.NewReader(c)
	room := make([]byte, 4, 4096)
	for {
		record, err := readRPC(in)
		if err != nil {
			return
		}
		call, err := parseCall(record)
		if err != nil {
			return
		}
		reply, fate := answer(call, room[:4])
		if !s.b.meets(fate) || writeRPC(c, reply) != nil {
			return
		}
	}
}

func (s *vxi11Server) core(c net.Conn) {
	s.calls(c, func(call rpcCall, reply []byte) ([]byte, fate) {
		if call.program != vxi11Core || call.version != 1 {
			return call.reply(reply, rpcNoProgram), goesOn
		}
		return s.coreCall(c, call, reply)
	})
}

// coreCall carries out a procedure of the core program.
func (s *vxi11Server) coreCall(c net.Conn, call rpcCall, reply []byte) ([]byte, fate) {
	if call.procedure == 10 {
		return s.createLink(c, call, reply)
	}
	procedures := map[uint32]func(*vxi11Link, *xdr, []byte) ([]byte, fate){
		11: s.write, 12: s.read, 13: s.readStatus, 14: s.accepted, 15: s.clear, 16: s.accepted, 17: s.accepted,
		18: s.lock, 19: s.unlock,
	}
	id := call.args.word()
	s.mu.Lock()
	l := s.links[id]
	s.mu.Unlock()
	do, known := procedures[call.procedure]
	out := call.reply(reply, rpcSuccess)
	switch {
	case call.procedure == 0:
		return out, goesOn
	case call.procedure == 23:
		return s.destroyLink(l, out)
	case call.procedure == 20, call.procedure == 22, call.procedure == 25, call.procedure == 26:
		return putWords(out, vxiUnsupported, 0), goesOn // service requests and device-specific commands
	case !known:
		return call.reply(reply, rpcNoProcedure), goesOn
	case call.args.bad:
		return call.reply(reply, rpcBadArguments), goesOn
	case l == nil:
		return putWords(out, vxiInvalidLink, 0, 0), goesOn
	}
	return do(l, &call.args, out)
}

// device finds the face of a device's name; nil when there is none.
func (b *Bench) device(name string) *face {
	index := -1
	if n, ok := strings.CutPrefix(strings.ToLower(name), "inst"); ok {
		if v, err := strconv.Atoi(n); err == nil {
			index = v
		}
	} else if n, ok := strings.CutPrefix(strings.ToLower(name), "gpib0,"); ok {
		if v, err := strconv.Atoi(n); err == nil {
			index = v - 1
		}
	}
	if index < 0 || index >= len(Names) || b.faces[Names[index]].in == nil {
		return nil
	}
	return b.faces[Names[index]]
}

func (s *vxi11Server) createLink(c net.Conn, call rpcCall, reply []byte) ([]byte, fate) {
	call.args.word() // the client's own number
	wantsLock, _ := call.args.word() != 0, call.args.word()
	name := string(call.args.bytes())
	if call.args.bad {
		return call.reply(reply, rpcBadArguments), goesOn
	}
	out := call.reply(reply, rpcSuccess)
	f := s.b.device(name)
	if f == nil {
		return putWords(out, vxiNotAccessible, 0, 0, 0), goesOn
	}
	if fate := s.b.greets(f); fate != goesOn {
		return nil, fate
	}
	s.b.mu.Lock()
	defer s.b.mu.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case f.fault(FaultAbsent) != nil:
		return putWords(out, vxiNotAccessible, 0, 0, 0), goesOn
	case wantsLock && f.locked != nil:
		return putWords(out, vxiLocked, 0, 0, 0), goesOn
	case len(s.links) >= vxi11Links, len(f.conns) > 0 && (f.fault(FaultSingle) != nil || f.fault(FaultQueues) != nil):
		return putWords(out, vxiNoResources, 0, 0, 0), goesOn
	}
	if f.fault(FaultThrowsOut) != nil {
		for old := range f.conns {
			old.Close()
		}
	}
	s.next++
	l := &vxi11Link{id: s.next, face: f, conn: c, arrived: make(chan struct{}, 1), aborted: make(chan struct{}, 1)}
	s.links[l.id] = l
	f.conns[c] = struct{}{}
	if wantsLock {
		f.locked = l
	}
	return putWords(out, vxiNone, l.id, uint32(s.abortPort), vxi11Longest), goesOn
}

func (s *vxi11Server) destroyLink(l *vxi11Link, out []byte) ([]byte, fate) {
	if l == nil {
		return putWords(out, vxiInvalidLink), goesOn
	}
	s.b.mu.Lock()
	defer s.b.mu.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.destroy(l.id, l)
	return putWords(out, vxiNone), goesOn
}

// mine waits for another link's lock to end; false when it does not.
func (s *vxi11Server) mine(l *vxi11Link, flags, lockTimeout uint32) bool {
	const waitLock = 1
	var wait time.Duration
	if flags&waitLock != 0 {
		wait = min(time.Duration(lockTimeout)*time.Millisecond, longestWait)
	}
	return s.b.holds(l.face, l, wait, false)
}

// holds waits for a face that nobody else has locked, and locks it when asked to.
func (b *Bench) holds(f *face, who any, wait time.Duration, take bool) bool {
	for began := time.Now(); ; {
		b.mu.Lock()
		free := f.locked == nil || f.locked == who
		if free && take {
			f.locked = who
		}
		b.mu.Unlock()
		if free || time.Since(began) >= wait || !b.wait(2*time.Millisecond) {
			return free
		}
	}
}

func (s *vxi11Server) write(l *vxi11Link, args *xdr, out []byte) ([]byte, fate) {
	args.word() // a simulated instrument takes every byte at once
	lockTimeout, flags := args.word(), args.word()
	data := args.bytes()
	if !s.mine(l, flags, lockTimeout) {
		return putWords(out, vxiLocked, 0), goesOn
	}
	data = data[:min(len(data), vxi11Longest)]
	l.input = append(l.input, data...)
	const end = 8
	if flags&end != 0 {
		text := l.input
		l.input = nil
		for _, line := range bytes.Split(bytes.TrimRight(text, "\r\n"), []byte("\n")) {
			answer, fate := s.b.handle(l.face, string(bytes.TrimRight(line, "\r")))
			if fate != goesOn {
				return nil, fate
			}
			s.send(l, answer)
		}
	}
	return putWords(out, vxiNone, uint32(len(data))), goesOn
}

// send puts an answer into the output queue when its time has come.
func (s *vxi11Server) send(l *vxi11Link, a *answer) {
	if a == nil {
		return
	}
	data, ends := a.sent()
	if ends {
		data = append(data, '\n')
	}
	l.mu.Lock()
	epoch := l.epoch
	l.mu.Unlock()
	if a.after == 0 {
		l.push(epoch, outgoing{data, ends, a.torn})
		return
	}
	s.b.running.Go(func() {
		if s.b.wait(a.after) {
			l.push(epoch, outgoing{data, ends, a.torn})
		}
	})
}

func (l *vxi11Link) push(epoch int, o outgoing) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.epoch != epoch {
		return
	}
	l.output = append(l.output, o)
	select {
	case l.arrived <- struct{}{}:
	default:
	}
}

func (s *vxi11Server) read(l *vxi11Link, args *xdr, out []byte) ([]byte, fate) {
	size, timeout, lockTimeout, flags, char := args.word(), args.word(), args.word(), args.word(), byte(args.word())
	if !s.mine(l, flags, lockTimeout) {
		return putWords(out, vxiLocked, 0, 0), goesOn
	}
	if code := s.await(l, min(time.Duration(timeout)*time.Millisecond, longestWait)); code != vxiNone {
		return putWords(out, code, 0, 0), goesOn
	}
	const termChar = 128
	data, reason, torn := l.take(int(size), flags&termChar != 0, char)
	if torn {
		writeRPC(l.conn, putBytes(putWords(out, vxiNone, reason), data))
		return nil, hangsUp
	}
	return putBytes(putWords(out, vxiNone, reason), data), goesOn
}

// await waits for output.
func (s *vxi11Server) await(l *vxi11Link, limit time.Duration) uint32 {
	select {
	case <-l.aborted: // an abort of an earlier call
	default:
	}
	var timer <-chan time.Time
	for {
		l.mu.Lock()
		there := len(l.output) > 0
		l.mu.Unlock()
		if there {
			return vxiNone
		}
		if timer == nil {
			t := time.NewTimer(limit)
			defer t.Stop()
			timer = t.C
		}
		select {
		case <-l.arrived:
		case <-l.aborted:
			return vxiAborted
		case <-timer:
			return vxiTimeout
		case <-s.b.ctx.Done():
			return vxiAborted
		}
	}
}

// take takes the next bytes of the output and says why it stopped.
func (l *vxi11Link) take(size int, byChar bool, char byte) (data []byte, reason uint32, torn bool) {
	const count, character, end = 1, 2, 4
	l.mu.Lock()
	defer l.mu.Unlock()
	o := &l.output[0]
	n := min(size, len(o.data))
	if i := bytes.IndexByte(o.data[:n], char); byChar && i >= 0 {
		n, reason = i+1, character
	}
	if n == size {
		reason |= count
	}
	data, o.data = o.data[:n], o.data[n:]
	if len(o.data) > 0 {
		return data, reason, false
	}
	if o.ends {
		reason |= end
	}
	torn = o.torn
	l.output = l.output[1:]
	return data, reason, torn
}

func (s *vxi11Server) readStatus(l *vxi11Link, args *xdr, out []byte) ([]byte, fate) {
	flags, lockTimeout := args.word(), args.word()
	if !s.mine(l, flags, lockTimeout) {
		return putWords(out, vxiLocked, 0), goesOn
	}
	l.mu.Lock()
	waiting := len(l.output) > 0
	l.mu.Unlock()
	return putWords(out, vxiNone, uint32(s.b.statusOf(l.face, waiting))), goesOn
}

// statusOf is the status byte; bit 4 is set while an answer waits (IEEE 488.2, 11.2.1).
func (b *Bench) statusOf(f *face, waiting bool) byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	status := f.in.status()
	if waiting {
		status |= 16
	}
	return status
}

// accepted is a trigger, remote or local: nothing on the bench depends on them.
func (s *vxi11Server) accepted(l *vxi11Link, args *xdr, out []byte) ([]byte, fate) {
	flags, lockTimeout := args.word(), args.word()
	if !s.mine(l, flags, lockTimeout) {
		return putWords(out, vxiLocked), goesOn
	}
	return putWords(out, vxiNone), goesOn
}

func (s *vxi11Server) clear(l *vxi11Link, args *xdr, out []byte) ([]byte, fate) {
	flags, lockTimeout := args.word(), args.word()
	if !s.mine(l, flags, lockTimeout) {
		return putWords(out, vxiLocked), goesOn
	}
	l.mu.Lock()
	l.input, l.output = nil, nil
	l.epoch++
	l.mu.Unlock()
	return putWords(out, vxiNone), goesOn
}

func (s *vxi11Server) lock(l *vxi11Link, args *xdr, out []byte) ([]byte, fate) {
	const waitLock = 1
	flags, lockTimeout := args.word(), args.word()
	var wait time.Duration
	if flags&waitLock != 0 {
		wait = min(time.Duration(lockTimeout)*time.Millisecond, longestWait)
	}
	if !s.b.holds(l.face, l, wait, true) {
		return putWords(out, vxiLocked), goesOn
	}
	return putWords(out, vxiNone), goesOn
}

func (s *vxi11Server) unlock(l *vxi11Link, _ *xdr, out []byte) ([]byte, fate) {
	s.b.mu.Lock()
	defer s.b.mu.Unlock()
	if l.face.locked != l {
		return putWords(out, vxiNoLock), goesOn
	}
	l.face.locked = nil
	return putWords(out, vxiNone), goesOn
}

// abort serves the abort channel.
func (s *vxi11Server) abort(c net.Conn) {
	s.calls(c, func(call rpcCall, reply []byte) ([]byte, fate) {
		if call.program != vxi11Abort || call.version != 1 || call.procedure > 1 {
			return call.reply(reply, rpcNoProgram), goesOn
		}
		out := call.reply(reply, rpcSuccess)
		if call.procedure == 0 {
			return out, goesOn
		}
		s.mu.Lock()
		l := s.links[call.args.word()]
		s.mu.Unlock()
		if l == nil {
			return putWords(out, vxiInvalidLink), goesOn
		}
		select {
		case l.aborted <- struct{}{}:
		default:
		}
		return putWords(out, vxiNone), goesOn
	})
}
