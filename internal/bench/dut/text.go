package dut

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/scpi"
	"provoke/internal/bench/scpi/serialline"
	"provoke/internal/files/catalog"
	"provoke/internal/files/resource"
)

const (
	longestLine  = 4096 // bytes of a line that is looked at
	dialLimit    = 3 * time.Second
	resetLimit   = 2 * time.Second
	redialPeriod = 250 * time.Millisecond
)

// text watches lines over a TCP socket or a serial port. A line is a sample when it matches the
// pattern or the error pattern, or when there is no pattern at all. Other lines are not samples:
// a DUT that sends rubbish is silent.
type text struct {
	worker
	dial           func(context.Context) (io.ReadWriteCloser, error)
	pattern, fault *regexp.Regexp

	linkMu sync.Mutex
	link   io.ReadWriteCloser // nil while not connected
}

func newText(spec catalog.Monitor, o Options) (Monitor, error) {
	t := &text{worker: worker{spec: spec}}
	var err error
	if t.pattern, err = compile(spec.Pattern, 1); err == nil {
		t.fault, err = compile(spec.ErrorPattern, 0)
	}
	if err == nil {
		t.dial, err = dialer(spec, o)
	}
	if err != nil {
		return nil, fmt.Errorf("monitor %s: %w", spec.ID, err)
	}
	return t, nil
}

func compile(pattern string, groups int) (*regexp.Regexp, error) {
	if pattern == "" {
		return nil, nil
	}
	re, err := regexp.Compile(pattern)
	if err != nil {
		return nil, fmt.Errorf("pattern %q: %w", pattern, err)
	}
	if re.NumSubexp() < groups {
		return nil, fmt.Errorf("pattern %q has no group: put parentheses round the part that is the number", pattern)
	}
	return re, nil
}

func dialer(spec catalog.Monitor, o Options) (func(context.Context) (io.ReadWriteCloser, error), error) {
	if o.Dial != nil {
		return func(ctx context.Context) (io.ReadWriteCloser, error) { return o.Dial(ctx, spec.Address) }, nil
	}
	return TextLine(spec.Address, spec.SerialLine)
}

// TextLine returns the function that opens what sends lines of text: a raw socket, or a serial port with
// its speed and format.
func TextLine(address, serial string) (func(context.Context) (io.ReadWriteCloser, error), error) {
	r, err := resource.Parse(address)
	if err != nil {
		return nil, err
	}
	switch r.Kind {
	case resource.Socket:
		return func(ctx context.Context) (io.ReadWriteCloser, error) { return scpi.DialTCP(ctx, r.Host, r.Port) }, nil
	case resource.Serial:
		line, err := serialline.ParseLine(serial)
		if err != nil {
			return nil, err
		}
		return func(context.Context) (io.ReadWriteCloser, error) { return serialline.Open(r.Device, line) }, nil
	}
	return nil, fmt.Errorf("address %q asks for %s; lines of text come over a raw socket or a serial port", r.Text,
		r.Kind)
}

// Start connects and begins to listen.
func (t *text) Start(ctx context.Context, deliver func(Sample)) error {
	link, err := t.connect(ctx)
	if err != nil {
		return fmt.Errorf("monitor %s: connect to %s (is the DUT on, and the address right?): %w", t.spec.ID,
			t.spec.Address, err)
	}
	t.hold(link)
	err = t.start(ctx, deliver, func(ctx context.Context) {
		stop := context.AfterFunc(ctx, t.hangUp)
		defer stop()
		t.listen(ctx, link)
	})
	if err != nil {
		t.hangUp()
	}
	return err
}

func (t *text) connect(ctx context.Context) (io.ReadWriteCloser, error) {
	ctx, cancel := context.WithTimeout(ctx, dialLimit)
	defer cancel()
	return t.dial(ctx)
}

func (t *text) hold(link io.ReadWriteCloser) {
	t.linkMu.Lock()
	defer t.linkMu.Unlock()
	t.link = link
}

// hangUp closes the connection, if there is one.
func (t *text) hangUp() {
	t.linkMu.Lock()
	defer t.linkMu.Unlock()
	if t.link != nil {
		t.link.Close()
		t.link = nil
	}
}

// listen reads until the context ends, and connects anew when the connection is lost.
func (t *text) listen(ctx context.Context, link io.ReadWriteCloser) {
	for {
		err := t.read(link)
		t.hangUp()
		for {
			if ctx.Err() != nil {
				return
			}
			t.sample(Sample{Lost: err.Error()})
			select {
			case <-ctx.Done():
				return
			case <-time.After(redialPeriod):
			}
			if link, err = t.connect(ctx); err == nil {
				break
			}
		}
		t.hold(link)
		if ctx.Err() != nil { // hung up before there was anything to hang up
			t.hangUp()
			return
		}
	}
}

// read takes lines from a connection until it ends, and returns why it did.
func (t *text) read(link io.Reader) error {
	buf := make([]byte, 4096)
	var l lines
	for {
		n, err := link.Read(buf)
		at := time.Now()
		l.add(buf[:n], func(line string, whole bool) { t.see(at, line, whole) })
		switch {
		case errors.Is(err, io.EOF):
			return errors.New("the DUT closed the connection")
		case err != nil:
			return fmt.Errorf("the connection to the DUT is lost: %w", err)
		}
	}
}

// lines puts lines together from pieces. It keeps at most longestLine bytes of one.
type lines struct {
	part []byte
	over bool
}

// add gives each line that ends, at CR or LF, to each; whole is false when its beginning is all that
// was kept. Empty lines are dropped.
func (l *lines) add(piece []byte, each func(line string, whole bool)) {
	for _, b := range piece {
		switch {
		case b == '\n' || b == '\r':
			if len(l.part) > 0 {
				each(string(l.part), !l.over)
			}
			l.part, l.over = l.part[:0], false
		case len(l.part) < longestLine:
			l.part = append(l.part, b)
		default:
			l.over = true
		}
	}
}

// see turns a line into a sample, if it is one.
func (t *text) see(at time.Time, line string, whole bool) {
	s := Sample{At: at, Text: line}
	switch {
	case t.fault != nil && t.fault.MatchString(line):
		s.Error = true
	case t.pattern == nil:
	default:
		m := t.pattern.FindStringSubmatch(line)
		if m == nil || !whole {
			return
		}
		v, ok := parseNumber(m[1])
		if !ok {
			s.Lost = fmt.Sprintf("%q stands where the number should be", clean(m[1]))
			break
		}
		s.Value, s.HasValue = v, true
	}
	t.sample(s)
}

var plainSigns = strings.NewReplacer(" ", "", "\u00a0", "", "\u2212", "-")

// parseNumber reads a decimal number with point or comma.
func parseNumber(s string) (float64, bool) {
	s = plainSigns.Replace(s)
	if strings.Count(s, ",")+strings.Count(s, ".") > 1 || s == "" || len(s) > 40 ||
		strings.Trim(s, "+-0123456789.,eE") != "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	return v, err == nil && !math.IsInf(v, 0) && !math.IsNaN(v)
}

// Reset sends the reset line.
func (t *text) Reset(ctx context.Context) error {
	if t.spec.Reset == "" {
		return ErrNoReset
	}
	t.linkMu.Lock()
	link := t.link
	t.linkMu.Unlock()
	if link == nil {
		return fmt.Errorf("monitor %s: reset the DUT: it is not connected", t.spec.ID)
	}
	ctx, cancel := context.WithTimeout(ctx, resetLimit)
	defer cancel()
	stop := context.AfterFunc(ctx, func() { link.Close() }) // the listener connects anew
	defer stop()
	if _, err := io.WriteString(link, t.spec.Reset+"\r\n"); err != nil {
		return fmt.Errorf("monitor %s: reset the DUT: send %q: %w", t.spec.ID, t.spec.Reset, err)
	}
	return nil
}
