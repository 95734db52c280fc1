// Package liberationserifitalic stands for a face that the report does not use.
package liberationserifitalic

import "codeberg.org/go-fonts/liberation/liberationsansregular"

// TTF is another face of the family.
var TTF = liberationsansregular.TTF
