// Package liberationsansregular holds the face Liberation Sans Regular.
package liberationsansregular

import _ "embed"

// TTF is the face as a TrueType file.
//
//go:embed LiberationSans-Regular.ttf
var TTF []byte
