// Package jig says what a monitoring probe and an injection clamp are, from measurements in a
// calibration jig: sweeps of a network analyser, or calibration runs of a bench. It gives curves that
// a bench file takes, with their source and hash, and how well they repeat.
//
// It stands after result (a calibration run is one) and before report; it opens no file. What the
// figures mean on a cable is told by chain and cable.
//
// Conventions: the jig is closed with 50 Ω at its ends. A probe's transfer impedance is its voltage
// into 50 Ω over the current through it. A clamp's insertion loss is the drop from the forward power
// at its connector to the power in one 50 Ω end of the jig. Networks at other references are
// renormalised to 50 Ω first.
package jig
