package simbench

import (
	"encoding/binary"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// amplitude of a line in samples, in parts of full scale.
func amplitude(samples []int16, hz float64) float64 {
	var re, im float64
	for i, v := range samples {
		a := 2 * math.Pi * hz * float64(i) / soundRate
		re += float64(v) * math.Cos(a)
		im += float64(v) * math.Sin(a)
	}
	return 2 * math.Hypot(re, im) / float64(len(samples)) / (1 << 15)
}

func TestTheAlarmIsAsLateAsIsAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const delay = 200 * time.Millisecond
		b := New(Config{Sound: &SoundView{Delay: delay}})
		defer b.Close()
		e := &ear{began: time.Now(), noise: rand.New(rand.NewPCG(1, 2))}
		var upset time.Time
		b.late(nil, soundPiece, delay, func() []byte { return b.hears(e) }, func(p []byte) bool {
			samples := make([]int16, len(p)/2)
			for i := range samples {
				samples[i] = int16(binary.LittleEndian.Uint16(p[2*i:]))
			}
			loud := amplitude(samples, 2900) > 0.05
			if upset.IsZero() {
				upset = time.Now()
				b.do(func(p *plant) { p.product.states[1].tripped = true })
			}
			return !loud && time.Since(upset) < 5*time.Second
		})
		if took := time.Since(upset); took < delay || took > delay+soundPiece {
			t.Errorf("the alarm was heard %v after the upset", took)
		}
	})
}

func TestTheAlarmIsHeardWhileTheDisplayIsOff(t *testing.T) {
	const delay = 200 * time.Millisecond
	b := New(Config{Sound: &SoundView{Delay: delay}})
	defer b.Close()
	if err := b.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	c, err := net.Dial("tcp", strings.NewReplacer("TCPIP::", "", "::SOCKET", "", "::", ":").Replace(b.SoundAddress()))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	next := func(d time.Duration) []int16 {
		data := make([]byte, 2*int(d.Seconds()*soundRate))
		if _, err := io.ReadFull(c, data); err != nil {
			t.Fatal(err)
		}
		out := make([]int16, len(data)/2)
		for i := range out {
			out[i] = int16(binary.LittleEndian.Uint16(data[2*i:]))
		}
		return out
	}
	next(100 * time.Millisecond)
	quiet := next(200 * time.Millisecond)
	if a, h := amplitude(quiet, 2900), amplitude(quiet, 100); a > 0.001 || math.Abs(h-0.02) > 0.001 {
		t.Errorf("without an upset: alarm %.4f, hum %.4f", a, h)
	}
	began := time.Now()
	b.do(func(p *plant) { p.product.states[1].tripped = true }) // latches: the display shows its error
	for amplitude(next(20*time.Millisecond), 2900) < 0.05 {
		if time.Since(began) > 20*time.Second {
			t.Fatal("the alarm is never heard")
		}
	}
	if took := time.Since(began); took < delay { // how late at most: in the time of a bubble, above
		t.Errorf("the alarm was heard %v after the upset", took)
	}
	if a := amplitude(next(200*time.Millisecond), 2900); math.Abs(a-0.1) > 0.002 {
		t.Errorf("alarm %.4f of full scale, want 0.1", a)
	}
	b.do(func(p *plant) { p.product.power(false) })
	next(delay + 50*time.Millisecond)
	if off := next(200 * time.Millisecond); amplitude(off, 2900) > 0.001 || amplitude(off, 100) > 0.001 {
		t.Error("a weigher without power is heard")
	}
	if (SoundView{Delay: -1}).Check() == nil || (SoundView{Delay: time.Minute}).Check() == nil {
		t.Error("a delay that is not simulated was taken")
	}
}
