package driver

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"provoke/internal/bench/scpi"
	"provoke/internal/units/rf"
)

// place is where a number goes in a command: {} in the unit that the verb counts in, {MHz} in another.
var place = regexp.MustCompile(`\{([^{}]*)\}`)

// scaled splits a unit with a factor before it, "0.01 dBm" or "0.001" alone, into both.
func scaled(unit string) (factor float64, rest string) {
	first, rest, _ := strings.Cut(unit, " ")
	if f, err := scpi.ParseNumber(first); err == nil && f > 0 {
		return f, strings.TrimSpace(rest)
	}
	return 1, unit
}

// scales are the units that a verb's number may be written in, as factors of its own unit. A unit of
// time for a rate is its period.
var scales = map[string]map[string]float64{
	"Hz": {"": 1, "Hz": 1, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9},
	"%":  {"": 1, "%": 1, "ratio": 100},
	"s":  {"": 1, "s": 1, "ms": 1e-3, "µs": 1e-6, "us": 1e-6},
	"dB": {"": 1, "dB": 1},
	"":   {"": 1},
}

// countsOf returns what a verb's number counts in; "level" for one that is a level.
func countsOf(v Verb) string {
	switch Verb(strings.TrimSuffix(string(v), "?")) {
	case Frequency, AMRate, PulseRate, Bandwidth, Span, MarkerFrequency, "trace start", "trace stop":
		return "Hz"
	case AMDepth, PulseDuty:
		return "%"
	case PulseWidth, Interval, MeasuringTime:
		return "s"
	case Attenuation:
		return "dB"
	case ReferenceLevel:
		return "level"
	}
	return ""
}

// isRate reports a verb whose number may be written as a period.
func isRate(v Verb) bool {
	w := Verb(strings.TrimSuffix(string(v), "?"))
	return w == AMRate || w == PulseRate
}

// written turns a number of a verb into what a command holds in a unit.
func written(v Verb, unit string, x float64) (float64, error) {
	if factor, rest := scaled(unit); rest != unit {
		y, err := written(v, rest, x)
		return y / factor, err
	}
	counts := countsOf(v)
	if counts == "level" {
		return levelIn(x, unit)
	}
	if f, ok := scales[counts][unit]; ok {
		return x / f, nil
	}
	if f, ok := scales["s"][unit]; ok && unit != "" && isRate(v) {
		if x == 0 {
			return 0, fmt.Errorf("a rate of 0 Hz has no period")
		}
		return 1 / x / f, nil
	}
	return 0, fmt.Errorf("%q cannot be written in %q", v, unit)
}

// readBack is the way back.
func readBack(v Verb, unit string, x float64) (float64, error) {
	factor, unit := scaled(unit)
	x *= factor
	counts := countsOf(v)
	if f, ok := scales[counts][unit]; ok {
		return x * f, nil
	}
	if f, ok := scales["s"][unit]; ok && unit != "" && isRate(v) && x != 0 {
		return 1 / (x * f), nil
	}
	return 0, fmt.Errorf("%q is not answered in %q", v, unit)
}

// levelIn writes a level in dBm in another unit, into 50 Ω.
func levelIn(dbm float64, unit string) (float64, error) {
	p := rf.DBm(dbm)
	switch unit {
	case "", "dBm":
		return dbm, nil
	case "dBµV", "dBuV":
		return rf.VoltageAcross(p, rf.Z0).DB() + 120, nil
	case "V", "Vrms":
		return rf.VoltageAcross(p, rf.Z0).SI(), nil
	case "mV":
		return rf.VoltageAcross(p, rf.Z0).SI() * 1e3, nil
	case "Vpp":
		return rf.VoltageAcross(p, rf.Z0).SI() * 2 * math.Sqrt2, nil
	}
	return 0, fmt.Errorf("a level cannot be written in %q", unit)
}

// reading turns an answer that counts in a unit into a power into 50 Ω.
func reading(x float64, unit string) (rf.Power, error) {
	factor, unit := scaled(unit)
	x *= factor
	switch unit {
	case "", "dBm":
		return rf.DBm(x), nil
	case "Vrms":
		unit = "V"
	}
	if p, err := rf.InUnit[rf.Watt](x, unit); err == nil {
		return p, nil
	}
	v, err := rf.InUnit[rf.Volt](x, unit)
	if err != nil {
		return rf.Power{}, fmt.Errorf("a reading of %v %s is no level: %w", x, unit, err)
	}
	return rf.PowerInto(v, rf.Z0), nil
}

// levelOf turns the number of an answer into a level: by the verb's own factor and the table's unit.
func (t Table) levelOf(v Verb, x float64) (rf.Power, error) {
	x, err := t.answered(v, x)
	if err != nil {
		return rf.Power{}, err
	}
	return reading(x, t.ReadsIn)
}

// readingUnits are the units that a table's readings may count in.
var readingUnits = []string{"dBm", "dBµV", "dBmV", "W", "mW", "µW", "V", "Vrms", "mV", "Vpp"}

// fill writes a number into a command.
func (t Table) fill(v Verb, x float64) string {
	return place.ReplaceAllStringFunc(t.Commands[v], func(m string) string {
		y, err := written(v, strings.Trim(m, "{}"), x)
		if err != nil {
			return m // Check refuses such a command before it is ever sent
		}
		return t.number(y)
	})
}

// number writes a number as the instrument reads it.
func (t Table) number(x float64) string { return t.withSign(decimal(x)) }

func (t Table) withSign(number string) string {
	if t.MessageComma {
		return strings.Replace(number, ".", ",", 1)
	}
	return number
}

// answered turns the number of an answer into the verb's own unit.
func (t Table) answered(v Verb, x float64) (float64, error) {
	unit, ok := t.AnswersIn[v]
	if !ok {
		return x, nil
	}
	return readBack(v, unit, x)
}

// points is one period of a sine between −1 and +1 as instruments take it for an arbitrary modulating
// waveform.
func (t Table) points() string {
	const n = 100
	out := make([]string, n)
	for i := range out {
		out[i] = strconv.FormatFloat(math.Round(1e4*math.Sin(2*math.Pi*float64(i)/n))/1e4, 'f', -1, 64)
	}
	return strings.Join(out, ",")
}
