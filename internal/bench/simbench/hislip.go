package simbench

import (
	"bufio"
	"encoding/binary"
	"io"
	"net"
	"sync"
	"time"
)

// HiSLIP (IVI-6.1), revisions 1.0 to 2.0 without encryption: a server for each instrument on a port of
// its own. Every session has an output of its own.

// Message types (IVI-6.1, section 2, message type values).
const (
	hsInitialize         = 0
	hsInitializeResponse = 1
	hsFatalError         = 2
	hsError              = 3
	hsAsyncLock          = 4
	hsAsyncLockResponse  = 5
	hsData               = 6
	hsDataEnd            = 7
	hsClearComplete      = 8
	hsClearAcknowledge   = 9
	hsRemoteLocal        = 10
	hsRemoteResponse     = 11
	hsTrigger            = 12
	hsInterrupted        = 13
	hsAsyncInterrupted   = 14
	hsMaximumSize        = 15
	hsMaximumResponse    = 16
	hsAsyncInitialize    = 17
	hsAsyncInitResponse  = 18
	hsAsyncClear         = 19
	hsStatusQuery        = 21
	hsStatusResponse     = 22
	hsAsyncClearAck      = 23
	hsLockInfo           = 24
	hsLockInfoResponse   = 25
)

const (
	hsNewest   = 0x0200  // 2.0
	hsLongest  = 1 << 20 // payload and header that the server takes
	hsSessions = 64
	hsFirstID  = 0xffffff00
)

// hsMessage is one message.
type hsMessage struct {
	kind, control byte
	parameter     uint32
	payload       []byte
}

func (m hsMessage) bytes() []byte {
	out := []byte{'H', 'S', m.kind, m.control}
	out = binary.BigEndian.AppendUint32(out, m.parameter)
	out = binary.BigEndian.AppendUint64(out, uint64(len(m.payload)))
	return append(out, m.payload...)
}

// readHS reads a message; ok is false when the header is none.
func readHS(in io.Reader) (m hsMessage, ok bool, err error) {
	var head [16]byte
	if _, err := io.ReadFull(in, head[:]); err != nil {
		return m, false, err
	}
	n := binary.BigEndian.Uint64(head[8:])
	if head[0] != 'H' || head[1] != 'S' || n > hsLongest {
		return m, false, nil
	}
	m = hsMessage{head[2], head[3], binary.BigEndian.Uint32(head[4:]), make([]byte, n)}
	_, err = io.ReadFull(in, m.payload)
	return m, true, err
}

type hislipServer struct {
	b       *Bench
	face    *face
	overlap bool

	mu       sync.Mutex
	sessions map[uint16]*hislipSession
	next     uint16
}

// hislipSession is a client's pair of connections.
type hislipSession struct {
	server *hislipServer
	id     uint16
	input  []byte // of the synchronous channel's goroutine

	mu          sync.Mutex // guards what follows and the writing
	sync, async net.Conn
	overlap     bool
	longest     int // payload and header that the client takes
	own         uint32
	epoch       int  // counts device clears and interruptions
	owed        int  // answers that wait for their time
	undelivered bool // an answer was sent and the client has not said that it took it
	clearing    bool
}

func newHiSLIPServer(b *Bench, f *face, overlap bool) *hislipServer {
	return &hislipServer{b: b, face: f, overlap: overlap, sessions: map[uint16]*hislipSession{}}
}

func (h *hislipServer) attend(f *face, c net.Conn) bool {
	return h.b.host(f, c, func() {
		if h.b.meets(h.b.greets(f)) {
			h.serve(c)
		}
	})
}

// serve reads the first message, which tells which channel this is.
func (h *hislipServer) serve(c net.Conn) {
	in := bufio.NewReader(c)
	m, ok, err := readHS(in)
	switch {
	case err != nil:
	case !ok:
		refuse(c, 1, "poorly formed message header")
	case m.kind == hsInitialize:
		if s := h.begin(c, m); s != nil {
			s.serveSync(in)
			h.end(s)
		}
	case m.kind == hsAsyncInitialize:
		if s := h.join(c, uint16(m.parameter)); s != nil {
			s.serveAsync(in)
			h.end(s)
		}
	default:
		refuse(c, 3, "invalid initialization sequence")
	}
}

func refuse(c net.Conn, code byte, text string) {
	c.Write(hsMessage{kind: hsFatalError, control: code, payload: []byte(text)}.bytes())
}

// begin makes a session.
func (h *hislipServer) begin(c net.Conn, m hsMessage) *hislipSession {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.sessions) >= hsSessions {
		refuse(c, 4, "too many clients")
		return nil
	}
	h.next++
	s := &hislipSession{server: h, id: h.next, sync: c, overlap: h.overlap, longest: hsLongest, own: hsFirstID}
	h.sessions[s.id] = s
	version := min(m.parameter>>16, hsNewest)
	control := byte(0)
	if h.overlap {
		control = 1
	}
	c.Write(hsMessage{kind: hsInitializeResponse, control: control, parameter: version<<16 | uint32(s.id)}.bytes())
	return s
}

// join adds the asynchronous channel to a session.
func (h *hislipServer) join(c net.Conn, id uint16) *hislipSession {
	h.mu.Lock()
	s := h.sessions[id]
	h.mu.Unlock()
	if s == nil {
		refuse(c, 3, "no such session")
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.async = c
	const vendor = 'P'<<8 | 'V'
	c.Write(hsMessage{kind: hsAsyncInitResponse, parameter: vendor}.bytes())
	return s
}

// end closes both channels and lets the instrument go.
func (h *hislipServer) end(s *hislipSession) {
	h.mu.Lock()
	delete(h.sessions, s.id)
	h.mu.Unlock()
	h.b.mu.Lock()
	if h.face.locked == s {
		h.face.locked = nil
	}
	h.b.mu.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.epoch++
	s.sync.Close()
	if s.async != nil {
		s.async.Close()
	}
}

// serveSync serves the synchronous channel until it ends.
func (s *hislipSession) serveSync(in *bufio.Reader) {
	for {
		m, ok, err := readHS(in)
		if err != nil {
			return
		}
		if !ok {
			refuse(s.sync, 1, "poorly formed message header")
			return
		}
		if s.discards(m) {
			continue
		}
		switch m.kind {
		case hsData, hsDataEnd, hsTrigger:
			if !s.ready() {
				refuse(s.sync, 2, "attempt to use a connection without both channels")
				return
			}
			if !s.server.b.holds(s.server.face, s, longestWait, false) || !s.server.b.meets(s.take(m)) {
				return
			}
		default:
			s.write(s.sync, hsMessage{kind: hsError, control: 1, payload: []byte("unrecognized message type")})
		}
	}
}

// discards handles a device clear on the synchronous channel: what stands before its end is dropped.
func (s *hislipSession) discards(m hsMessage) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if m.kind == hsClearComplete {
		s.clearing, s.input, s.undelivered = false, nil, false
		s.overlap, s.own = m.control&1 != 0, hsFirstID
		s.sync.Write(hsMessage{kind: hsClearAcknowledge, control: m.control & 1}.bytes())
		return true
	}
	return s.clearing
}

func (s *hislipSession) ready() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.async != nil
}

// take takes a message of the client.
func (s *hislipSession) take(m hsMessage) fate {
	s.interrupt(m)
	s.input = append(s.input, m.payload...)
	if m.kind == hsData {
		return goesOn
	}
	text := s.input
	s.input = nil
	if m.kind == hsTrigger {
		return goesOn
	}
	for _, line := range lines(text) {
		answer, fate := s.server.b.handle(s.server.face, line)
		if fate != goesOn {
			return fate
		}
		if fate := s.answer(answer, m.parameter); fate != goesOn {
			return fate
		}
	}
	return goesOn
}

// lines splits a program message at its terminators.
func lines(text []byte) []string {
	var out []string
	start := 0
	for i, c := range text {
		if c == '\n' {
			out, start = append(out, string(text[start:i])), i+1
		}
	}
	if start < len(text) {
		out = append(out, string(text[start:]))
	}
	return out
}

// interrupt throws an answer away that the client did not take before its next message (IVI-6.1,
// interrupted transaction; IEEE 488.2, 6.3.2.3: query error −410).
func (s *hislipSession) interrupt(m hsMessage) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if m.control&1 != 0 {
		s.undelivered = false
	}
	if s.overlap || len(s.input) > 0 || !s.undelivered && s.owed == 0 {
		return
	}
	s.epoch++
	s.owed, s.undelivered = 0, false
	s.server.b.mu.Lock()
	s.server.face.in.fail(&scpiError{-410, "Query INTERRUPTED"})
	s.server.b.mu.Unlock()
	s.sync.Write(hsMessage{kind: hsInterrupted, parameter: m.parameter}.bytes())
	s.async.Write(hsMessage{kind: hsAsyncInterrupted, parameter: m.parameter}.bytes())
}

// answer sends a response when its time has come.
func (s *hislipSession) answer(a *answer, id uint32) fate {
	if a == nil {
		return goesOn
	}
	if a.after == 0 {
		s.mu.Lock()
		s.send(a, id)
		s.mu.Unlock()
		if a.torn {
			return hangsUp
		}
		return goesOn
	}
	s.mu.Lock()
	epoch := s.epoch
	s.owed++
	s.mu.Unlock()
	s.server.b.running.Go(func() {
		if !s.server.b.wait(a.after) {
			return
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.epoch == epoch {
			s.owed--
			s.send(a, id)
		}
	})
	return goesOn
}

// send writes a response in messages that the client takes. The caller holds the lock.
func (s *hislipSession) send(a *answer, id uint32) {
	data, ends := a.sent()
	if ends {
		data = append(data, '\n')
	}
	if s.overlap {
		id = s.own
	}
	for {
		piece := data[:min(len(data), s.longest-16)]
		data = data[len(piece):]
		m := hsMessage{kind: hsData, parameter: id, payload: piece}
		if len(data) == 0 && ends {
			m.kind = hsDataEnd
			s.undelivered = true
		}
		if _, err := s.sync.Write(m.bytes()); err != nil {
			return
		}
		if s.overlap {
			s.own += 2
			id = s.own
		}
		if len(data) == 0 {
			return
		}
	}
}

func (s *hislipSession) write(c net.Conn, m hsMessage) {
	s.mu.Lock()
	defer s.mu.Unlock()
	c.Write(m.bytes())
}

// serveAsync serves the asynchronous channel until it ends.
func (s *hislipSession) serveAsync(in *bufio.Reader) {
	for {
		m, ok, err := readHS(in)
		if err != nil {
			return
		}
		if !ok {
			refuse(s.async, 1, "poorly formed message header")
			return
		}
		s.write(s.async, s.respond(m))
	}
}

// respond carries out a message of the asynchronous channel.
func (s *hislipSession) respond(m hsMessage) hsMessage {
	switch m.kind {
	case hsMaximumSize:
		if len(m.payload) == 8 {
			s.mu.Lock()
			s.longest = int(min(max(binary.BigEndian.Uint64(m.payload), 64), hsLongest))
			s.mu.Unlock()
		}
		return hsMessage{kind: hsMaximumResponse, payload: binary.BigEndian.AppendUint64(nil, hsLongest)}
	case hsAsyncClear:
		return s.clear()
	case hsStatusQuery:
		s.mu.Lock()
		if m.control&1 != 0 {
			s.undelivered = false
		}
		waiting := s.undelivered
		s.mu.Unlock()
		return hsMessage{kind: hsStatusResponse, control: s.server.b.statusOf(s.server.face, waiting)}
	case hsAsyncLock:
		return hsMessage{kind: hsAsyncLockResponse, control: s.lock(m)}
	case hsLockInfo:
		return s.lockInfo()
	case hsRemoteLocal:
		return hsMessage{kind: hsRemoteResponse}
	}
	return hsMessage{kind: hsError, control: 1, payload: []byte("unrecognized message type")}
}

func (s *hislipSession) clear() hsMessage {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.clearing = true
	s.epoch++
	s.owed, s.undelivered = 0, false
	control := byte(0)
	if s.server.overlap {
		control = 1
	}
	return hsMessage{kind: hsAsyncClearAck, control: control}
}

// lock takes or releases the exclusive lock and returns the response's control code.
func (s *hislipSession) lock(m hsMessage) byte {
	const failed, done, wrong = 0, 1, 3
	b, f := s.server.b, s.server.face
	if m.control == 1 {
		wait := min(time.Duration(m.parameter)*time.Millisecond, longestWait)
		if b.holds(f, s, wait, true) {
			return done
		}
		return failed
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if f.locked != s {
		return wrong
	}
	f.locked = nil
	return done
}

func (s *hislipSession) lockInfo() hsMessage {
	b := s.server.b
	b.mu.Lock()
	defer b.mu.Unlock()
	if s.server.face.locked == nil {
		return hsMessage{kind: hsLockInfoResponse}
	}
	return hsMessage{kind: hsLockInfoResponse, control: 1, parameter: 1}
}
