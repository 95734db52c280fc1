// Package liberationserifbolditalic stands for a face that the report does not use.
package liberationserifbolditalic

import "codeberg.org/go-fonts/liberation/liberationsansbold"

// TTF is another face of the family.
var TTF = liberationsansbold.TTF
