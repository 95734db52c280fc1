package catalog

import (
	"reflect"

	"provoke/internal/files/document"
)

// Keys lists the keys of a bench file from what the decoder takes.
func Keys() []document.Key { return document.Keys(&benchFile{}, taken) }

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
