package dut

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// soundSpec listens at 1 kHz to one channel of 8,000 samples a second, twenty times a second.
func soundSpec() catalog.Monitor {
	return catalog.Monitor{Identity: catalog.Identity{ID: "MIC"}, Kind: catalog.MonitorSound, Unit: "dB", Tolerance: 10,
		Connection: catalog.Connection{Address: "TCPIP::192.0.2.1::1::SOCKET"}, Silence: rf.Duration(time.Second),
		Sound: catalog.PCM{Rate: 8000, Channels: 1, From: 900, To: 1100}}
}

// tone is a function of the number of a sample.
func tone(amplitude float64) func(int) float64 {
	return func(i int) float64 { return amplitude * math.Sin(2*math.Pi*1000*float64(i)/8000+0.1) }
}

type dial = func(context.Context, string) (io.ReadWriteCloser, error)

// plays sends samples in pieces of 10 ms, as many a second as rate says, until at ends it.
func plays(rate float64, at func(i int) (v float64, more bool)) dial {
	return func(context.Context, string) (io.ReadWriteCloser, error) {
		out, in := io.Pipe()
		go func() {
			began := time.Now()
			for i := 0; ; {
				var piece []byte
				for range int(rate / 100) {
					v, more := at(i)
					if !more {
						in.Write(piece)
						in.Close()
						return
					}
					v = min(max(math.Round(v*32768), math.MinInt16), math.MaxInt16)
					piece = binary.LittleEndian.AppendUint16(piece, uint16(int16(v)))
					i++
				}
				time.Sleep(time.Until(began.Add(time.Duration(float64(i) / rate * float64(time.Second)))))
				if _, err := in.Write(piece); err != nil {
					return
				}
			}
		}()
		return struct {
			io.ReadCloser
			io.Writer
		}{out, io.Discard}, nil
	}
}

func always(f func(int) float64) func(int) (float64, bool) {
	return func(i int) (float64, bool) { return f(i), true }
}

// hears runs a monitor for a time and returns what it delivered.
func hears(t *testing.T, spec catalog.Monitor, d time.Duration, from dial) (got []Sample, err error) {
	m, err := New(spec, Options{Dial: from})
	if err != nil {
		t.Fatal(err)
	}
	err = m.Start(t.Context(), func(s Sample) { got = append(got, s) })
	if err == nil {
		time.Sleep(d)
	}
	err = errors.Join(err, m.Close())
	if from != nil { // the player ends by the clock of the bubble
		time.Sleep(2 * time.Minute)
	}
	return got, err
}

func TestAToneIsReadAsItsLevelTwentyTimesASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		got, err := hears(t, soundSpec(), 2*time.Second, plays(8000, always(tone(0.1))))
		if err != nil || len(got) < 38 || len(got) > 42 {
			t.Fatalf("%d readings in 2 s: %v", len(got), err)
		}
		for _, s := range got {
			if !s.HasValue || math.Abs(s.Value+20) > 0.05 || s.Missed != "" || s.Text != "-20.0 dBFS" {
				t.Fatalf("%+v", s)
			}
			// A second of latency that nobody measured, and the window.
			if d := s.At.Sub(s.Asked); d != 1100*time.Millisecond {
				t.Errorf("asked %v before", d)
			}
		}
	})
}

func TestASoundThatDoesNotMoveIsSilenceAndOneThatIsCutOffIsNoLook(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dead, err := hears(t, soundSpec(), time.Second, plays(8000, always(func(int) float64 { return 0.01 })))
		if err != nil || len(dead) < 15 {
			t.Fatalf("%d readings: %v", len(dead), err)
		}
		for _, s := range dead {
			if s.HasValue || s.Blind || !strings.Contains(s.Missed, "muted") {
				t.Fatalf("%+v", s)
			}
		}
		cut, err := hears(t, soundSpec(), time.Second, plays(8000, always(tone(1.5))))
		if err != nil || len(cut) < 15 {
			t.Fatalf("%d readings: %v", len(cut), err)
		}
		for _, s := range cut {
			if !s.Blind || !strings.Contains(s.Missed, "cut off") || !strings.Contains(s.Text, "cut off") {
				t.Fatalf("%+v", s)
			}
			if _, bad := (Judge{soundSpec(), -60, true}).Bad(s); !bad {
				t.Error("60 dB more is an upset, cut off or not")
			}
		}
	})
}

func TestASoundThatStopsIsSilentAndOneThatEndsIsTheMicrophones(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		stops := func(i int) (float64, bool) {
			if i == 8000 && time.Since(began) < 5*time.Second { // the first time only
				time.Sleep(10 * time.Second)
				return 0, false
			}
			return tone(0.1)(i), true
		}
		got, err := hears(t, soundSpec(), 6*time.Second, plays(8000, stops))
		if err != nil {
			t.Fatal(err)
		}
		before, missed, after := 0, 0, 0
		for _, s := range got {
			switch d := s.At.Sub(began); {
			case s.Missed != "":
				if missed++; s.Blind || d < 3900*time.Millisecond ||
					!strings.Contains(s.Missed, "no sound came for 3 s") {
					t.Errorf("after %v: %+v", d, s)
				}
			case missed == 0:
				if before++; d > 1100*time.Millisecond {
					t.Errorf("a reading %v after the beginning", d)
				}
			default:
				after++
			}
		}
		if before < 10 || missed != 1 || after < 20 {
			t.Errorf("%d readings, %d times none, %d readings after", before, missed, after)
		}
		ends := func(i int) (float64, bool) { return tone(0.1)(i), i < 8000 }
		got, err = hears(t, soundSpec(), 1100*time.Millisecond, plays(8000, ends))
		if err != nil {
			t.Fatal(err)
		}
		if last := got[len(got)-1]; !last.Blind || !strings.Contains(last.Missed, "closed the connection") {
			t.Errorf("%+v", last)
		}
	})
}

func TestAWrongRateOfSamplesIsTold(t *testing.T) {
	for _, rate := range []float64{7400, 8600, 16000} {
		synctest.Test(t, func(t *testing.T) {
			got, err := hears(t, soundSpec(), 21*time.Second, plays(rate, always(tone(0.1))))
			if err != nil {
				t.Fatal(err)
			}
			told := false
			for _, s := range got {
				told = told || s.Blind && strings.Contains(s.Missed, "the bench file says 8000")
			}
			if !told {
				t.Errorf("%g samples a second were taken for 8000", rate)
			}
		})
	}
	synctest.Test(t, func(t *testing.T) { // one that comes a little fast, and late for a second now and then
		stalls := func(i int) (float64, bool) {
			if i%(8100*13) == 8100*19/2 {
				time.Sleep(time.Second)
			}
			return tone(0.1)(i), true
		}
		got, err := hears(t, soundSpec(), 65*time.Second, plays(8100, stalls))
		for _, s := range got {
			if s.Missed != "" {
				t.Errorf("%+v, %v", s, err)
			}
		}
	})
}

func TestAMicrophoneThatIsNotThereIsToldAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, err := hears(t, soundSpec(), 0, func(context.Context, string) (io.ReadWriteCloser, error) {
			return nil, errors.New("nobody there")
		})
		if err == nil || !strings.Contains(err.Error(), "monitor MIC: connect to TCPIP") {
			t.Error(err)
		}
		never := func(i int) (float64, bool) { time.Sleep(time.Minute); return 0, false }
		if _, err = hears(t, soundSpec(), 0, plays(8000, never)); err == nil ||
			!strings.Contains(err.Error(), "no sound came for 3 s") {
			t.Error(err)
		}
	})
}

func TestACommandBringsASoundAndSaysWhyItEnds(t *testing.T) {
	shell := outside(t, "sh")
	file := filepath.Join(t.TempDir(), "sound")
	var pcm []byte
	for i := range 8000 {
		pcm = binary.LittleEndian.AppendUint16(pcm, uint16(int16(32768*tone(0.01)(i))))
	}
	if err := os.WriteFile(file, pcm, 0o600); err != nil {
		t.Fatal(err)
	}
	spec := soundSpec()
	spec.Address, spec.Command = "", []string{shell, "-c", `while :; do cat "$0"; sleep 1; done`, file}
	got, err := hears(t, spec, 500*time.Millisecond, nil)
	if err != nil || len(got) == 0 || math.Abs(got[0].Value+40) > 0.1 {
		t.Errorf("%v, %v", got, err)
	}
	spec.Command = []string{shell, "-c", "echo no such microphone >&2; exit 3"}
	if _, err := hears(t, spec, 0, nil); err == nil || !strings.Contains(err.Error(), "no such microphone") ||
		!strings.Contains(err.Error(), "is the microphone plugged in") {
		t.Error(err)
	}
}
