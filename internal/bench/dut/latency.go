package dut

import (
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"time"

	"provoke/internal/bench/camera"
	"provoke/internal/model/hearing"
	"provoke/internal/units/rf"
)

// Latency is how late a monitor is: from what is before it to the arrival of the look that shows it.
type Latency struct {
	Median time.Duration // less half the time between two looks, for which the change waits on average
	Limit  time.Duration // the true one lies at most so far from it
	Each   []time.Duration
}

// Glances are looks at the product, each as a few figures that all change when it is switched off.
type Glances struct {
	Watch func(context.Context, func(at time.Time, figures []float64)) error
	// Least is the smallest change of a figure that counts, beyond eight of its standard deviations.
	Least float64
	// Window is how long a look lasts. A change counts from its middle on, to within a quarter of it.
	Window time.Duration
}

// PicturesOf are the brightnesses of parts of a camera's pictures.
func PicturesOf(from camera.Source, boxes []image.Rectangle) Glances {
	from.Every = 0 // every picture counts
	return Glances{Least: 3, Watch: func(ctx context.Context, tell func(time.Time, []float64)) error {
		return from.Stream(ctx, func(p camera.Picture) {
			m, err := camera.Decode(p.JPEG)
			if err != nil {
				return
			}
			var light []float64
			for _, b := range boxes {
				light = append(light, brightness(m, b))
			}
			tell(p.Arrived, light)
		})
	}}
}

// Glances are the levels of a sound, in its band and as a whole.
func (s Sound) Glances() Glances {
	return Glances{Least: 3, Window: s.spec.Window().Std(),
		Watch: func(ctx context.Context, tell func(time.Time, []float64)) error {
			return s.Hear(ctx, func(at time.Time, h hearing.Heard) { tell(at, []float64{h.Level, h.Whole}) })
		}}
}

// latencyTrials is how often the product is switched off for a latency.
const latencyTrials = 5

// MeasureLatency switches the product off several times and waits for a look that shows it. The looks come in a steady
// beat and the product is switched after one has come: each time a fifth of the beat later, since the wait for the next
// would else be the same each time, whatever it is. A product that glows or sounds on without its supply makes the
// latency too long by that.
func MeasureLatency(ctx context.Context, looks Glances, output Switch, offFor, startsIn rf.Duration) (l Latency,
	err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	type glance struct {
		at      time.Time
		figures []float64
	}
	glances := make(chan glance, 64)
	ended := make(chan error, 1)
	go func() {
		ended <- looks.Watch(ctx, func(at time.Time, figures []float64) {
			select {
			case glances <- glance{at, figures}:
			case <-ctx.Done():
			}
		})
	}()
	next := func() (glance, error) {
		select {
		case g := <-glances:
			return g, nil
		case err := <-ended:
			ended <- err
			return glance{}, err
		}
	}
	defer func() {
		back, cancel := context.WithTimeout(context.WithoutCancel(ctx), resetLimit)
		defer cancel()
		if on := output.Set(back, true); on != nil {
			err = errors.Join(err, fmt.Errorf("give the product its power back: %w", on))
		}
	}()
	var beats []time.Duration
	var switching time.Duration
	for trial := range latencyTrials {
		const before = 15
		var sum, square []float64
		var first, last time.Time
		for i := range before {
			g, err := next()
			if err != nil {
				return l, err
			}
			if i == 0 {
				first, sum, square = g.at, make([]float64, len(g.figures)), make([]float64, len(g.figures))
			}
			last = g.at
			for k, v := range g.figures {
				sum[k] += v / before
				square[k] += v * v / before
			}
		}
		beat := last.Sub(first) / (before - 1)
		beats = append(beats, beat)
		if err := camera.Wait(ctx, time.Until(last.Add(beat*time.Duration(trial)/latencyTrials))); err != nil {
			return l, err
		}
		asked := time.Now()
		if err := output.Set(ctx, false); err != nil {
			return l, fmt.Errorf("switch the product off: %w", err)
		}
		took := time.Since(asked)
		switching = max(switching, took)
		switched := asked.Add(took / 2)
		for seen := false; !seen; {
			g, err := next()
			if err != nil {
				return l, err
			}
			for k, v := range g.figures {
				spread := math.Sqrt(max(square[k]-sum[k]*sum[k], 0))
				seen = seen || math.Abs(v-sum[k]) > 8*spread+looks.Least
			}
			if seen {
				l.Each = append(l.Each, g.at.Sub(switched))
			} else if time.Since(switched) > 10*time.Second {
				return l, errors.New("the product was switched off and nothing changed for 10 s: draw a region round " +
					"what goes dark then, or hold the microphone where it is heard")
			}
		}
		if err := camera.Wait(ctx, offFor.Std()); err != nil {
			return l, err
		}
		if err := output.Set(ctx, true); err != nil {
			return l, fmt.Errorf("switch the product on: %w", err)
		}
		for end := time.Now().Add(startsIn.Std() + 2*l.Each[0] + time.Second/2); time.Now().Before(end); {
			if _, err := next(); err != nil {
				return l, err
			}
		}
	}
	slices.Sort(beats)
	beat, sorted := beats[len(beats)/2], slices.Sorted(slices.Values(l.Each))
	l.Median = max(sorted[len(sorted)/2]-beat/2-looks.Window/2, 0)
	l.Limit = beat/2 + looks.Window/4 + switching/2 + max(sorted[len(sorted)-1]-sorted[0]-beat, 0)
	return l, nil
}

// brightness is the mean of a part of a picture.
func brightness(m *image.YCbCr, box image.Rectangle) float64 {
	box = box.Intersect(m.Rect)
	sum := 0
	for y := box.Min.Y; y < box.Max.Y; y++ {
		for _, v := range m.Y[m.YOffset(box.Min.X, y):][:box.Dx()] {
			sum += int(v)
		}
	}
	return float64(sum) / float64(max(box.Dx()*box.Dy(), 1))
}
