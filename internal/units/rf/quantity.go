package rf

import (
	"math"
)

// Quantity is how every command prints a quantity with --json:
//
//	{"text":"80.0 dBµA","value":0.01,"unit":"A","bound":"at least"}
//
// Value is in the SI unit named by Unit (W, V, A, Ω, Hz, m, s) or in dB for a gain. Bound is
// left out where the value is exact. A nil *Quantity, printed as null, is absent; off is value 0.
type Quantity struct {
	Text  string  `json:"text"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	Bound string  `json:"bound,omitempty"`
}

// Quantity returns the level for --json; nil when absent.
func (l Level[U]) Quantity() *Quantity {
	if l.Absent() {
		return nil
	}
	var u U
	return &Quantity{Text: l.String(), Value: l.SI(), Unit: u.describe().symbol, Bound: l.Bound().String()}
}

// Quantity returns the gain for --json; nil when it is not finite.
func (g Gain) Quantity(b Bound) *Quantity {
	if !g.Finite() || b == Unknown {
		return nil
	}
	return &Quantity{Text: boundText(b, g.String()), Value: round(float64(g), 6), Unit: "dB", Bound: b.String()}
}

// Quantity returns the frequency for --json; nil when absent.
func (f Frequency) Quantity() *Quantity {
	if !f.Known() {
		return nil
	}
	return &Quantity{Text: f.String(), Value: float64(f), Unit: "Hz"}
}

// Quantity returns the duration for --json.
func (d Duration) Quantity() *Quantity {
	return &Quantity{Text: d.String(), Value: d.Std().Seconds(), Unit: "s"}
}

func boundText(b Bound, text string) string {
	if s := b.String(); s != "" {
		return s + " " + text
	}
	return text
}

func round(x float64, decimals int) float64 {
	p := math.Pow(10, float64(decimals))
	return math.Round(x*p) / p
}

// OrNull returns a number for JSON, rounded to decimals, as it is where they are below 0; nil, which is null, where it
// is not finite.
func OrNull[T ~float64](x T, decimals int) *float64 {
	v := float64(x)
	if v-v != 0 {
		return nil
	}
	if decimals >= 0 {
		p := math.Pow10(decimals)
		v = math.Round(v*p) / p
	}
	v += 0 // no minus zero
	return &v
}
