package vxi11

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"sync"

	"provoke/internal/bench/scpi"
)

// The programs and procedures of annex B, and of the port mapper (RFC 1833, section 3).
const (
	programMapper = 100000
	mapperVersion = 2
	mapperGetPort = 3

	programCore  = 0x0607AF
	programAbort = 0x0607B0
	version      = 1

	procCreateLink  = 10
	procWrite       = 11
	procRead        = 12
	procReadStatus  = 13
	procTrigger     = 14
	procClear       = 15
	procRemote      = 16
	procLocal       = 17
	procLock        = 18
	procUnlock      = 19
	procDestroyLink = 23
	procAbort       = 1 // of programAbort
)

const (
	lastFragment = 1 << 31
	// mostRecord bounds a reply: more than the longest device_read that is asked for.
	mostRecord = 1 << 20
	callHead   = 10 * 4 // xid to the verifier
)

// client calls one program over one TCP connection, one call at a time. A goroutine reads all the time,
// so that the other end closing is noticed while idle.
type client struct {
	conn    net.Conn
	program uint32
	version uint32
	xid     uint32
	records chan []byte
	quit    chan struct{}
	once    sync.Once
	err     error // why reading ended; valid once records is closed
	buf     []byte
}

func newClient(conn net.Conn, program, version uint32) *client {
	c := &client{conn: conn, program: program, version: version, xid: rand.Uint32(),
		records: make(chan []byte), quit: make(chan struct{})}
	go c.read()
	return c
}

func (c *client) close() error {
	var err error
	c.once.Do(func() {
		close(c.quit)
		err = c.conn.Close()
	})
	return err
}

func (c *client) read() {
	defer close(c.records)
	in := bufio.NewReaderSize(c.conn, 32<<10)
	for {
		record, err := readRecord(in)
		if err != nil {
			c.err = scpi.Lost(err)
			return
		}
		select {
		case c.records <- record:
		case <-c.quit:
			c.err = scpi.ErrShut
			return
		}
	}
}

// readRecord puts the fragments of a record together (RFC 5531, section 11).
func readRecord(in io.Reader) ([]byte, error) {
	var record []byte
	for {
		var head [4]byte
		if _, err := io.ReadFull(in, head[:]); err != nil {
			return nil, err
		}
		mark := binary.BigEndian.Uint32(head[:])
		n := int(mark &^ lastFragment)
		if n+len(record) > mostRecord {
			return nil, fmt.Errorf("%w: a record of %d bytes", scpi.ErrGarbage, n+len(record))
		}
		from := len(record)
		record = append(record, make([]byte, n)...)
		if _, err := io.ReadFull(in, record[from:]); err != nil {
			return nil, err
		}
		if mark&lastFragment != 0 {
			return record, nil
		}
	}
}

// idle returns why the next call cannot be made.
func (c *client) idle() error {
	select {
	case r, open := <-c.records:
		if !open {
			return c.err
		}
		return scpi.Unasked(r)
	default:
		return nil
	}
}

// call makes one call and returns its results. When the context ends first the caller must close the
// client: the reply will still come.
func (c *client) call(ctx context.Context, procedure uint32, arguments func(encoder) encoder) (*decoder, error) {
	c.xid++
	const unknown = 0
	e := encoder(c.buf[:0]).uint(unknown, c.xid, 0, 2, c.program, c.version, procedure, 0, 0, 0, 0)
	if arguments != nil {
		e = arguments(e)
	}
	binary.BigEndian.PutUint32(e, uint32(len(e)-4)|lastFragment)
	c.buf = e
	stop := context.AfterFunc(ctx, func() { c.conn.SetWriteDeadline(aLongTimeAgo) })
	_, err := c.conn.Write(e)
	if !stop() {
		return nil, context.Cause(ctx)
	}
	if err != nil {
		return nil, scpi.Lost(err)
	}
	select {
	case record, open := <-c.records:
		if !open {
			return nil, c.err
		}
		return c.results(record)
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// results checks the head of a reply (RFC 5531, section 9).
func (c *client) results(record []byte) (*decoder, error) {
	d := &decoder{rest: record}
	xid, kind := d.uint(), d.uint()
	if d.err == nil && (kind != 1 || xid != c.xid) {
		return nil, scpi.Unasked(record)
	}
	if denied := d.uint(); denied != 0 {
		return nil, fmt.Errorf("%w: the call was denied", scpi.ErrGarbage)
	}
	d.uint()   // flavour of the verifier
	d.opaque() // its body
	const (
		success = iota
		noProgram
		wrongVersion
		noProcedure
		badArguments
		systemError
	)
	switch accepted := d.uint(); {
	case d.err != nil:
		return nil, fmt.Errorf("%w: %w", scpi.ErrGarbage, d.err)
	case accepted == success:
		return d, nil
	case accepted == noProgram, accepted == wrongVersion:
		return nil, fmt.Errorf("program %#x version %d is not served there", c.program, c.version)
	case accepted == noProcedure:
		return nil, errNoProcedure
	case accepted == badArguments:
		return nil, fmt.Errorf("%w: it could not read the arguments of the call", scpi.ErrGarbage)
	case accepted == systemError:
		return nil, fmt.Errorf("%w: a system error at the other end", scpi.ErrGarbage)
	default:
		return nil, fmt.Errorf("%w: the reply has the state %d", scpi.ErrGarbage, accepted)
	}
}
