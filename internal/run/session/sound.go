package session

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"provoke/internal/bench/dut"
	"provoke/internal/files/catalog"
	"provoke/internal/model/hearing"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// readingsScatter is how many standard deviations of noise a tolerance should hold, so that none of 10⁶ readings is
// beyond it by chance; the logarithm of a power has a longer tail than a normal distribution.
const readingsScatter = 6

// TryMicrophone tells how loud its band is now. With latency it measures how late a sound is, by the power relay.
func TryMicrophone(w *terminal.World, b *catalog.Bench, m catalog.Monitor, latency bool) error {
	sound, err := dut.SoundOf(m, dut.Options{})
	if err != nil {
		return err
	}
	fmt.Fprintf(w.Stdout, "microphone %s is on: %s\n", m.ID, m.SoundFrom())
	defer fmt.Fprintf(w.Stdout, "microphone %s is off\n", m.ID)
	if latency {
		return latencyBy(w, b, m, sound.Glances(), "clap before a stop-watch and write by how much the level came "+
			"later as latency")
	}
	ctx, cancel := context.WithTimeout(w.Ctx, tryFor)
	defer cancel()
	var levels []float64
	var whole float64
	var dead, cut int
	err = sound.Hear(ctx, func(_ time.Time, h hearing.Heard) {
		levels = append(levels, h.Level)
		whole = max(whole, h.Whole-hearing.Floor)
		if h.Dead {
			dead++
		}
		if h.Clipped {
			cut++
		}
	})
	if !errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("monitor %s: %w", m.ID, err)
	}
	if len(levels) == 0 {
		return fmt.Errorf("monitor %s: too little came in %v", m.ID, rf.Duration(tryFor))
	}
	slices.Sort(levels)
	fmt.Fprintf(w.Stdout, "%v to %v over %v: %.1f dBFS (%.1f to %.1f in %d readings); all frequencies at most "+
		"%.1f dBFS\n", m.Sound.From, m.Sound.To, m.Window(), levels[len(levels)/2], levels[0], levels[len(levels)-1],
		len(levels), whole+hearing.Floor)
	scatter := hearing.Scatter(float64(m.Sound.To-m.Sound.From), m.Window().Std().Seconds())
	fmt.Fprintf(w.Stdout, "noise alone scatters by %.1f dB there (one standard deviation)\n", scatter)
	if m.Tolerance < readingsScatter*scatter {
		fmt.Fprintf(w.Stdout, "the tolerance of %g dB is narrow for that: at least %.0f dB, a wider band or a longer "+
			"every keep it from upsets by chance where the band holds noise\n", m.Tolerance, readingsScatter*scatter)
	}
	if cut > 0 {
		fmt.Fprintf(w.Stdout, "%d readings are cut off at the end of the scale: turn the gain down\n", cut)
	}
	if dead > 0 {
		fmt.Fprintf(w.Stdout, "in %d readings every sample has the same value: the microphone is muted, unplugged or "+
			"has no supply\n", dead)
	}
	return nil
}
