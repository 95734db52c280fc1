package rf

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// spellings maps every accepted spelling of a sign onto the one this program prints: micro sign
// U+00B5 for the Greek letter and the ASCII u, capital omega U+03A9 for the ohm sign and "ohm".
var spellings = strings.NewReplacer(
	"\u03bc", "µ", "\u2126", "Ω",
	"\u2212", "-", "\u2013", "-", "\u00a0", " ", "\u202f", " ",
	"ohms", "Ω", "ohm", "Ω", "Ohms", "Ω", "Ohm", "Ω", "OHMS", "Ω", "OHM", "Ω",
	"dBuV", "dBµV", "dBuA", "dBµA", "dBuW", "dBµW", "uV", "µV", "uA", "µA", "uW", "µW", "uF", "µF", "uH", "µH",
	"us", "µs",
)

// splitNumber splits "27,12 MHz" into 27.12 and "MHz", and the part-code notation "1M5" into 1.5
// and "M". The number may have a decimal comma or point and an exponent. A missing number is an
// error, and so is one like "1,500" that reads as thousands in one country and as a decimal comma
// in another. The unit is returned as it stands, with its spelling normalised.
func splitNumber(text string) (float64, string, error) {
	t := strings.TrimSpace(spellings.Replace(text))
	if len(t) > 64 {
		return 0, "", fmt.Errorf("%.20q… is too long for a quantity", t)
	}
	i := 0
	for i < len(t) && strings.IndexByte("+-0123456789.,", t[i]) >= 0 {
		i++
	}
	// An exponent belongs to the number only when digits follow it.
	if i > 0 && i < len(t) && (t[i] == 'e' || t[i] == 'E') {
		j := i + 1
		if j < len(t) && (t[j] == '+' || t[j] == '-') {
			j++
		}
		if j < len(t) && t[j] >= '0' && t[j] <= '9' {
			for j < len(t) && t[j] >= '0' && t[j] <= '9' {
				j++
			}
			i = j
		}
	}
	number, unit := t[:i], strings.TrimSpace(t[i:])
	if number == "" {
		return 0, "", fmt.Errorf("%q does not start with a number", strings.TrimSpace(text))
	}
	// 4k7, 1M5: the prefix stands for the decimal point.
	if len(unit) > 1 && strings.IndexByte("kMG", unit[0]) >= 0 && unit[1] >= '0' && unit[1] <= '9' {
		j := 1
		for j < len(unit) && unit[j] >= '0' && unit[j] <= '9' {
			j++
		}
		if strings.ContainsAny(number, ".,") {
			return 0, "", fmt.Errorf("%q has two decimal signs", strings.TrimSpace(text))
		}
		number, unit = number+"."+unit[1:j], unit[:1]+strings.TrimSpace(unit[j:])
	}
	if strings.Count(number, ",")+strings.Count(number, ".") > 1 {
		return 0, "", fmt.Errorf("%q has more than one decimal sign; write thousands without a separator",
			strings.TrimSpace(text))
	}
	if couldBeThousands(number) {
		return 0, "", fmt.Errorf("%q can be read in two ways; write %s or %s", strings.TrimSpace(text),
			strings.Replace(number, ",", ".", 1), strings.Replace(number, ",", "", 1))
	}
	x, err := strconv.ParseFloat(strings.Replace(number, ",", ".", 1), 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, "", fmt.Errorf("%q is not a number", number)
	}
	if unit == "" {
		return 0, "", fmt.Errorf("%q has no unit", strings.TrimSpace(text))
	}
	return x, unit, nil
}

// couldBeThousands reports that the one comma of a number may stand before thousands: one to three
// digits, the first not 0, before it and exactly three after it.
func couldBeThousands(number string) bool {
	whole, rest, ok := strings.Cut(strings.TrimLeft(number, "+-"), ",")
	return ok && len(rest) == 3 && len(whole) >= 1 && len(whole) <= 3 && whole[0] != '0'
}

func unitError(kind, unit, text string, want ...string) error {
	list := strings.Join(want, ", ")
	if n := len(want); n > 1 {
		list = strings.Join(want[:n-1], ", ") + " or " + want[n-1]
	}
	for _, w := range want {
		if strings.EqualFold(w, unit) {
			return fmt.Errorf("unknown %s unit %q in %q: did you mean %q?", kind, unit, strings.TrimSpace(text), w)
		}
	}
	return fmt.Errorf("unknown %s unit %q in %q (want %s)", kind, unit, strings.TrimSpace(text), list)
}

// unsignedZero avoids "-0.0".
func unsignedZero(x float64, decimals int) float64 {
	if math.Abs(x) < 0.5*math.Pow(10, -float64(decimals)) {
		return 0
	}
	return x
}

// trimNumber prints x with at most digits significant digits and without trailing zeros.
func trimNumber(x float64, digits int) string {
	s := strconv.FormatFloat(x, 'g', digits, 64)
	if y, err := strconv.ParseFloat(s, 64); err == nil {
		s = strconv.FormatFloat(y, 'f', -1, 64)
	}
	return s
}

// engineering prints x with an SI prefix and three significant digits.
func engineering(x float64, symbol string) string {
	if math.IsNaN(x) {
		return "–"
	}
	prefixes := []struct {
		scale float64
		name  string
	}{{1e9, "G"}, {1e6, "M"}, {1e3, "k"}, {1, ""}, {1e-3, "m"}, {1e-6, "µ"}, {1e-9, "n"}, {1e-12, "p"}}
	for _, p := range prefixes {
		if math.Abs(x) >= p.scale*0.9995 || p.scale == 1e-12 {
			if x == 0 {
				return "0 " + symbol
			}
			y := x / p.scale
			decimals := 2 - int(math.Floor(math.Log10(math.Abs(y)*1.0005)))
			if decimals < 0 {
				decimals = 0
			}
			if decimals > 2 {
				decimals = 2
			}
			return strconv.FormatFloat(y, 'f', decimals, 64) + " " + p.name + symbol
		}
	}
	return strconv.FormatFloat(x, 'g', 3, 64) + " " + symbol
}

func lossless(x float64, unit string) []byte {
	if x == 0 {
		return []byte{}
	}
	return []byte(strconv.FormatFloat(x, 'g', -1, 64) + " " + unit)
}
