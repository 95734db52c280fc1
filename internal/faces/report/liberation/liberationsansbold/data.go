// Package liberationsansbold holds the face Liberation Sans Bold.
package liberationsansbold

import _ "embed"

// TTF is the face as a TrueType file.
//
//go:embed LiberationSans-Bold.ttf
var TTF []byte
