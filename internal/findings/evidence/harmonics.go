package evidence

import (
	"fmt"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/result"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// OfAmplifier gives the harmonics that the data of the bench's amplifier state: a bound, the same for
// both. It is nil where the bench has no amplifier or its data say nothing.
func OfAmplifier(b *catalog.Bench) Harmonics {
	if b == nil || b.Amplifier == nil || b.Amplifier.Harmonics == 0 {
		return nil
	}
	level, source := b.Amplifier.Harmonics, fmt.Sprintf("%v against the carrier by the data of %s", b.Amplifier.Harmonics, b.Amplifier.ID)
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

// BenchOf reads the bench file that a run was made with from the files of its job. attachment returns
// a file by its hash.
func BenchOf(r result.Run, attachment func(hash string) ([]byte, error)) (*catalog.Bench, error) {
	data, err := attachment(r.Opened.Bench.SHA256)
	if err != nil {
		return nil, fmt.Errorf("the bench file of run %d: %w", r.Number, err)
	}
	var list problem.List
	b, list := catalog.Parse(r.Opened.Bench.Name, data, func(name string) ([]byte, error) {
		for _, f := range r.Opened.Files {
			if f.Name == name {
				return attachment(f.SHA256)
			}
		}
		return nil, fmt.Errorf("the job does not hold %q", name)
	})
	if err := list.Err(); err != nil {
		return nil, fmt.Errorf("the bench file of run %d: %w", r.Number, err)
	}
	return b, nil
}
