package simbench_test

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/bench/simbench"
)

// Every manner shows on the cable, and ends with its time or with Clear.
func TestMannersShowOnTheCableAndEnd(t *testing.T) {
	for _, c := range []struct {
		fault string
		low   float64 // dB on the cable while it acts
		high  float64
	}{
		{"touched@source:set=level+6", 5.9, 6.1},
		{"touched@source:set=level-20", -20.1, -19.9},
		{"touched@source:set=off", math.Inf(-1), math.Inf(-1)},
		{"touched@amplifier:set=standby", -61, -59},
		{"touched@amplifier:set=gain+3", 2.9, 3.1},
		{"folds-back@amplifier", -6.1, -5.9},
		{"untrue@source", 11.7, 12.1},
		{"drifts@amplifier:set=-3", -1.6, -1.4}, // half of its time
	} {
		for _, clear := range []bool{false, true} {
			synctest.Test(t, func(t *testing.T) {
				b := simbench.New(simbench.Config{Seed: 3})
				defer b.Close()
				say(t, b, "source", "FREQ 5 MHZ;:VOLT 0.02;:OUTP ON")
				say(t, b, "amplifier", "OUTP ON")
				before := b.State().Carrier
				f, err := simbench.ParseFault(c.fault)
				if err != nil {
					t.Fatal(err)
				}
				f.Delay, f.For = time.Second, 5*time.Second
				if clear {
					f.For = 0
				}
				if err := b.Inject(f.Instrument, f); err != nil {
					t.Fatal(err)
				}
				if now := b.State().Carrier; now != before {
					t.Errorf("%s acts before its time", c.fault)
				}
				time.Sleep(5999 * time.Millisecond)
				b.State()
				if db := 20 * math.Log10(b.State().Carrier/before); db < c.low || db > c.high {
					t.Errorf("%s: %.2f dB on the cable, want %.1f to %.1f", c.fault, db, c.low, c.high)
				}
				time.Sleep(2 * time.Millisecond)
				if clear {
					b.Clear(f.Instrument)
				}
				synctest.Wait()
				if now := b.State().Carrier; math.Abs(now/before-1) > 1e-6 {
					t.Errorf("%s: %.3g A afterwards, %.3g A before", c.fault, now, before)
				}
			})
		}
	}
	for _, bad := range []string{"touched@source", "touched@source:set=nose", "touched@source:set=level+",
		"touched@source:set=level+900", "touched@meter:set=on", "drifts@source", "folds-back@amplifier:set=much",
		"touched@source:set=on:for=soon"} {
		if _, err := simbench.ParseFault(bad); err == nil {
			t.Errorf("%s is accepted", bad)
		}
	}
}

// A manner that waits for messages acts on the one after them; say sends two.
func TestAMannerWaitsForItsMessage(t *testing.T) {
	b := simbench.New(simbench.Config{Seed: 3})
	defer b.Close()
	f, err := simbench.ParseFault("touched@source:set=on:after=4")
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Inject("source", f); err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		if on := b.State().On; on {
			t.Errorf("on after %d messages", i)
		}
		say(t, b, "source", "FREQ 5 MHZ")
	}
	if !b.State().On {
		t.Error("not on after its message")
	}
}

// say sends one message and waits until it was carried out.
func say(t *testing.T, b *simbench.Bench, instrument, text string) {
	t.Helper()
	c, err := b.Dial(t.Context(), instrument)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.Write([]byte(text + "\n*OPC?\n")); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Read(make([]byte, 8)); err != nil {
		t.Fatal(err)
	}
}
