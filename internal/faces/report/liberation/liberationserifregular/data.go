// Package liberationserifregular stands for a face that the report does not use.
package liberationserifregular

import "codeberg.org/go-fonts/liberation/liberationsansregular"

// TTF is another face of the family.
var TTF = liberationsansregular.TTF
