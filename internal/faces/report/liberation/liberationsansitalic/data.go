// Package liberationsansitalic stands for a face that the report does not use.
package liberationsansitalic

import "codeberg.org/go-fonts/liberation/liberationsansregular"

// TTF is another face of the family.
var TTF = liberationsansregular.TTF
