package catalog

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/units/rf"
)

// Keys lists the keys of a bench file from what the decoder takes.
func Keys() []document.Key {
	keys := document.Keys(&benchFile{}, taken)
	for i := range keys {
		if keys[i].Path == "monitors[].every" {
			keys[i].Says += "; default " + usualPeriods()
		}
	}
	return keys
}

// usualPeriods words how often the kinds of monitors ask.
func usualPeriods() string {
	kinds := map[rf.Duration][]string{}
	for _, k := range monitorKinds {
		kinds[k.period] = append(kinds[k.period], string(k.kind))
	}
	delete(kinds, 0)
	var out []string
	for _, period := range slices.Sorted(maps.Keys(kinds)) {
		out = append(out, fmt.Sprintf("%v (%s)", period, strings.Join(kinds[period], ", ")))
	}
	return strings.Join(out, ", ")
}

// MonitorKeys lists the kinds of monitors with the keys that each of them needs and may have.
func MonitorKeys() []document.Key {
	var out []document.Key
	for _, k := range monitorKinds {
		takes := "may have " + strings.Join(k.may, ", ")
		if k.must != nil {
			takes = "needs " + strings.Join(k.must, ", ") + "; " + takes
		}
		out = append(out, document.Key{Path: "kind: " + string(k.kind), Takes: takes, Says: k.does})
	}
	return out
}

// CurveKeys lists the keys of a curve that is written as a mapping.
func CurveKeys() []document.Key {
	return document.Keys(&gainFile{}, func(t reflect.Type) string {
		if t == reflect.TypeFor[bandFile]() {
			return taken(t)
		}
		return ""
	})
}

// UncertaintyKeys lists the keys of an uncertainty that is written as a mapping.
func UncertaintyKeys() []document.Key {
	return document.Keys(&uncertaintyFile{}, func(reflect.Type) string { return "" })
}

// taken words the values that only a bench file has.
func taken(t reflect.Type) string {
	switch t {
	case reflect.TypeFor[gainFile]():
		return "a curve in dB"
	case reflect.TypeFor[powerFile]():
		return "a curve in dBm"
	case reflect.TypeFor[impedanceFile]():
		return "a curve in Ω or dBΩ"
	case reflect.TypeFor[bandFile]():
		return "LOW to HIGH in Hz"
	case reflect.TypeFor[SourceLevel]():
		return "dBm or Vpp, as it shows it"
	case reflect.TypeFor[toleranceFile]():
		return "a number with the unit of what is watched"
	case reflect.TypeFor[uncertaintyFile]():
		return "one text with U and k, or a mapping"
	case reflect.TypeFor[matchFile]():
		return "a ratio: 1.5:1"
	}
	return ""
}
