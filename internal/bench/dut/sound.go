package dut

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"provoke/internal/bench/program"
	"provoke/internal/files/catalog"
	"provoke/internal/model/hearing"
	"provoke/internal/units/rf"
)

// Sound is what a command or a raw socket brings of a microphone, as the bench file says.
type Sound struct {
	spec catalog.Monitor
	dial func(context.Context) (io.ReadWriteCloser, error) // nil where a command brings it
}

// SoundOf is the sound of a monitor. It is silent until Hear.
func SoundOf(spec catalog.Monitor, o Options) (Sound, error) {
	s := Sound{spec: spec}
	_, _, err := s.ear()
	if err == nil && len(spec.Command) == 0 {
		s.dial, err = dialer(spec, o)
	}
	if err != nil {
		return s, fmt.Errorf("monitor %s: %w", spec.ID, err)
	}
	return s, nil
}

// ear measures windows of twice so many samples of each channel as come from reading to reading.
func (s Sound) ear() (e *hearing.Ear, each int, err error) {
	p := s.spec.Sound
	each = int(math.Round(float64(p.Rate) * s.spec.Period().Std().Seconds()))
	e, err = hearing.New(float64(p.Rate), p.Channels, float64(p.From), float64(p.To), 2*each)
	return e, each, err
}

// errStopped is a sound that stopped without an end.
var errStopped = errors.New("no sound came")

const (
	stillLimit = 3 * time.Second        // how long no samples may come until the source is opened anew
	settling   = 300 * time.Millisecond // of a converter that was just switched on
	rateSpan   = 10 * time.Second       // over which samples are counted
	// A rate of samples that is further off in two spans, both ways alike, is not the one of the bench file. Samples
	// that were only late are missing in one span and too many in the next.
	rateOff = 0.04
)

// Hear delivers readings until the context ends, or until the sound does: then it says why.
func (s Sound) Hear(ctx context.Context, deliver func(time.Time, hearing.Heard)) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	still := orElse(s.spec.Timeout, stillLimit)
	idle := time.AfterFunc(still, func() {
		cancel(fmt.Errorf("%w for %v: is the microphone's program or device stopped?", errStopped, rf.Duration(still)))
	})
	defer idle.Stop()
	read := func(from io.Reader) error { return s.read(from, func() { idle.Reset(still) }, deliver) }
	if s.dial == nil {
		return program.Read(ctx, s.spec.Command, "a sound", "microphone", read)
	}
	dialling, done := context.WithTimeout(ctx, dialLimit)
	link, err := s.dial(dialling)
	done()
	if err != nil {
		return fmt.Errorf("connect to %s, which is to send a sound: %w", s.spec.Address, err)
	}
	stop := context.AfterFunc(ctx, func() { link.Close() })
	defer stop()
	defer link.Close()
	err = read(link)
	if cause := context.Cause(ctx); cause != nil {
		return cause
	}
	if err == nil {
		err = errors.New("it closed the connection")
	}
	return fmt.Errorf("the sound from %s is over: %w", s.spec.Address, err)
}

// read takes samples until they end; nil is their plain end.
func (s Sound) read(from io.Reader, alive func(), deliver func(time.Time, hearing.Heard)) error {
	ear, each, err := s.ear()
	if err != nil {
		return err
	}
	rate, channels := float64(s.spec.Sound.Rate), s.spec.Sound.Channels
	bytes := make([]byte, 2*channels*each)
	window := make([]int16, 2*channels*each)
	var began, counted time.Time
	before := 0.0
	for n := 0; ; {
		if _, err := io.ReadFull(from, bytes); errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return nil
		} else if err != nil {
			return fmt.Errorf("the sound is lost: %w", err)
		}
		at := time.Now()
		alive()
		copy(window, window[len(window)/2:])
		for i := range window[len(window)/2:] {
			window[len(window)/2+i] = int16(binary.LittleEndian.Uint16(bytes[2*i:]))
		}
		if began.IsZero() {
			began, counted = at, at
			continue
		}
		n += each
		if passed := at.Sub(counted); passed >= rateSpan {
			came := float64(n) / passed.Seconds()
			off := came/rate - 1
			if math.Abs(off) > rateOff && math.Abs(before) > rateOff && off*before > 0 {
				return fmt.Errorf("%.0f samples a second came of each channel and the bench file says %.0f: correct "+
					"sample_rate and channels, or look for what loses some", came, rate)
			}
			n, counted, before = 0, at, off
		}
		if at.Sub(began) > settling {
			deliver(at, ear.Hear(window))
		}
	}
}

// microphone watches how loud a band is.
type microphone struct {
	worker
	sound Sound
}

func newMicrophone(spec catalog.Monitor, o Options) (Monitor, error) {
	s, err := SoundOf(spec, o)
	return &microphone{worker{spec: spec}, s}, err
}

// Start begins to listen and waits for the first reading.
func (m *microphone) Start(ctx context.Context, deliver func(Sample)) error {
	return m.attend(ctx, deliver, func(ctx context.Context) (blind bool, err error) {
		err = m.sound.Hear(ctx, func(at time.Time, h hearing.Heard) {
			m.known(nil)
			m.heard(at, h)
		})
		return !errors.Is(err, errStopped), err
	})
}

// heard delivers a reading. One that is cut off counts only where it shows an upset; one in which nothing moves at all
// is silence.
func (m *microphone) heard(at time.Time, h hearing.Heard) {
	m.asked = at.Add(-orElse(m.spec.Latency, catalog.UnmeasuredLatency) - m.spec.Window().Std())
	s := Sample{At: at, Value: h.Level, HasValue: true, Text: fmt.Sprintf("%.1f dBFS", h.Level)}
	switch {
	case h.Dead:
		s = Sample{At: at, Missed: "every sample has the same value: the microphone is muted, unplugged or has no " +
			"supply"}
	case h.Clipped:
		s.Text += ", cut off"
		s.Missed, s.Blind = "the sound is cut off at the end of the scale: turn its gain down", true
	}
	m.sample(s)
}
