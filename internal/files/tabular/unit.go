package tabular

import (
	"regexp"
	"strings"

	"provoke/internal/units/curve"
)

// The quantities that decide which column is the x, and that of figures without a unit.
const (
	OfFrequency = "frequency"
	OfTime      = "time"
	OfNumber    = "number"
)

// FrequencyScale holds the units of a frequency in hertz.
var FrequencyScale = map[string]float64{"Hz": 1, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}

// TimeScale holds the units of a time in seconds.
var TimeScale = map[string]float64{"s": 1, "ms": 1e-3, "µs": 1e-6, "ns": 1e-9, "min": 60, "h": 3600}

// otherUnits are units that package curve does not know, by their spelling in lower case without
// blanks.
var otherUnits = map[string][2]string{
	"s": {"s", OfTime}, "sec": {"s", OfTime}, "secs": {"s", OfTime}, "second": {"s", OfTime}, "seconds": {"s", OfTime},
	"ms": {"ms", OfTime}, "msec": {"ms", OfTime}, "us": {"µs", OfTime}, "usec": {"µs", OfTime}, "ns": {"ns", OfTime},
	"min": {"min", OfTime}, "h": {"h", OfTime},
	"hertz": {"Hz", OfFrequency},
	"volt":  {"V", "voltage"}, "volts": {"V", "voltage"}, "vdc": {"V", "voltage"}, "vac": {"V", "voltage"},
	"mvdc": {"mV", "voltage"},
	"vrms": {"V", "voltage"}, "ampere": {"A", "current"}, "amps": {"A", "current"}, "adc": {"A", "current"},
	"aac": {"A", "current"}, "madc": {"mA", "current"},
	"v": {"V", "voltage"}, "mv": {"mV", "voltage"}, "uv": {"µV", "voltage"}, "a": {"A", "current"}, "ma": {"mA",
		"current"}, "ua": {"µA", "current"},
	"w": {"W", "power"}, "mw": {"mW", "power"},
	"watt": {"W", "power"}, "watts": {"W", "power"}, "ohm": {"Ω", "resistance"}, "ohms": {"Ω", "resistance"},
	"dbm/hz": {"dBm/Hz", "density"}, "dbuv/hz": {"dBµV/Hz", "density"},
	"dbuv/m": {"dBµV/m", "field"}, "v/m": {"V/m", "field"}, "dbua/m": {"dBµA/m", "field"}, "dbpt": {"dBpT", "field"},
	"dbc": {"dBc", "ratio"}, "dbpw": {"dBpW", "power"}, "%": {"%", "share"}, "percent": {"%", "share"},
	"°": {"°", "angle"}, "deg": {"°", "angle"}, "degree": {"°", "angle"}, "degrees": {"°", "angle"},
	"°c": {"°C", "temperature"}, "degc": {"°C", "temperature"}, "k": {"K", "temperature"},
	"kg": {"kg", "mass"}, "g": {"g", "mass"}, "mg": {"mg", "mass"}, "lb": {"lb", "mass"}, "lbs": {"lb", "mass"},
	"n": {"N", "force"}, "kn": {"kN", "force"},
	"bar": {"bar", "pressure"}, "mbar": {"mbar", "pressure"}, "pa": {"Pa", "pressure"}, "kpa": {"kPa", "pressure"},
	"rpm": {"rpm", "speed"}, "1/min": {"1/min", "speed"}, "m/s": {"m/s", "speed"}, "mm": {"mm", "length"}, "m": {"m",
		"length"},
	"l/min": {"l/min", "flow"}, "v/v": {"V/V", "ratio"}, "vemf": {"V emf", "e.m.f."}, "ve.m.f.": {"V emf", "e.m.f."},
	"counts": {"counts", "count"},
}

// UnitOf returns the usual spelling of a unit and its quantity; both are empty for what is none. A
// small m before Hz is no unit: it would be milli.
func UnitOf(text string) (unit, quantity string) {
	text = strings.Trim(strings.TrimSpace(text), "[](){}<>\"' ")
	if text == "" || len(text) > 12 {
		return "", ""
	}
	if u, of := curve.RecogniseUnit(text); u != "" {
		return u, of
	}
	key := strings.NewReplacer("µ", "u", "μ", "u", "Ω", "ohm", "\u2126", "ohm", " ", "").Replace(strings.ToLower(text))
	u := otherUnits[key]
	if key == "m" && text != "m" || key == "k" && text != "K" || key == "g" && text != "g" || key == "n" &&
		text != "N" || key == "h" && text != "h" {
		return "", ""
	}
	return u[0], u[1]
}

// DeclaredUnit is a unit as a person gives it, who may say that there is none.
func DeclaredUnit(text string) (unit, quantity string) {
	if t := strings.ToLower(strings.TrimSpace(text)); t == "none" || t == "1" {
		return "1", OfNumber
	}
	return UnitOf(text)
}

var (
	inBrackets = regexp.MustCompile(`(?i)\b(dB)\(\s*([^()]*?)\s*\)`) // dB(µV/m)
	factors    = regexp.MustCompile(`(?i)(?:^|[\s(\[])[x×*]\s*1(?:0|e)|10\s*(?:\^|\*\*)|\b1e[-+]?\d|[(\[]\s*[\d.,]+\s*(?:dB[mµuvaw]*|[kmgµun]?(?:hz|s|v|a|w))\s*[)\]]|\blog\d*\s*\(`)
	inPair     = regexp.MustCompile(`[(\[{]([^()\[\]{}]*)[)\]}](.*)`)
	behindIn   = regexp.MustCompile(`(?i)(?:\bin\b|@|/)\s*[\d.,]*\s*(\S+)\s*$`)
	pieces     = regexp.MustCompile(`[/,;^@]`)
)

// doubtful reports a heading with a factor, a logarithm, or two units: nothing says in what its column counts.
func doubtful(text string) bool {
	if factors.MatchString(text) {
		return true
	}
	known := func(s string) bool {
		fields := strings.Fields(s)
		if len(fields) == 0 {
			return false
		}
		unit, _ := UnitOf(fields[len(fields)-1])
		return unit != ""
	}
	if m := inPair.FindStringSubmatch(text); m != nil {
		if unit, _ := UnitOf(m[1]); unit == "" {
			for _, p := range pieces.Split(m[1], -1) {
				if known(p) && len(p) < len(m[1]) {
					return true
				}
			}
			return false
		}
		more := behindIn.FindStringSubmatch(m[2])
		return more != nil && known(more[1])
	}
	i := strings.LastIndex(text, "/") // a unit on either side of a stroke is a unit that is not known
	unit, _ := UnitOf(text[strings.LastIndexAny(text, " \t")+1:])
	return i > 0 && unit == "" && len(text) > i+1 && known(text[i+1:]) && known(text[:i]) &&
		strings.ContainsAny(text[:i], " \t")
}

// SplitHeading splits a heading into name, unit and quantity.
func SplitHeading(text string) (name, unit, quantity string) {
	text = inBrackets.ReplaceAllString(strings.TrimSpace(text), "${1}${2}")
	if doubtful(text) {
		return text, "", ""
	}
	if i := strings.LastIndexAny(text, " \t") + 1; strings.Contains(text[i:], "/") || strings.HasPrefix(text, "in ") {
		if unit, quantity = UnitOf(text[i:]); unit != "" {
			name, _ = strings.CutSuffix(" "+strings.TrimSpace(text[:i]), " in")
			return strings.Trim(name, " /,:"), unit, quantity
		}
	}
	if name, unit, quantity = curve.SplitHeading(text); unit != "" {
		return name, unit, quantity
	}
	for _, pair := range []string{"()", "[]", "{}"} {
		open, shut := strings.LastIndexByte(text, pair[0]), strings.LastIndexByte(text, pair[1])
		if open < 0 || shut < open {
			continue
		}
		if unit, quantity = UnitOf(text[open+1 : shut]); unit != "" {
			return strings.TrimSpace(text[:open] + text[shut+1:]), unit, quantity
		}
	}
	if name, tail, ok := strings.Cut(text, "/"); ok && strings.Contains(tail, "/") { // "level/V/m"
		if unit, quantity = UnitOf(tail); unit != "" {
			return strings.TrimSpace(name), unit, quantity
		}
	}
	for _, at := range []string{"/", " in ", ",", "_"} {
		if i := strings.LastIndex(text, at); i > 0 {
			tail := text[i+len(at):]
			if at == "_" && len(tail) < 2 { // "CH_A" is not in ampere
				continue
			}
			if unit, quantity = UnitOf(tail); unit != "" {
				return strings.TrimSpace(text[:i]), unit, quantity
			}
		}
	}
	if i := strings.LastIndexAny(text, " \t"); i > 0 && len(text)-i > 2 {
		if unit, quantity = UnitOf(text[i:]); unit != "" {
			return strings.TrimSpace(text[:i]), unit, quantity
		}
	}
	return text, "", ""
}

// Meant returns the quantity that a name of a column speaks of, or "".
func Meant(name string) string {
	n := strings.ToLower(strings.Trim(name, " .:_\"'"))
	n = strings.TrimSuffix(strings.TrimSuffix(n, "[]"), "()")
	switch {
	case n == "f" || strings.HasPrefix(n, "f (") || strings.HasPrefix(n, "f [") || strings.HasPrefix(n, "freq") ||
		strings.HasPrefix(n, "fréq") || strings.HasPrefix(n, "frec"):
		return OfFrequency
	case n == "t", strings.HasPrefix(n, "time"), strings.HasPrefix(n, "zeit"), strings.HasPrefix(n, "elapsed"),
		n == "temps", n == "tiempo", n == "seconds", n == "sec":
		return OfTime
	}
	return ""
}

// milliHertz reports a heading or unit that counts in "mHz" or "mhz", which could be milli.
func milliHertz(text string) bool {
	return strings.Contains(strings.ToLower(text), "mhz") && !strings.Contains(text, "MHz") &&
		!strings.Contains(text, "MHZ") && !strings.Contains(text, "Mhz")
}
