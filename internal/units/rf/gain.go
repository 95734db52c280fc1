package rf

import (
	"fmt"
	"math"
	"strings"
)

// Gain is a ratio of two levels of the same kind in decibel. A loss is a negative gain. The zero
// value is 0 dB, no change.
type Gain float64

// GainOfPowerRatio returns 10·log10(r).
func GainOfPowerRatio(r float64) Gain { return Gain(10 * math.Log10(r)) }

// GainOfAmplitudeRatio returns 20·log10(r), for voltages and currents in the same impedance.
func GainOfAmplitudeRatio(r float64) Gain { return Gain(20 * math.Log10(r)) }

// PowerRatio returns 10^(g/10).
func (g Gain) PowerRatio() float64 { return math.Pow(10, float64(g)/10) }

// AmplitudeRatio returns 10^(g/20).
func (g Gain) AmplitudeRatio() float64 { return math.Pow(10, float64(g)/20) }

// DB returns the gain in decibel.
func (g Gain) DB() float64 { return float64(g) }

// Finite reports whether the gain is a number that can be computed with.
func (g Gain) Finite() bool { return !math.IsNaN(float64(g)) && !math.IsInf(float64(g), 0) }

// String prints the gain with one decimal and its unit.
func (g Gain) String() string { return g.Text(1) }

// Text prints the gain with the given number of decimals and its unit.
func (g Gain) Text(decimals int) string {
	switch {
	case math.IsNaN(float64(g)):
		return "–"
	case math.IsInf(float64(g), -1):
		return "-∞ dB"
	case math.IsInf(float64(g), 1):
		return "∞ dB"
	}
	return fmt.Sprintf("%.*f dB", decimals, unsignedZero(float64(g), decimals))
}

// MarshalText writes the gain with four decimals.
func (g Gain) MarshalText() ([]byte, error) {
	if !g.Finite() {
		return nil, fmt.Errorf("gain %v dB is not a finite number", float64(g))
	}
	return []byte(g.Text(4)), nil
}

// UnmarshalText reads "6 dB" or "-0,5 dB".
func (g *Gain) UnmarshalText(text []byte) error {
	v, err := ParseGain(string(text))
	if err != nil {
		return err
	}
	*g = v
	return nil
}

// ParseGain reads a gain or loss in dB: "6 dB", "-0.5dB".
func ParseGain(text string) (Gain, error) {
	x, unit, err := splitNumber(text)
	if err != nil {
		return 0, err
	}
	if !strings.EqualFold(unit, "dB") {
		return 0, unitError("gain", unit, text, "dB")
	}
	if math.Abs(x) > absurdDB {
		return 0, fmt.Errorf("gain %q is beyond anything that can be measured", strings.TrimSpace(text))
	}
	return Gain(x), nil
}
