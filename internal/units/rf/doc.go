// Package rf holds the quantities of radio-frequency work: frequencies, levels, gains and the
// scalars that a bench is described with. It parses them as an engineer writes them and prints
// them with their units. It holds no model of anything and imports nothing of this program; every
// other package stands on it.
//
// Levels are points, gains are distances. A level (Power, Voltage, Current, Transimpedance) is an
// opaque value: level minus level is a Gain, level plus Gain is a level, and level plus level does
// not compile. The zero value of a level is absent, never 0 dBm; NaN becomes absent. Off (nothing
// at all), absent (not known) and "at most X" (below a floor) are three different values. A
// comparison with a limit fails closed: see Level.Exceeds.
//
// All amplitudes are r.m.s. unless the text says peak or peak-to-peak. This package is the one
// place in the program that knows whether a unit takes ten or twenty times the logarithm.
package rf
