// Package cable is the cable under test: a wire or bundle over the reference plane, from the DUT's
// connector to the auxiliary equipment (AE), with the injection clamp, the monitoring probe and
// whatever else is on it. It reads the cable's file, computes the current everywhere on the cable and
// against the calibration jig, names the resonances, estimates a cable from a measured run, and judges
// the decoupling toward the AE. The network mathematics is package twoport's; materials and cores are
// read by package ferrite. It opens no file, and knows no bench and no job.
//
// Places on the cable are distances from the DUT's connector. The clamp is an e.m.f. and an impedance
// in the wire: the same current leaves it on both sides, and what differs is what arrives. Currents
// are r.m.s., at the forward power of the file.
//
// The model is a uniform line: it holds for heights well below a tenth of the wavelength (Above says
// where that ends), and every figure from it is an estimate of a cable that is never quite so.
package cable
