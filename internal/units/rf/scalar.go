package rf

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Scalars of a bench description. The zero value of each is absent.
type (
	// Resistance in ohm.
	Resistance float64
	// Capacitance in farad.
	Capacitance float64
	// Inductance in henry.
	Inductance float64
	// Length in metre.
	Length float64
	// Fraction is a ratio between 0 and 1, written in per cent.
	Fraction float64
	// Temperature in degree Celsius.
	Temperature float64
)

// Duration is a time.Duration that is written with a unit: "500 ms", "2 s", "1.5 min".
type Duration time.Duration

// Milliseconds is a time rounded to milliseconds.
func Milliseconds(d time.Duration) Duration { return Duration(d.Round(time.Millisecond)) }

// Shortly rounds a time to milliseconds, and what is shorter to microseconds.
func Shortly(d time.Duration) Duration {
	if d < time.Millisecond {
		return Duration(d.Round(time.Microsecond))
	}
	return Milliseconds(d)
}

type scalarUnit struct {
	kind   string
	units  map[string]float64
	listed []string
	// least and most bound the value in the SI unit; most 0 means no upper bound. said tells it.
	least, most float64
	said        string
}

var (
	resistanceUnits = scalarUnit{"resistance", map[string]float64{"Ω": 1, "mΩ": 1e-3, "kΩ": 1e3, "MΩ": 1e6,
		"k": 1e3, "M": 1e6}, []string{"Ω", "kΩ", "MΩ"}, 0, 0, "; it cannot be negative"}
	capacitanceUnits = scalarUnit{"capacitance", map[string]float64{"F": 1, "mF": 1e-3, "µF": 1e-6, "nF": 1e-9,
		"pF": 1e-12}, []string{"pF", "nF", "µF"}, 0, 0, "; it cannot be negative"}
	inductanceUnits = scalarUnit{"inductance", map[string]float64{"H": 1, "mH": 1e-3, "µH": 1e-6, "nH": 1e-9,
		"pH": 1e-12}, []string{"nH", "µH", "mH"}, 0, 0, "; it cannot be negative"}
	lengthUnits = scalarUnit{"length", map[string]float64{"m": 1, "cm": 1e-2, "mm": 1e-3, "km": 1e3},
		[]string{"mm", "cm", "m"}, 0, 0, "; it cannot be negative"}
	fractionUnits = scalarUnit{"fraction", map[string]float64{"%": 1e-2}, []string{"%"}, 0, 1,
		"; it lies between 0 % and 100 %"}
	temperatureUnits = scalarUnit{"temperature", map[string]float64{"°C": 1, "C": 1}, []string{"°C"}, -273.15,
		0, "; nothing is colder than -273.15 °C"}
	durationUnits = scalarUnit{"duration", map[string]float64{"ns": 1e-9, "µs": 1e-6, "ms": 1e-3, "s": 1,
		"min": 60, "h": 3600}, []string{"µs", "ms", "s", "min", "h"}, 0, 0, ""}
)

func (u scalarUnit) parse(text string) (float64, error) {
	x, unit, err := splitNumber(text)
	if err != nil {
		return 0, err
	}
	scale, ok := u.units[unit]
	if !ok {
		return 0, unitError(u.kind, unit, text, u.listed...)
	}
	return x * scale, nil
}

func parseScalar[T ~float64](u scalarUnit, text []byte, into *T) error {
	if len(text) == 0 {
		*into = 0
		return nil
	}
	x, err := u.parse(string(text))
	if err != nil {
		return err
	}
	if x < u.least || u.most > 0 && x > u.most || math.IsInf(x, 0) {
		return fmt.Errorf("%s %q is out of range%s", u.kind, strings.TrimSpace(string(text)), u.said)
	}
	*into = T(x)
	return nil
}

// UnmarshalText reads "150 Ω", "150 ohm", "4k7".
func (r *Resistance) UnmarshalText(t []byte) error { return parseScalar(resistanceUnits, t, r) }

// UnmarshalText reads "150 pF".
func (c *Capacitance) UnmarshalText(t []byte) error { return parseScalar(capacitanceUnits, t, c) }

// UnmarshalText reads "40 nH".
func (l *Inductance) UnmarshalText(t []byte) error { return parseScalar(inductanceUnits, t, l) }

// UnmarshalText reads "0.3 m", "50 mm".
func (l *Length) UnmarshalText(t []byte) error { return parseScalar(lengthUnits, t, l) }

// UnmarshalText reads "80 %".
func (f *Fraction) UnmarshalText(t []byte) error { return parseScalar(fractionUnits, t, f) }

// UnmarshalText reads "23 °C".
func (c *Temperature) UnmarshalText(t []byte) error { return parseScalar(temperatureUnits, t, c) }

// UnmarshalText reads "500 ms", "2 s", "1.5 min". A negative duration is refused.
func (d *Duration) UnmarshalText(t []byte) error {
	v, err := ParseDuration(string(t))
	if err != nil {
		return err
	}
	*d = v
	return nil
}

// ParseDuration reads "500 ms", "2 s", "1.5 min"; the empty text is absent.
func ParseDuration(text string) (Duration, error) {
	if text == "" {
		return 0, nil
	}
	x, err := durationUnits.parse(text)
	if err != nil {
		return 0, err
	}
	if x < 0 || x > 1e9 {
		return 0, fmt.Errorf("duration %q must be between 0 s and %.0f h", strings.TrimSpace(text), 1e9/3600)
	}
	return Duration(math.Round(x * 1e9)), nil
}

// String prints the resistance: "150 Ω".
func (r Resistance) String() string { return engineering(float64(r), "Ω") }

// String prints the capacitance: "150 pF".
func (c Capacitance) String() string { return engineering(float64(c), "F") }

// String prints the inductance: "40.0 nH".
func (l Inductance) String() string { return engineering(float64(l), "H") }

// String prints the length: "50 mm", "1.2 m".
func (l Length) String() string {
	if math.Abs(float64(l)) < 1 {
		return trimNumber(float64(l)*1e3, 4) + " mm"
	}
	return trimNumber(float64(l), 4) + " m"
}

// String prints the fraction: "80 %".
func (f Fraction) String() string { return trimNumber(float64(f)*100, 5) + " %" }

// String prints the temperature: "23 °C".
func (c Temperature) String() string { return trimNumber(float64(c), 4) + " °C" }

// String prints the duration: "500 ms", "2 s", "3 min 20 s".
func (d Duration) String() string {
	t := time.Duration(d)
	switch {
	case t == 0:
		return "0 s"
	case t < time.Millisecond:
		return trimNumber(float64(t)/1e3, 4) + " µs"
	case t < time.Second:
		return trimNumber(float64(t)/1e6, 4) + " ms"
	case t < time.Minute:
		return trimNumber(t.Seconds(), 4) + " s"
	}
	t = t.Round(time.Second)
	h, m, s := int(t.Hours()), int(t.Minutes())%60, int(t.Seconds())%60
	switch {
	case h > 0:
		return fmt.Sprintf("%d h %d min", h, m)
	case s == 0:
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d min %d s", m, s)
}

// Std returns the standard library's duration.
func (d Duration) Std() time.Duration { return time.Duration(d) }

// MarshalText writes the resistance without loss.
func (r Resistance) MarshalText() ([]byte, error) { return lossless(float64(r), "Ω"), nil }

// MarshalText writes the capacitance without loss.
func (c Capacitance) MarshalText() ([]byte, error) { return lossless(float64(c), "F"), nil }

// MarshalText writes the inductance without loss.
func (l Inductance) MarshalText() ([]byte, error) { return lossless(float64(l), "H"), nil }

// MarshalText writes the length without loss.
func (l Length) MarshalText() ([]byte, error) { return lossless(float64(l), "m"), nil }

// MarshalText writes the fraction in per cent without loss.
func (f Fraction) MarshalText() ([]byte, error) { return lossless(float64(f)*100, "%"), nil }

// MarshalText writes the temperature without loss.
func (c Temperature) MarshalText() ([]byte, error) { return lossless(float64(c), "°C"), nil }

// MarshalText writes the duration in seconds without loss.
func (d Duration) MarshalText() ([]byte, error) {
	return lossless(time.Duration(d).Seconds(), "s"), nil
}
