package curve

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"provoke/internal/units/rf"
)

// The quantities of a column.
const (
	frequencyQuantity = "frequency"
	gainQuantity      = "gain"
	powerQuantity     = "power"
	voltageQuantity   = "voltage"
	currentQuantity   = "current"
	impedanceQuantity = "transfer impedance"
)

// wantUnits says, for a hint, how a column of each quantity may be headed.
var wantUnits = map[string]string{
	frequencyQuantity: `write for example "f/MHz", with Hz, kHz, MHz or GHz`,
	gainQuantity:      `write for example "gain/dB"`,
	powerQuantity:     `write for example "P/dBm", with dBm, dBW, W or mW`,
	voltageQuantity:   `write for example "U/dBµV", with dBµV, dBmV, V, mV or Vpp`,
	currentQuantity:   `write for example "I/mA", with A, mA, µA or dBµA`,
	impedanceQuantity: `write for example "Zt/dBΩ", with Ω, mΩ, dBΩ or dBS`,
}

// QuantityOf names the quantity of a curve's values: "gain", "power", "voltage", "current" or "transfer
// impedance".
func QuantityOf[V Value]() string {
	return map[string]string{
		"": gainQuantity, "W": powerQuantity, "V": voltageQuantity, "A": currentQuantity, "Ω": impedanceQuantity,
	}[symbol[V]()]
}

// Headed says, for a hint, how a column of a quantity may be headed.
func Headed(quantity string) string { return wantUnits[quantity] }

// In returns x in a unit as a value that a curve can hold, which has a finite number of decibel.
func In[V Value](x float64, unit string) (v V, err error) {
	switch p := any(&v).(type) {
	case *rf.Gain:
		*p, err = rf.ParseGain(strconv.FormatFloat(x, 'g', -1, 64) + " " + unit)
	case *rf.Power:
		*p, err = rf.InUnit[rf.Watt](x, unit)
	case *rf.Voltage:
		*p, err = rf.InUnit[rf.Volt](x, unit)
	case *rf.Current:
		*p, err = rf.InUnit[rf.Ampere](x, unit)
	case *rf.Transimpedance:
		*p, err = rf.InUnit[rf.Ohm](x, unit)
	}
	if db := toDB(v); err == nil && (math.IsNaN(db) || math.IsInf(db, 0)) {
		err = fmt.Errorf("%g %s has no finite number of decibel", x, unit)
	}
	return v, err
}

// decibelUnits are written in any case by instruments and spreadsheets; no two of them differ by case
// alone.
var decibelUnits = map[string]string{
	"db": "dB", "dbm": "dBm", "dbw": "dBW", "dbmw": "dBmW", "dbuw": "dBµW",
	"dbuv": "dBµV", "dbmv": "dBmV", "dbv": "dBV",
	"dbua": "dBµA", "dbma": "dBmA", "dba": "dBA",
	"dbohm": "dBΩ", "dbohms": "dBΩ", "dbs": "dBS",
}

// recogniseUnit returns the canonical spelling of a unit and the quantity it belongs to; both are empty
// for what is no unit. The case of a frequency's unit is taken lightly except for a small m, which
// would be milli.
func recogniseUnit(s string) (unit, of string) {
	s = strings.TrimSpace(s)
	folded := strings.NewReplacer("µ", "u", "μ", "u", "ω", "ohm", " ", "").Replace(strings.ToLower(s))
	switch folded {
	case "hz", "khz", "ghz":
		return map[string]string{"hz": "Hz", "khz": "kHz", "ghz": "GHz"}[folded], frequencyQuantity
	case "mhz":
		if s[0] == 'M' {
			return "MHz", frequencyQuantity
		}
		return "", ""
	}
	if u, ok := decibelUnits[folded]; ok {
		s = u
	}
	if s == "dB" {
		return s, gainQuantity
	}
	s = strings.NewReplacer("μ", "µ", "\u2126", "Ω", "ohms", "Ω", "ohm", "Ω", "Ohms", "Ω", "Ohm", "Ω", "OHM",
		"Ω").Replace(s)
	if rest, ok := strings.CutPrefix(s, "u"); ok {
		s = "µ" + rest
	}
	if _, err := rf.InUnit[rf.Watt](1, s); err == nil {
		return s, powerQuantity
	}
	if _, err := rf.InUnit[rf.Volt](1, s); err == nil {
		return s, voltageQuantity
	}
	if _, err := rf.InUnit[rf.Ampere](1, s); err == nil {
		return s, currentQuantity
	}
	if _, err := rf.InUnit[rf.Ohm](1, s); err == nil {
		return s, impedanceQuantity
	}
	return "", ""
}

// decibelRelativeTo matches the long forms "dB(µA)", "dB(1 µA)" and "dB re 1 µA".
var decibelRelativeTo = regexp.MustCompile(
	`(?i)dB\s*(?:\(\s*(?:re\s*)?(?:1\s*)?([^()\s]*)\s*\)|re\.?\s*1?\s+([^\s\])}]+))`)

// splitHeading finds the unit in a heading: in brackets, after a slash, after "in", or as the last word.
// As the last word one Latin letter is no unit: "probe A" is not in ampere.
func splitHeading(text string) (name, unit, of string) {
	outer := strings.TrimSpace(text)
	if m := decibelRelativeTo.FindStringSubmatchIndex(outer); m != nil {
		long := outer[m[0]:m[1]]
		short := decibelRelativeTo.ReplaceAllString(long, "dB$1$2")
		if u, _ := recogniseUnit(short); u != "" {
			outer = outer[:m[0]] + u + outer[m[1]:]
		}
	}
	for n := len(outer); n > 0 && strings.IndexByte(")]}", outer[n-1]) >= 0; n = len(outer) {
		i := strings.LastIndexAny(outer, "([{")
		if i < 0 {
			break
		}
		if unit, of = recogniseUnit(outer[i+1 : n-1]); unit != "" {
			return strings.TrimSpace(outer[:i]), unit, of
		}
		outer = strings.TrimSpace(outer[:i])
	}
	for _, at := range []string{"/", " in "} {
		if i := strings.LastIndex(outer, at); i >= 0 {
			if unit, of = recogniseUnit(outer[i+len(at):]); unit != "" {
				return strings.TrimSpace(outer[:i]), unit, of
			}
		}
	}
	i := strings.LastIndexAny(outer, " \t_") + 1
	if word := outer[i:]; len(word) > 1 {
		if unit, of = recogniseUnit(word); unit != "" {
			return strings.TrimRight(outer[:i], " \t_,:"), unit, of
		}
	}
	return outer, "", ""
}

// RecogniseUnit returns the usual spelling of a unit of frequency, gain, power, voltage, current or
// transfer impedance, and the name of that quantity; both are empty for what is none of them. A
// small m before Hz is not taken: it would be milli.
func RecogniseUnit(text string) (unit, quantity string) {
	if strings.TrimSpace(text) == "" {
		return "", ""
	}
	return recogniseUnit(text)
}

// SplitHeading splits the heading of a column into its name, the unit in it and the quantity of
// that unit; the latter two are empty where it has none.
func SplitHeading(text string) (name, unit, quantity string) { return splitHeading(text) }
