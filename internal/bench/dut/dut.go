// Package dut watches the device under test: a meter's reading, text lines, a command's exit
// status, the operator's key, a Modbus register, MQTT messages, a field of a web answer, echo
// replies, an analogue output captured fast, display and lamps before a camera, how loud a band is before a microphone;
// and it power-cycles the device by a relay. A monitor delivers samples with the time at which they were read; a Judge,
// which is pure, says whether a sample is an upset. Whether RF was on at a sample's own time, and what follows, is the
// engine's business.
package dut

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"provoke/internal/bench/camera"
	"provoke/internal/files/catalog"
)

// Sample is one look at the DUT.
type Sample struct {
	At       time.Time // when it was read, with the monotonic clock
	Asked    time.Time // when it was asked for: it may show the DUT of that moment; zero for what comes unasked
	Monitor  string    // id of the monitor
	Text     string    // as read, control characters removed, at most 200 characters
	Value    float64
	HasValue bool
	// Low and High are the extremes of a capture of which Value is the mean, where HasRange is set.
	Low, High float64
	HasRange  bool
	// Error marks a line of the error pattern, a non-zero exit status, or the operator's key.
	Error bool
	// Lost says that the DUT or its meter could not be read, and why.
	Lost string
	// Missed says why this is no look at the product, or none at all of it: what it holds counts only where it shows an
	// upset. It ends no silence. With Blind the reason is the monitor's own, such as a hand before a camera, and no
	// silence of the product's.
	Missed string
	Blind  bool
}

// Monitor is one way of watching.
type Monitor interface {
	// ID returns the catalog id.
	ID() string
	// Start begins to deliver samples, from a goroutine of the monitor, until Close. It fails when
	// the connection cannot be made. deliver does not block.
	Start(ctx context.Context, deliver func(Sample)) error
	// Reset sends the DUT its reset. It returns ErrNoReset where only a person can.
	Reset(ctx context.Context) error
	Close() error
}

// Options are what a monitor needs from outside. The zero value will do for every kind but meter and
// analogue.
type Options struct {
	// Meter reads the number of a monitor of kind meter. The monitor does not close it.
	Meter interface {
		Read(ctx context.Context) (float64, error)
	}
	// Capture takes the readings of a monitor of kind analogue. The monitor does not close it.
	Capture Capturer
	// Page is what pages hand over of the browser's camera; nil where no page is served.
	Page *camera.Handed
	// Dial replaces the address's own way of connecting.
	Dial func(ctx context.Context, address string) (io.ReadWriteCloser, error)
}

// makers make a monitor of each kind of package catalog.
var makers = map[catalog.MonitorKind]func(catalog.Monitor, Options) (Monitor, error){
	catalog.MonitorMeter:    newMeter,
	catalog.MonitorText:     newText,
	catalog.MonitorCommand:  newCommand,
	catalog.MonitorOperator: newOperator,
	catalog.MonitorModbus:   newRegisters,
	catalog.MonitorMQTT:     newTopic,
	catalog.MonitorHTTP:     newPage,
	catalog.MonitorPing:     newEcho,
	catalog.MonitorAnalogue: newAnalogue,
	catalog.MonitorCamera:   newCamera,
	catalog.MonitorSound:    newMicrophone,
}

// New makes the monitor that the bench file describes. It reaches for nothing until Start.
func New(spec catalog.Monitor, o Options) (Monitor, error) {
	if newOne, ok := makers[spec.Kind]; ok {
		return newOne(spec, o)
	}
	return nil, fmt.Errorf("monitor %s: unknown kind %q", spec.ID, spec.Kind)
}

// worker is the goroutine of a monitor, from Start to Close.
type worker struct {
	spec catalog.Monitor

	mu      sync.Mutex
	deliver func(Sample)
	cancel  context.CancelFunc
	done    chan struct{}
	closed  bool

	first chan error // what is first known of a source that attend keeps open

	asked time.Time // when the look that goes on began; of the monitor's own goroutine
	now   chan struct{}
}

// Looker is a monitor that asks once a period and can be made to ask at once.
type Looker interface {
	// Look has the monitor look now and not only when its period is over. It does not wait for the look.
	Look()
}

// Look wakes every.
func (w *worker) Look() {
	w.mu.Lock()
	now := w.now
	w.mu.Unlock()
	select {
	case now <- struct{}{}:
	default: // nobody asks here once a period, or it is about to
	}
}

// ID returns the catalog id.
func (w *worker) ID() string { return w.spec.ID }

// Reset is for monitors that cannot.
func (w *worker) Reset(context.Context) error { return ErrNoReset }

// start runs work in a goroutine until Close.
func (w *worker) start(ctx context.Context, deliver func(Sample), work func(context.Context)) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed || w.deliver != nil {
		return fmt.Errorf("monitor %s: it can be started only once", w.spec.ID)
	}
	ctx, w.cancel = context.WithCancel(ctx)
	w.deliver, w.done = deliver, make(chan struct{})
	go func() {
		defer close(w.done)
		work(ctx)
	}()
	return nil
}

// attend keeps a source of looks open until Close, and waits for what is first known of it, so that one that is not
// there is told at once. stream delivers until it fails, and calls known at its first look; blind says that the failure
// is the monitor's own.
func (w *worker) attend(ctx context.Context, deliver func(Sample),
	stream func(context.Context) (blind bool, err error)) error {
	w.first = make(chan error, 1)
	err := w.start(ctx, deliver, func(ctx context.Context) {
		for ctx.Err() == nil {
			blind, err := stream(ctx)
			if ctx.Err() != nil {
				return
			}
			w.known(err)
			w.sample(Sample{Missed: err.Error(), Blind: blind})
			select {
			case <-ctx.Done():
			case <-time.After(redialPeriod):
			}
		}
	})
	if err != nil {
		return err
	}
	select {
	case err = <-w.first:
	case <-ctx.Done():
		err = context.Cause(ctx)
	}
	if err != nil {
		w.Close()
		return fmt.Errorf("monitor %s: %w", w.spec.ID, err)
	}
	return nil
}

// known tells attend what became of the first look.
func (w *worker) known(err error) {
	select {
	case w.first <- err:
	default:
	}
}

// Close ends the monitor; no sample is delivered after it has returned.
func (w *worker) Close() error {
	w.mu.Lock()
	w.closed = true
	cancel, done := w.cancel, w.done
	w.mu.Unlock()
	if cancel != nil {
		cancel()
		<-done
	}
	return nil
}

// sample delivers what was seen now.
func (w *worker) sample(s Sample) {
	s.Monitor = w.spec.ID
	if s.At.IsZero() {
		s.At = time.Now()
	}
	s.Asked = w.asked
	s.Text, s.Lost, s.Missed = clean(s.Text), clean(s.Lost), clean(s.Missed)
	w.deliver(s)
}

// every runs look at once and then once a period, and when Look asks for it, until the context ends. A look that takes
// longer than the period delays the next; none is made up for.
func (w *worker) every(ctx context.Context, period time.Duration, look func(context.Context)) {
	t := time.NewTicker(period)
	defer t.Stop()
	now := make(chan struct{}, 1)
	w.mu.Lock()
	w.now = now
	w.mu.Unlock()
	for ctx.Err() == nil {
		w.asked = time.Now()
		look(ctx)
		select {
		case <-ctx.Done():
		case <-t.C:
		case <-now:
			t.Reset(period)
		}
	}
}

// longestText is how much of a line is kept.
const longestText = 200

// clean removes control characters and what is no UTF-8, and keeps the first 200 characters.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		if r == utf8.RuneError || unicode.IsControl(r) {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
	s = strings.TrimSpace(s)
	n := 0
	for i := range s {
		if n++; n > longestText {
			return s[:i]
		}
	}
	return s
}

// ErrNoReset is returned by Reset where the bench file gives no way to reset the DUT.
var ErrNoReset = errors.New("this monitor cannot reset the DUT")
