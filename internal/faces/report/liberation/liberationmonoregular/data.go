// Package liberationmonoregular holds the face Liberation Mono Regular.
package liberationmonoregular

import _ "embed"

// TTF is the face as a TrueType file.
//
//go:embed LiberationMono-Regular.ttf
var TTF []byte
