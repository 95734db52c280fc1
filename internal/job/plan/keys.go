package plan

import (
	"reflect"

	"provoke/internal/files/document"
)

// Keys lists the keys of a plan file from what the decoder takes, with the defaults that it starts from.
func Keys() []document.Key {
	r := reader{plan: &Plan{}}
	r.defaults()
	return document.Keys(&r.file, func(t reflect.Type) string { return "" })
}
