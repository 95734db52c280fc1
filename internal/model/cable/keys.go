package cable

import (
	"reflect"

	"provoke/internal/files/document"
)

// Keys lists the keys of a cable file from what the decoder takes. A part is told once, by PartKeys.
func Keys() []document.Key {
	return document.Keys(&file{}, func(t reflect.Type) string {
		switch t {
		case reflect.TypeFor[partFile]():
			return "a part"
		case reflect.TypeFor[Band]():
			return "LOW to HIGH in Hz"
		}
		return ""
	})
}

// PartKeys lists the keys of a part.
func PartKeys() []document.Key {
	return document.Keys(&partFile{}, func(reflect.Type) string { return "" })
}
