package hislip

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"provoke/internal/bench/scpi"
)

// Port is where HiSLIP servers listen, by IVI-6.1 and IANA.
const Port = 4880

const (
	protocolVersion = 2 << 8 // 2.0; a server of an older revision answers with its own
	vendorID        = 'P'<<8 | 'V'
	firstID         = 0xffffff00 // message id after initialisation and device clear (3.1.1)
	anyID           = 0xffffffff // an answer begun before the question had ended (3.1.1)

	longestMessage = 1 << 20 // that this side takes
	longestPayload = longestMessage
	leastMessage   = 256 // what a server is taken to accept that names less

	closeLimit = 100 * time.Millisecond

	preferOverlap       = 1 // control code of InitializeResponse and feature bit of a device clear
	encryptionMandatory = 2 // control code of InitializeResponse (2.0)
	rmtDelivered        = 1 // control code of Data, DataEND, Trigger, AsyncStatusQuery
)

// Options of a session. The zero value of all but Host will do.
type Options struct {
	Host       string
	Port       int    // 0: 4880
	SubAddress string // "" means "hislip0"
	// Overlap takes overlap mode where the server prefers it, without asking for synchronised mode.
	Overlap bool
	// Terminator, when it is not 0, ends an answer; for a server that marks no end.
	Terminator byte
}

// Session is a HiSLIP session. It is a framed scpi.Port, unless Options.Terminator is set.
type Session struct {
	o           Options
	sync, async *channel
	id          uint16
	version     uint16 // agreed on
	overlap     bool
	longest     int    // payload of a message that the server takes
	next        uint32 // id of the next message
	last        uint32 // id of the last message sent
	delivered   bool   // an answer was taken to its end since the last message (RMT-delivered)
	service     atomic.Uint32
}

// Dial returns a scpi.Dial that opens a session.
func Dial(o Options) scpi.Dial {
	return func(ctx context.Context) (scpi.Port, error) { return Open(ctx, o) }
}

// Open connects both channels and agrees on version, mode and message size (IVI-6.1, initialization and maximum
// message size transactions). A
// server that takes no more clients is an error that matches scpi.ErrInUse.
func Open(ctx context.Context, o Options) (*Session, error) {
	if o.Port == 0 {
		o.Port = Port
	}
	if o.SubAddress == "" {
		o.SubAddress = "hislip0"
	}
	s := &Session{o: o, next: firstID, last: firstID - 2}
	err := s.open(ctx)
	if err != nil {
		s.Close()
		return nil, fmt.Errorf("opening a HiSLIP session with %s: %w", o.SubAddress, err)
	}
	return s, nil
}

func (s *Session) open(ctx context.Context) error {
	if err := s.openSync(ctx); err != nil {
		return err
	}
	if err := s.openAsync(ctx); err != nil {
		return err
	}
	if err := s.agreeOnSize(ctx); err != nil {
		return err
	}
	if s.overlap && !s.o.Overlap {
		return s.clear(ctx, 0)
	}
	return nil
}

// openSync is Initialize and its response (initialization transaction).
func (s *Session) openSync(ctx context.Context) error {
	conn, err := scpi.DialTCP(ctx, s.o.Host, s.o.Port)
	if err != nil {
		return err
	}
	s.sync = newChannel(conn, nil)
	err = s.sync.send(ctx, message{kind: initialize, parameter: protocolVersion<<16 | vendorID,
		payload: []byte(s.o.SubAddress)})
	if err != nil {
		return err
	}
	m, err := s.sync.expect(ctx, initializeResponse)
	if err != nil {
		return err
	}
	if m.control&encryptionMandatory != 0 {
		return errors.New("the instrument demands encryption, which is not built; allow a session without it at the " +
			"instrument")
	}
	s.id, s.version = uint16(m.parameter), uint16(m.parameter>>16)
	s.overlap = m.control&preferOverlap != 0
	return nil
}

// openAsync is AsyncInitialize and its response (initialization transaction).
func (s *Session) openAsync(ctx context.Context) error {
	conn, err := scpi.DialTCP(ctx, s.o.Host, s.o.Port)
	if err != nil {
		return err
	}
	s.async = newChannel(conn, s.sift)
	if err := s.async.send(ctx, message{kind: asyncInitialize, parameter: uint32(s.id)}); err != nil {
		return err
	}
	_, err = s.async.expect(ctx, asyncInitializeResponse)
	return err
}

// sift takes the messages that the server sends of its own accord and that mean nothing for an
// exchange. AsyncInterrupted does: an answer was thrown away.
func (s *Session) sift(m message) bool {
	if m.kind != asyncServiceRequest {
		return false
	}
	s.service.Store(uint32(m.control) | 1<<8)
	return true
}

// ServiceRequest returns the status byte of the last service request since the last call.
func (s *Session) ServiceRequest() (status byte, requested bool) {
	v := s.service.Swap(0)
	return byte(v), v != 0
}

// agreeOnSize is AsyncMaximumMessageSize (maximum message size transaction). Sizes are counted with the header here,
// which is on
// the safe side of either reading.
func (s *Session) agreeOnSize(ctx context.Context) error {
	size := binary.BigEndian.AppendUint64(nil, longestMessage)
	m, err := s.ask(ctx, message{kind: asyncMaximumSize, payload: size}, asyncMaximumSizeResponse)
	if err != nil {
		return err
	}
	if len(m.payload) != 8 {
		return fmt.Errorf("%w: a message size of %d bytes", scpi.ErrGarbage, len(m.payload))
	}
	s.longest = int(min(max(binary.BigEndian.Uint64(m.payload), leastMessage), 1<<30)) - headerLength
	return nil
}

// ask sends on the asynchronous channel and takes the response.
func (s *Session) ask(ctx context.Context, m message, want messageType) (message, error) {
	if err := s.async.send(ctx, m); err != nil {
		return message{}, err
	}
	return s.async.expect(ctx, want)
}

// Version returns the protocol's revision that was agreed on.
func (s *Session) Version() (major, minor int) { return int(s.version >> 8), int(s.version & 0xff) }

// Overlapped reports that the session is in overlap mode.
func (s *Session) Overlapped() bool { return s.overlap }

// Close ends the session.
func (s *Session) Close() error {
	var errs []error
	for _, c := range []*channel{s.async, s.sync} {
		if c != nil {
			errs = append(errs, c.close())
		}
	}
	return errors.Join(errs...)
}

// Framed reports that DataEND marks the end of an answer.
func (s *Session) Framed() bool { return s.o.Terminator == 0 }

// Idle returns why the session cannot be used.
func (s *Session) Idle() error {
	if err := s.sync.idle(); err != nil {
		return err
	}
	return s.async.idle()
}

// control tells the server once that the answer before was taken (3.1.1, rule 1).
func (s *Session) control() byte {
	if !s.delivered {
		return 0
	}
	s.delivered = false
	return rmtDelivered
}

func (s *Session) number() uint32 {
	s.last = s.next
	s.next += 2
	return s.last
}

// Send sends a message as Data and DataEND (data transfer messages).
func (s *Session) Send(ctx context.Context, text []byte) error {
	for {
		piece, kind := text, dataEnd
		if len(piece) > s.longest {
			piece, kind = piece[:s.longest], data
		}
		if err := s.sync.send(ctx, message{kind: kind, control: s.control(), parameter: s.number(),
			payload: piece}); err != nil {
			return err
		}
		if text = text[len(piece):]; kind == dataEnd {
			return nil
		}
	}
}

// Receive takes the next part of the answer (data transfer messages).
func (s *Session) Receive(ctx context.Context) ([]byte, bool, error) {
	select {
	case m, open := <-s.async.messages:
		if !open {
			return nil, false, s.async.err
		}
		return nil, false, s.unasked(m)
	default:
	}
	m, err := s.sync.receive(ctx)
	if err != nil {
		s.sync.complain(err)
		return nil, false, err
	}
	if m.kind != data && m.kind != dataEnd {
		return nil, false, s.unasked(m)
	}
	if !s.overlap && m.parameter != s.last && (m.parameter != anyID || m.kind == dataEnd) {
		return nil, false, fmt.Errorf("%w: the answer to message %#x came after message %#x", scpi.ErrDirty,
			m.parameter, s.last)
	}
	s.delivered = s.delivered || m.kind == dataEnd
	return m.payload, m.kind == dataEnd, nil
}

// unasked is the error for a message that ends an exchange.
func (s *Session) unasked(m message) error {
	if err := m.failure(); err != nil {
		return err
	}
	if m.kind == interrupted || m.kind == asyncInterrupted {
		return fmt.Errorf("%w: the instrument threw an answer away because the next message came first", scpi.ErrDirty)
	}
	return fmt.Errorf("%w: %v", scpi.ErrDirty, m.kind)
}

// Clear is the device clear transaction. It keeps the mode.
func (s *Session) Clear(ctx context.Context) error {
	feature := byte(0)
	if s.overlap {
		feature = preferOverlap
	}
	return s.clear(ctx, feature)
}

// clear is the device clear, asking for a mode: both channels are emptied up to the acknowledgement.
func (s *Session) clear(ctx context.Context, feature byte) error {
	if err := s.async.send(ctx, message{kind: asyncDeviceClear}); err != nil {
		return err
	}
	if _, err := s.skip(ctx, s.async, asyncDeviceClearAcknowledge); err != nil {
		return err
	}
	if err := s.sync.send(ctx, message{kind: deviceClearComplete, control: feature}); err != nil {
		return err
	}
	m, err := s.skip(ctx, s.sync, deviceClearAcknowledge)
	if err != nil {
		return err
	}
	s.overlap = m.control&preferOverlap != 0
	s.next, s.last, s.delivered = firstID, firstID-2, false
	return nil
}

// skip throws messages away up to the one that is waited for.
func (s *Session) skip(ctx context.Context, c *channel, want messageType) (message, error) {
	for {
		m, err := c.receive(ctx)
		if err != nil || m.kind == want {
			return m, err
		}
	}
}

// ReadStatus reads the status byte (status query transaction).
func (s *Session) ReadStatus(ctx context.Context) (byte, error) {
	control := byte(0)
	if s.delivered {
		control = rmtDelivered
	}
	m, err := s.ask(ctx, message{kind: asyncStatusQuery, control: control, parameter: s.last}, asyncStatusResponse)
	return m.control, err
}

// Trigger sends a trigger message.
func (s *Session) Trigger(ctx context.Context) error {
	return s.sync.send(ctx, message{kind: trigger, control: s.control(), parameter: s.number()})
}

// Lock takes the instrument's exclusive lock, waiting so long for another client to let go (lock transaction). One
// that is not granted is an error that matches scpi.ErrInUse.
func (s *Session) Lock(ctx context.Context, wait time.Duration) error {
	const take, granted = 1, 1
	m, err := s.ask(ctx, message{kind: asyncLock, control: take, parameter: uint32(wait / time.Millisecond)},
		asyncLockResponse)
	if err == nil && m.control != granted {
		err = fmt.Errorf("%w: the lock was not granted", scpi.ErrInUse)
	}
	return err
}

// Unlock lets the instrument go (lock transaction).
func (s *Session) Unlock(ctx context.Context) error {
	const release, exclusive, shared = 0, 1, 2
	m, err := s.ask(ctx, message{kind: asyncLock, control: release, parameter: s.last}, asyncLockResponse)
	if err == nil && m.control != exclusive && m.control != shared {
		err = fmt.Errorf("%w: the lock was not released, answer %d", scpi.ErrGarbage, m.control)
	}
	return err
}

// Locked reports whether a client has the exclusive lock and how many have a lock (lock info transaction).
func (s *Session) Locked(ctx context.Context) (exclusive bool, clients int, err error) {
	m, err := s.ask(ctx, message{kind: asyncLockInfo}, asyncLockInfoResponse)
	return m.control == 1, int(m.parameter), err
}

// Remote is a request of AsyncRemoteLocalControl (remote local transaction).
type Remote byte

// The requests; the names say what they do to remote control and to the local key.
const (
	DisableRemote       Remote = 0
	EnableRemote        Remote = 1
	DisableGoLocal      Remote = 2
	EnableGoRemote      Remote = 3
	EnableLockOut       Remote = 4
	EnableRemoteLockOut Remote = 5
	GoLocal             Remote = 6
)

// Control changes remote and local state (remote local transaction).
func (s *Session) Control(ctx context.Context, r Remote) error {
	_, err := s.ask(ctx, message{kind: asyncRemoteLocal, control: byte(r), parameter: s.last}, asyncRemoteLocalResponse)
	return err
}
