// Package liberationmonobolditalic stands for a face that the report does not use.
package liberationmonobolditalic

import "codeberg.org/go-fonts/liberation/liberationmonoregular"

// TTF is another face of the family.
var TTF = liberationmonoregular.TTF
