// Package design computes an injection clamp before it is wound: what it would give in the jig and
// cost in forward power, what flux and heat its core would see, and which winding and stack suits a
// band and a current. It reads the clamp's part file and opens no file itself.
//
// The model is that of twoport.Clamp. The core counts as linear: figures say where that ends (flux
// density against saturation) and not what happens beyond. Amplitudes are r.m.s., flux densities
// peak; the crest of a modulation is said where it enters.
package design
