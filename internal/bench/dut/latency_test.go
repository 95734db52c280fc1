package dut

import (
	"context"
	"testing"
	"testing/synctest"
	"time"
)

// beaten looks at a product once a beat and delivers each look when it is so much older.
type beaten struct {
	beat, delay, window time.Duration
	offSince            time.Time // zero: on
}

// Set takes a little time, as a relay over a network does.
func (b *beaten) Set(_ context.Context, on bool) error {
	time.Sleep(500 * time.Microsecond)
	b.offSince = time.Time{}
	if !on {
		b.offSince = time.Now()
	}
	time.Sleep(500 * time.Microsecond)
	return nil
}

// shown is what a look that ends now shows: 40 dB less for what was off all the time, by energy in between.
func (b *beaten) shown() float64 {
	off := time.Since(b.offSince)
	switch {
	case b.offSince.IsZero():
		return 100
	case off >= b.window:
		return 60
	}
	return 100 - 6*float64(off)/float64(b.window)
}

func (b *beaten) watch(ctx context.Context, tell func(time.Time, []float64)) error {
	for tick := time.NewTicker(b.beat); ; {
		select {
		case <-ctx.Done():
			tick.Stop()
			return context.Cause(ctx)
		case <-tick.C:
			shown := []float64{b.shown()}
			time.AfterFunc(b.delay, func() {
				if ctx.Err() == nil {
					tell(time.Now(), shown)
				}
			})
		}
	}
}

// The wait for the next look is the same each time where the product is switched as soon as one has come. Steady looks
// have to give the delay to within a tenth of their beat whatever that wait is.
func TestALatencyDoesNotHangOnWhenInTheBeatTheProductIsSwitched(t *testing.T) {
	worst := 0.0
	for _, rate := range []time.Duration{5, 12, 25, 60} {
		for _, delay := range []time.Duration{3, 10, 77, 150, 163, 180, 230, 411, 730} {
			for _, window := range []time.Duration{0, 100} {
				synctest.Test(t, func(t *testing.T) {
					b := &beaten{beat: time.Second / rate, delay: delay * time.Millisecond,
						window: window * time.Millisecond}
					looks := Glances{Watch: b.watch, Least: 2.9, Window: b.window}
					l, err := MeasureLatency(t.Context(), looks, b, 100e6, 50e6)
					if err != nil {
						t.Fatal(err)
					}
					off := l.Median - b.delay
					worst = max(worst, off.Abs().Seconds()/b.beat.Seconds())
					if off.Abs() > b.beat/10+2*time.Millisecond || l.Limit < off.Abs() || l.Limit > b.beat+b.window/4 {
						t.Errorf("%d a second, %v late, over %v: found %v ± %v", rate, b.delay, b.window, l.Median,
							l.Limit)
					}
					time.Sleep(time.Second)
				})
			}
		}
	}
	t.Logf("figure: off by %.2f of the beat at most", worst)
}
