package rf

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Frequency is a frequency in hertz. The zero value is absent.
type Frequency float64

// The usual multiples.
const (
	Hertz     Frequency = 1
	Kilohertz Frequency = 1e3
	Megahertz Frequency = 1e6
	Gigahertz Frequency = 1e9
)

// Hz returns the frequency in hertz.
func (f Frequency) Hz() float64 { return float64(f) }

// Known reports whether the frequency is a finite number above zero.
func (f Frequency) Known() bool {
	return f > 0 && !math.IsInf(float64(f), 0)
}

// String prints the frequency with up to seven significant digits: "27.12 MHz".
func (f Frequency) String() string {
	if !f.Known() {
		return "–"
	}
	scale, unit := 1.0, "Hz"
	switch {
	case f >= 1e9:
		scale, unit = 1e9, "GHz"
	case f >= 1e6:
		scale, unit = 1e6, "MHz"
	case f >= 1e3:
		scale, unit = 1e3, "kHz"
	}
	return trimNumber(float64(f)/scale, 7) + " " + unit
}

// Rounded is the frequency to four digits, for one that is computed and not known any better.
func (f Frequency) Rounded() Frequency {
	if !f.Known() {
		return f
	}
	unit := math.Pow(10, math.Floor(math.Log10(float64(f)))-3)
	return Frequency(math.Round(float64(f)/unit) * unit)
}

// MarshalText writes the frequency without loss.
func (f Frequency) MarshalText() ([]byte, error) {
	if !f.Known() {
		return []byte{}, nil
	}
	return []byte(strconv.FormatFloat(float64(f), 'g', -1, 64) + " Hz"), nil
}

// UnmarshalText reads what ParseFrequency reads; the empty text is absent.
func (f *Frequency) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*f = 0
		return nil
	}
	v, err := ParseFrequency(string(text))
	if err != nil {
		return err
	}
	*f = v
	return nil
}

// ParseFrequency reads "150 kHz", "27,12 MHz", "1M5" (1.5 MHz) or "455k". The case of the unit
// counts: "80 Mhz" and "80 mHz" are refused with the right spelling.
func ParseFrequency(text string) (Frequency, error) {
	x, unit, err := splitNumber(text)
	if err != nil {
		return 0, err
	}
	scale, ok := frequencyUnits[unit]
	if !ok {
		return 0, unitError("frequency", unit, text, "Hz", "kHz", "MHz", "GHz")
	}
	f := Frequency(x * scale)
	switch {
	case x <= 0:
		return 0, fmt.Errorf("frequency %q must be above 0 Hz", strings.TrimSpace(text))
	case f < 1e-6 || f > 1e15:
		return 0, fmt.Errorf("frequency %q is no radio frequency", strings.TrimSpace(text))
	}
	return f, nil
}

var frequencyUnits = map[string]float64{
	"Hz": 1, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9,
	"k": 1e3, "M": 1e6, "G": 1e9,
}
