package driver

import (
	"reflect"

	"provoke/internal/files/document"
)

// TableKeys lists the keys of a file with a command table from what the decoder takes.
func TableKeys() []document.Key {
	return document.Keys(&tableFile{}, func(reflect.Type) string { return "" })
}
