package analysis

import (
	"reflect"

	"provoke/internal/files/document"
)

// LaboratoryKeys lists the keys of a laboratory's report from what the decoder takes.
func LaboratoryKeys() []document.Key {
	return document.Keys(&labFile{}, func(reflect.Type) string { return "" })
}
