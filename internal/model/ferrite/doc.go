// Package ferrite reads what is known of magnetic cores: the table of complex permeability of a
// material (a CSV file of the user's own), what limits it, and the shape of a core as it stands in a
// part file. It computes nothing; package twoport does. It stands after document, and the commands
// that design a clamp, decouple a cable or look for a remedy read their cores with it.
//
// A table is text, one row per frequency, columns separated by semicolon, tab or comma:
//
//	# invented, for demonstration
//	f/MHz;µ′;µ″
//	0.15;640;3
//	10;240;300
//	30;-;180
//
// A cell that is empty or a dash is not tabulated: it is unknown, never zero.
package ferrite
