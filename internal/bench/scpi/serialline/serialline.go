// Package serialline is the transport over a serial port: RS-232, or a USB adapter or an instrument
// that shows itself as one. It opens the port for package scpi, and for monitors that read lines.
//
// A serial line has no connections: an answer that comes late arrives at whoever has the port open
// then. Dial therefore begins with scpi.Resync.
package serialline

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.bug.st/serial"

	"provoke/internal/bench/scpi"
)

// Flow control of a line.
type Flow string

// The kinds of flow control.
const (
	NoFlow  Flow = ""
	RTSCTS  Flow = "rts-cts"  // by wire
	XONXOFF Flow = "xon-xoff" // by character; not for binary blocks
)

// Line is speed and format of a serial port. Its zero value is 9600 8N1 without flow control.
type Line struct {
	Baud     int // bits per second
	DataBits int
	Parity   byte // 'N', 'E', 'O'
	StopBits int
	Flow     Flow
}

// ParseLine reads "9600 8N1" or "115200 8N1 rts-cts": bits per second, data bits, parity, stop bits,
// flow control. Empty means 9600 8N1.
func ParseLine(text string) (Line, error) {
	fields := strings.Fields(text)
	if len(fields) == 0 {
		fields = []string{"9600", "8N1"}
	}
	wrong := fmt.Errorf("serial line %q is not written like \"9600 8N1\" or \"9600 8N1 rts-cts\" (or xon-xoff)", text)
	if len(fields) < 2 || len(fields) > 3 || len(fields[1]) != 3 {
		return Line{}, wrong
	}
	baud, err := strconv.Atoi(fields[0])
	format := fields[1]
	l := Line{Baud: baud, DataBits: int(format[0] - '0'), Parity: format[1], StopBits: int(format[2] - '0')}
	if len(fields) == 3 {
		l.Flow = Flow(strings.ToLower(fields[2]))
	}
	if err != nil || l.check() != nil {
		return Line{}, wrong
	}
	return l, nil
}

func (l Line) withDefaults() Line {
	if l == (Line{Flow: l.Flow}) {
		return Line{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1, Flow: l.Flow}
	}
	return l
}

func (l Line) check() error {
	switch {
	case l.Baud <= 0:
		return fmt.Errorf("%d bits per second", l.Baud)
	case l.DataBits < 5 || l.DataBits > 8:
		return fmt.Errorf("%d data bits", l.DataBits)
	case !strings.ContainsRune("NEO", rune(l.Parity)):
		return fmt.Errorf("parity %q", l.Parity)
	case l.StopBits != 1 && l.StopBits != 2:
		return fmt.Errorf("%d stop bits", l.StopBits)
	case l.Flow != NoFlow && l.Flow != RTSCTS && l.Flow != XONXOFF:
		return fmt.Errorf("flow control %q", l.Flow)
	}
	return nil
}

// String writes the line as ParseLine reads it.
func (l Line) String() string {
	l = l.withDefaults()
	return strings.TrimSpace(fmt.Sprintf("%d %d%c%d %s", l.Baud, l.DataBits, l.Parity, l.StopBits, l.Flow))
}

func (l Line) mode() *serial.Mode {
	return &serial.Mode{BaudRate: l.Baud, DataBits: l.DataBits,
		Parity:   map[byte]serial.Parity{'N': serial.NoParity, 'E': serial.EvenParity, 'O': serial.OddParity}[l.Parity],
		StopBits: map[int]serial.StopBits{1: serial.OneStopBit, 2: serial.TwoStopBits}[l.StopBits]}
}

// readTimeout bounds a read of the library, so that Close is noticed on every system.
const readTimeout = 100 * time.Millisecond

// Open opens a port as a byte stream. Read waits for at least one byte or for Close.
func Open(device string, line Line) (io.ReadWriteCloser, error) {
	line = line.withDefaults()
	if err := line.check(); err != nil {
		return nil, fmt.Errorf("open serial port %s: %w", device, err)
	}
	flow, err := prepareFlow(device, line.Flow)
	if err != nil {
		return nil, fmt.Errorf("open serial port %s: %w", device, err)
	}
	defer flow.close()
	p, err := serial.Open(device, line.mode())
	if err != nil {
		return nil, fmt.Errorf("open serial port %s: %w", device, explain(err))
	}
	if err = p.SetReadTimeout(readTimeout); err == nil {
		err = flow.set(line.Flow)
	}
	if err != nil {
		p.Close()
		return nil, fmt.Errorf("open serial port %s: %w", device, err)
	}
	return &port{Port: p, shut: make(chan struct{})}, nil
}

// explain marks an error of the library that means somebody else has the port.
func explain(err error) error {
	if e, ok := err.(*serial.PortError); ok && e.Code() == serial.PortBusy {
		return fmt.Errorf("%w: %w", scpi.ErrInUse, err)
	}
	return err
}

// port is a serial port whose Read waits for a byte or for the end: the library's returns nothing and
// no error when its timeout passes, which a reader would take for a stream gone mad.
type port struct {
	serial.Port
	once sync.Once
	shut chan struct{}
}

// Read waits for at least one byte.
func (p *port) Read(b []byte) (int, error) {
	for {
		n, err := p.Port.Read(b)
		select {
		case <-p.shut:
			return n, io.EOF
		default:
		}
		if n > 0 || err != nil {
			return n, err
		}
	}
}

// Close ends a pending Read.
func (p *port) Close() error {
	p.once.Do(func() { close(p.shut) })
	return p.Port.Close()
}

// Options of Dial.
type Options struct {
	Line       Line
	Terminator string // default "\n"
	// Nonce tells old answers from new; see scpi.Resync. With a zero one Dial waits for Quiet.
	Nonce scpi.Nonce
	Quiet time.Duration // default scpi.DefaultTimeout
}

// Dial returns a Dial for an instrument on a serial port.
func Dial(device string, o Options) scpi.Dial {
	if o.Terminator == "" {
		o.Terminator = "\n"
	}
	if o.Quiet <= 0 {
		o.Quiet = scpi.DefaultTimeout
	}
	return func(ctx context.Context) (scpi.Port, error) {
		rwc, err := Open(device, o.Line)
		if err != nil {
			return nil, err
		}
		p := scpi.Stream(rwc)
		if err := scpi.Resync(ctx, p, o.Terminator, o.Nonce, o.Quiet); err != nil {
			p.Close()
			return nil, err
		}
		return p, nil
	}
}

// List returns the names of the serial ports of this machine.
func List() ([]string, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("listing the serial ports: %w", err)
	}
	return once(names), nil
}

// once leaves the port out that macOS shows a second time: a line as /dev/tty.NAME, which is for calls that come
// in and waits for a carrier where its driver has one, is the same as /dev/cu.NAME (tty(4)).
func once(names []string) []string {
	return slices.DeleteFunc(names, func(n string) bool {
		name, is := strings.CutPrefix(n, "/dev/tty.")
		return is && slices.Contains(names, "/dev/cu."+name)
	})
}

// Lines are the outputs of a serial port that carry no data.
type Lines interface {
	SetDTR(on bool) error
	SetRTS(on bool) error
	io.Closer
}

// OpenLines opens a port for its control lines only, both of them low from the beginning where the system
// lets them be.
func OpenLines(device string) (Lines, error) {
	mode := Line{}.withDefaults().mode()
	mode.InitialStatusBits = &serial.ModemOutputBits{}
	p, err := serial.Open(device, mode)
	if err != nil {
		return nil, fmt.Errorf("open serial port %s: %w", device, explain(err))
	}
	return p, nil
}
