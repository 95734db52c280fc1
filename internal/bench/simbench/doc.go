// Package simbench is one physical bench made of numbers: generator, amplifier, injection clamp,
// cable over a plane, monitoring probe, analyser, power meter, meter, interlock, and an invented
// product on the cable (a conveyor belt weigher). All of them share one plant. Each has a face of
// its own that speaks SCPI over TCP or in process, and a further face, "hand", stands for what a
// person does at the bench.
//
// It is not a model that the rest of the program computes with: it imports only rf and curve of
// this program and brings its own physics and its own SCPI parser, because a simulator that
// computes with the tool's formulas agrees with the tool's bugs. It records every rating that was
// exceeded (an amplifier input over its rating is destroyed and stays so), the highest current
// that was ever on the cable, and it knows the truth about the product's thresholds.
//
// Everything is phasors in closed form and first-order states advanced on demand: there is no
// background computation, only one ticker for each connection to the product's text output.
// The whole package's formulas and symbols: amplitudes r.m.s., exp(+jωt), SI units.
package simbench
