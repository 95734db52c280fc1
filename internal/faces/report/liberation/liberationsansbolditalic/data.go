// Package liberationsansbolditalic stands for a face that the report does not use.
package liberationsansbolditalic

import "codeberg.org/go-fonts/liberation/liberationsansbold"

// TTF is another face of the family.
var TTF = liberationsansbold.TTF
