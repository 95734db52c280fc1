package evidence

import (
	"fmt"

	"provoke/internal/files/catalog"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// OfAmplifier gives the harmonics that the data of the bench's amplifier state: a bound, the same for
// both. It is nil where the bench has no amplifier or its data say nothing.
func OfAmplifier(b *catalog.Bench) Harmonics {
	if b == nil || b.Amplifier == nil || b.Amplifier.Harmonics == 0 {
		return nil
	}
	level, source := b.Amplifier.Harmonics, fmt.Sprintf("%v against the carrier by the data of %s",
		b.Amplifier.Harmonics, b.Amplifier.ID)
	return func(rf.Frequency, int) (rf.Gain, bool, string, bool) { return level, false, source, true }
}

// Measured gives harmonics that were measured, over the frequency of the fundamental, and falls back
// on what is stated otherwise (nil for nothing). Absent curves are not measured.
func Measured(second, third curve.Curve[rf.Gain], otherwise Harmonics) Harmonics {
	if second.Absent() && third.Absent() {
		return otherwise
	}
	return func(f rf.Frequency, n int) (rf.Gain, bool, string, bool) {
		c := second
		if n == 3 {
			c = third
		}
		if g, err := c.At(f); err == nil {
			return g, true, fmt.Sprintf("%v against the carrier, measured, %s", g, c.Source()), true
		}
		if otherwise == nil {
			return 0, false, "", false
		}
		return otherwise(f, n)
	}
}
