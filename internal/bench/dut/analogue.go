package dut

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
)

// Capturer takes a burst of readings.
type Capturer interface {
	// Capture takes n readings over a time and returns them in the order taken.
	Capture(ctx context.Context, n int, over time.Duration) ([]float64, error)
}

// analogue captures an output fast and looks at the mean and at the extremes: a reading may be right
// on average and wrong at each peak of the modulation.
type analogue struct {
	worker
	capture Capturer
	scale   float64
}

func newAnalogue(spec catalog.Monitor, o Options) (Monitor, error) {
	if o.Capture == nil {
		return nil, fmt.Errorf("monitor %s: it captures an analogue output and no instrument is connected", spec.ID)
	}
	return &analogue{worker{spec: spec}, o.Capture, catalog.PerBaseUnit(spec.Unit)}, nil
}

// Start captures once, so that an instrument that is not there is told at once.
func (a *analogue) Start(ctx context.Context, deliver func(Sample)) error {
	if _, err := a.take(ctx); errors.Is(err, scpi.ErrPoisoned) {
		return fmt.Errorf("monitor %s: %w", a.spec.ID, err)
	}
	return a.start(ctx, deliver, func(ctx context.Context) {
		a.every(ctx, a.spec.Period().Std(), a.look)
	})
}

func (a *analogue) take(ctx context.Context) ([]float64, error) {
	return a.capture.Capture(ctx, a.spec.Samples, a.spec.Capture.Std())
}

func (a *analogue) look(ctx context.Context) {
	began := time.Now()
	v, err := a.take(ctx)
	switch {
	case ctx.Err() != nil:
	case err != nil:
		a.sample(Sample{Lost: err.Error()})
	case len(v) == 0:
		a.sample(Sample{Lost: "the capture is empty"})
	default:
		s := summary(v, a.scale)
		s.At = began // RF that came on during the capture may be in no reading of it
		a.sample(s)
	}
}

// summary returns mean and extremes of a capture. Of the extremes one reading in a thousand may be a
// glitch of the instrument: the second highest and second lowest count where there are enough.
func summary(v []float64, scale float64) Sample {
	sum, low, high := 0.0, [2]float64{math.Inf(1), math.Inf(1)}, [2]float64{math.Inf(-1), math.Inf(-1)}
	for _, x := range v {
		sum += x
		switch {
		case x < low[0]:
			low = [2]float64{x, low[0]}
		case x < low[1]:
			low[1] = x
		}
		switch {
		case x > high[0]:
			high = [2]float64{x, high[0]}
		case x > high[1]:
			high[1] = x
		}
	}
	k := 0
	if len(v) >= 100 {
		k = 1
	}
	s := Sample{Value: scale * sum / float64(len(v)), HasValue: true, Low: scale * low[k], High: scale * high[k], HasRange: true}
	s.Text = fmt.Sprintf("mean %.6g, %.6g to %.6g", s.Value, s.Low, s.High)
	return s
}
