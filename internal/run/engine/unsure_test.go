package engine_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// constantDrive is a plan at one frequency whose drive is what the bench file allows, less a margin.
func constantDrive(drive rf.Power) string {
	return fmt.Sprintf(`provoke: plan 1
bench: bench.yaml
kind: exposure
mode: constant drive
drive: %s
grid:
  - {list: [10 MHz]}
modulation: CW
dwell: 20 ms
search: {onset: false, recovery: false}
`, drive.Text(2))
}

// An amplifier that gives 5 dB more than its file says, on a clamp rated 30 dBm, at a drive that leaves 0.2 dB
// by the file. Where a power meter is, the clamp never sees its rating: what the meter reads 20 dB below is
// enough. Where none is, the plan is refused before RF.
func TestAnAmplifierAboveItsFileDoesNotPutTheClampOverItsRating(t *testing.T) {
	rated := func(text string) string {
		at := strings.Index(text, "  maximum_forward:")
		end := at + strings.Index(text[at:], "\n")
		return text[:at] + "  maximum_forward: 30 dBm" + text[end:]
	}
	// setting is the drive at which the file's forward power is 0.2 dB, and the meter's own 0.6 dB, below 30 dBm.
	setting := func(l *lab, below rf.Gain) rf.Power {
		d, err := l.chain.DriveForForward(10*rf.Megahertz, rf.DBm(30).Sub(below))
		if err != nil {
			l.t.Fatal(err)
		}
		return d
	}
	for _, c := range []struct {
		above   string
		refused bool
	}{{"gain+5", true}, {"", false}} {
		inLab(t, simbench.Config{Seed: 4}, func(t *testing.T, l *lab) {
			l.edit = rated
			l.reload()
			if c.above != "" {
				if err := l.sim.Inject("amplifier", simbench.Fault{Kind: simbench.FaultTouched, Instrument: "amplifier",
					Set: c.above}); err != nil {
					t.Fatal(err)
				}
			}
			o := l.do(constantDrive(setting(l, 1.5)))
			highest := -200.0
			for _, h := range l.sim.History() {
				highest = max(highest, h.Forward)
			}
			t.Logf("figure: at most %.1f dBm on a clamp of 30 dBm, amplifier %q", highest, c.above)
			if highest > 30 || highest < 0 {
				t.Errorf("%.1f dBm on a clamp of 30 dBm", highest)
			}
			if refused := errors.Is(o.err, guard.ErrRefused) ||
				errors.Is(o.err, guard.ErrTripped); refused != c.refused {
				t.Errorf("%s (%s): %v", o.Verdict, o.Why, o.err)
			}
			if c.refused && !strings.Contains(o.err.Error(), "above the prediction") || !c.refused &&
				o.Verdict == event.TrippedEnd {
				t.Errorf("%s: %v", o.Verdict, o.err)
			}
			l.mustBeOff(o)
		})
	}
	inLab(t, simbench.Config{Seed: 4}, func(t *testing.T, l *lab) {
		l.edit = func(text string) string {
			text = rated(text)
			coupler, clamp := strings.Index(text, "\ncoupler:\n"), strings.Index(text, "\nclamp:\n")
			return text[:coupler] + text[clamp:]
		}
		l.reload()
		for accepted, want := range map[bool]string{false: "whose gain nobody has measured",
			true: "with 2.0 dB for what is not measured"} {
			l.bench.UnmeasuredGain = accepted
			p, list := plan.Parse("plan.yaml", []byte(constantDrive(setting(l, 0.2))), nil)
			if list.Err() != nil {
				t.Fatal(list)
			}
			_, list = plan.Check(p, l.chain, nil)
			if err := list.Err(); err == nil || !strings.Contains(err.Error(), want) ||
				!strings.Contains(err.Error(), "a power meter at the clamp regains") {
				t.Errorf("0.2 dB of headroom, accepted %v: %v", accepted, err)
			}
		}
	})
}
