package uncertainty

import (
	"fmt"
	"math"

	"provoke/internal/units/rf"
)

// Distribution is what is known of how an input is spread.
type Distribution string

// The distributions, with what turns their half-width into a standard uncertainty (JCGM 100, 4.3).
const (
	Normal      Distribution = "normal"      // expanded uncertainty of a certificate, over its k
	Rectangular Distribution = "rectangular" // limits, nothing known in between: √3
	Triangular  Distribution = "triangular"  // limits, the middle likelier: √6
	UShaped     Distribution = "U-shaped"    // sine of an unknown phase: √2
	TypeA       Distribution = "Type A"      // from repeated readings
	InDisc      Distribution = "disc"        // mismatch whose reflections are only bounded: see MismatchConvention
)

// Input is one input quantity of a budget. The constructors set the sensitivity to 1.
type Input struct {
	Name         string
	Distribution Distribution
	// Half is the half-width of the limits; for Normal the expanded uncertainty; for TypeA the
	// standard uncertainty of the value that is used.
	Half float64
	// Divisor turns Half into the standard uncertainty; 0 stands for the distribution's own. For
	// Normal it is the certificate's k.
	Divisor float64
	// Freedom is the number of degrees of freedom; 0 stands for infinitely many.
	Freedom float64
	// Sensitivity is the derivative of the result with respect to this input.
	Sensitivity float64
	// Estimate is the input's value, where a model needs it; a budget of deviations leaves it at 0.
	Estimate float64
	// product is the product of two reflection coefficients, for exact draws of a mismatch.
	product float64
}

// Certificate is an input from a certificate: expanded uncertainty and its coverage factor.
func Certificate(name string, expanded, k float64) Input {
	return Input{Name: name, Distribution: Normal, Half: expanded, Divisor: k, Sensitivity: 1}
}

// Limits is an input that lies within ± half, spread as said.
func Limits(name string, half float64, d Distribution) Input {
	return Input{Name: name, Distribution: d, Half: half, Sensitivity: 1}
}

// Repeated is an input from readings with an experimental standard deviation: the value used is the
// mean of used readings (1 where a single reading is used) out of n that the deviation came from.
func Repeated(name string, deviation float64, n, used int) Input {
	freedom := float64(n - 1)
	if n < 2 {
		freedom = -1 // Check refuses it: 0 would mean infinitely many
	}
	return Input{Name: name, Distribution: TypeA, Half: deviation / math.Sqrt(float64(max(1, used))), Freedom: freedom,
		Sensitivity: 1}
}

// WithFreedom returns the input with its degrees of freedom.
func (in Input) WithFreedom(nu float64) Input { in.Freedom = nu; return in }

// divisor returns what Half is divided by.
func (in Input) divisor() float64 {
	if in.Divisor != 0 {
		return in.Divisor
	}
	switch in.Distribution {
	case Rectangular:
		return math.Sqrt(3)
	case Triangular:
		return math.Sqrt(6)
	case UShaped:
		return math.Sqrt2
	case InDisc:
		return 2 * math.Sqrt2
	}
	return 1
}

// Standard returns the standard uncertainty of the input.
func (in Input) Standard() float64 { return in.Half / in.divisor() }

// Contribution returns sensitivity times standard uncertainty, with its sign.
func (in Input) Contribution() float64 { return in.Sensitivity * in.Standard() }

// freedom returns the degrees of freedom, infinite where none are given.
func (in Input) freedom() float64 {
	if in.Freedom == 0 {
		return math.Inf(1)
	}
	return in.Freedom
}

// Check reports what makes the input unusable.
func (in Input) Check() error {
	fail := func(format string, args ...any) error {
		return fmt.Errorf("uncertainty input %q: %s", in.Name, fmt.Sprintf(format, args...))
	}
	switch in.Distribution {
	case Normal, Rectangular, Triangular, UShaped, TypeA, InDisc:
	default:
		return fail("unknown distribution %q (want %s, %s, %s, %s or %s)", in.Distribution, Normal, Rectangular,
			Triangular, UShaped, TypeA)
	}
	for _, x := range []float64{in.Half, in.Divisor, in.Sensitivity, in.Freedom, in.Estimate} {
		if math.IsNaN(x) || math.IsInf(x, 0) && x != in.Freedom {
			return fail("a figure is not a number")
		}
	}
	switch {
	case in.Half < 0:
		return fail("the uncertainty %g is negative", in.Half)
	case in.Divisor < 0:
		return fail("the coverage factor %g is negative", in.Divisor)
	case in.Freedom < 0 || in.Freedom > 0 && in.Freedom < 1:
		return fail("%g degrees of freedom are too few: at least two readings are needed", in.Freedom)
	}
	return nil
}

// MismatchConvention says what is known of the two reflections that meet. The two conventions differ
// by a factor of two; a budget names the one that it uses.
type MismatchConvention string

const (
	// FixedMagnitudes: both magnitudes are what is stated, only the phase is unknown: U-shaped.
	FixedMagnitudes MismatchConvention = "magnitudes as stated, phase unknown (U-shaped)"
	// BoundedMagnitudes: the stated figures are upper bounds (a VSWR of a data sheet), each
	// reflection is equally likely anywhere in its disc. Half of the above.
	BoundedMagnitudes MismatchConvention = "magnitudes at most as stated, anywhere in the disc"
)

// MismatchLimits returns by how much two reflections can raise and lower a level, in dB:
// 20·log10(1 ± |Γ1Γ2|).
func MismatchLimits(product float64) (plus, minus rf.Gain) {
	return rf.GainOfAmplitudeRatio(1 + product), rf.GainOfAmplitudeRatio(1 - product)
}

// ReflectionOfVSWR returns |Γ| = (S − 1)/(S + 1) of a standing-wave ratio of 1 or more.
func ReflectionOfVSWR(s float64) float64 { return (s - 1) / (s + 1) }

// ThroughTwoPort returns what stands for |Γ1Γ2| where a two-port lies between source and load:
// |Γ1||S11| + |Γ2||S22| + |Γ1||Γ2||S11||S22| + |Γ1||Γ2||S21||S12|, the sum of the magnitudes of all
// reflections that meet (UKAS LAB 34, from memory).
func ThroughTwoPort(source, load, s11, s22, s21, s12 float64) float64 {
	return source*s11 + load*s22 + source*load*s11*s22 + source*load*s21*s12
}

// Mismatch is the input of two reflections whose magnitudes have the given product. Its half-width
// is half the distance of the two limits in dB. It refuses a product that is not below 1.
func Mismatch(name string, product float64, c MismatchConvention) (Input, error) {
	if !(product >= 0 && product < 1) {
		return Input{},
			fmt.Errorf("mismatch %q: the product of the reflections is %g; it must be 0 or more and below 1",
				name, product)
	}
	plus, minus := MismatchLimits(product)
	in := Limits(name, (plus.DB()-minus.DB())/2, UShaped)
	in.product = product
	if c == BoundedMagnitudes {
		in.Distribution = InDisc
	}
	return in, nil
}
