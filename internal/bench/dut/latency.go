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
	"provoke/internal/units/rf"
)

// Latency is how late pictures are: from what is before the camera to the arrival of the picture that shows it.
type Latency struct {
	Median time.Duration // less half the time between two pictures, for which the change waits on average
	Limit  time.Duration // the true one lies at most so far from it
	Each   []time.Duration
}

// latencyTrials is how often the product is switched off for a latency.
const latencyTrials = 5

// MeasureLatency switches the product off several times and waits for its regions to change. A product that glows on
// without its supply makes the latency too long by that.
func MeasureLatency(ctx context.Context, from camera.Source, boxes []image.Rectangle, output Switch,
	offFor, startsIn rf.Duration) (l Latency, err error) {
	from.Every = 0 // every picture counts
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	type glance struct {
		at    time.Time
		light []float64
	}
	glances := make(chan glance, 64)
	ended := make(chan error, 1)
	go func() {
		ended <- from.Stream(ctx, func(p camera.Picture) {
			m, err := camera.Decode(p.JPEG)
			if err != nil {
				return
			}
			g := glance{at: p.Arrived}
			for _, b := range boxes {
				g.light = append(g.light, brightness(m, b))
			}
			select {
			case glances <- g:
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
	var period time.Duration
	for range latencyTrials {
		const before = 15
		var sum, square = make([]float64, len(boxes)), make([]float64, len(boxes))
		var first, last time.Time
		for i := range before {
			g, err := next()
			if err != nil {
				return l, err
			}
			if i == 0 {
				first = g.at
			}
			last = g.at
			for k, v := range g.light {
				sum[k] += v / before
				square[k] += v * v / before
			}
		}
		period = max(period, last.Sub(first)/(before-1))
		if err := output.Set(ctx, false); err != nil {
			return l, fmt.Errorf("switch the product off: %w", err)
		}
		switched := time.Now()
		for seen := false; !seen; {
			g, err := next()
			if err != nil {
				return l, err
			}
			for k, v := range g.light {
				spread := math.Sqrt(max(square[k]-sum[k]*sum[k], 0))
				seen = seen || math.Abs(v-sum[k]) > 8*spread+3
			}
			if seen {
				l.Each = append(l.Each, g.at.Sub(switched))
			} else if time.Since(switched) > 10*time.Second {
				return l, errors.New("the product was switched off and the camera saw no change for 10 s: draw a " +
					"region round what goes dark then")
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
	sorted := slices.Sorted(slices.Values(l.Each))
	l.Median = max(sorted[len(sorted)/2]-period/2, 0)
	l.Limit = period/2 + max(sorted[len(sorted)-1]-sorted[len(sorted)/2], sorted[len(sorted)/2]-sorted[0])
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
