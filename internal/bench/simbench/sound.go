package simbench

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"time"

	"provoke/internal/units/rf"
)

// SoundView is a microphone before the weigher: the belt's motor hums, and an alarm sounds while the display shows an
// error or a reading that is off by more than the tolerance.
type SoundView struct {
	Delay time.Duration // from the sound to its sending, in time of the wall
}

// Check refuses what cannot be played.
func (v SoundView) Check() error {
	if v.Delay < 0 || v.Delay > longestDelay {
		return fmt.Errorf("a microphone that is %v late: 0 s to %v are simulated", v.Delay, rf.Duration(longestDelay))
	}
	return nil
}

const (
	longestDelay = 5 * time.Second
	soundRate    = 16_000 // samples a second
	soundPiece   = 10 * time.Millisecond
	alarmHz      = 2900.0
	humHz        = 100.0
	alarmLoud    = 0.1    // amplitude in parts of full scale: -20 dBFS
	humLoud      = 0.02   // -34 dBFS
	roomLoud     = 0.0005 // r.m.s. of the noise: -63 dBFS
	alarmFrom    = 2700.0
	alarmTo      = 3100.0
)

// ear hears the weigher from when it was made. It is used by one goroutine.
type ear struct {
	began time.Time
	heard int // samples
	noise *rand.Rand
}

// loudness is how loud motor and alarm are now.
func (w *weigher) loudness(bands []band) (hum, alarm float64) {
	if w.off {
		return 0, 0
	}
	if kg, failed := w.kilograms(bands); failed || math.Abs(kg-weight) > tolerance {
		alarm = alarmLoud
	}
	return humLoud, alarm
}

// hears is what there was to be heard since the last time.
func (b *Bench) hears(e *ear) []byte {
	b.mu.Lock()
	b.plant.advance(b.benchTime())
	hum, alarm := b.plant.product.loudness(b.plant.bands)
	b.mu.Unlock()
	var out []byte
	for until := int(time.Since(e.began).Seconds() * soundRate); e.heard < until; e.heard++ {
		s := float64(e.heard) / soundRate
		v := hum*math.Sin(2*math.Pi*humHz*s) + alarm*math.Sin(2*math.Pi*alarmHz*s) + roomLoud*e.noise.NormFloat64()
		out = binary.LittleEndian.AppendUint16(out, uint16(int16(math.Round(v*(1<<15)))))
	}
	return out
}

// serveSound sends samples to whoever connects, on loopback.
func (b *Bench) serveSound(address string) error {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return fmt.Errorf("microphone: %w", err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	b.mu.Lock()
	b.soundPort = port
	b.mu.Unlock()
	b.running.Go(func() {
		accept(l, func(c net.Conn) {
			b.running.Go(func() {
				defer c.Close()
				e := &ear{began: time.Now(), noise: rand.New(rand.NewPCG(b.config.Seed, 0x656172))}
				b.late(nil, soundPiece, b.config.Sound.Delay, func() []byte { return b.hears(e) },
					func(p []byte) bool {
						c.SetWriteDeadline(time.Now().Add(time.Second))
						_, err := c.Write(p)
						return err == nil
					})
			})
		})
	})
	return b.closeLater(func() { l.Close() })
}

// SoundAddress is the resource string of the socket that sends what the microphone hears; "" without one.
func (b *Bench) SoundAddress() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.soundPort == 0 {
		return ""
	}
	return fmt.Sprintf("TCPIP::%s::%d::SOCKET", b.reachedAt(), b.soundPort)
}

// sound writes the monitor that listens for the alarm.
func (w *benchWriter) sound() {
	w.line("  - id: MIC1")
	w.line("    kind: sound")
	w.line("    description: the weigher's alarm, as a microphone hears it")
	w.line("    address: %s", w.b.SoundAddress())
	w.line("    sample_rate: %v", rf.Frequency(soundRate))
	w.line("    channels: 1")
	w.line("    format: s16le")
	w.line("    from: %v", rf.Frequency(alarmFrom))
	w.line("    to: %v", rf.Frequency(alarmTo))
	w.line("    every: 20 ms")
	w.line("    tolerance: 15 dB")
	w.line("    silence: %v", w.scaled(1, silenceAtLeast))
	w.line("    latency: %v", w.scaled(w.b.config.Speed*(w.b.config.Sound.Delay+soundPiece).Seconds(),
		time.Millisecond))
}
