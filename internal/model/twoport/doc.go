// Package twoport is the mathematics of RF networks between two pairs of terminals: ABCD matrices
// and one-ports over frequency, and the parts that stand on a cable under test: line over a plane,
// ferrite, capacitor with its parasitics, common mode choke, LISN, measured Touchstone parts, injection
// clamp and monitoring probe. It knows no
// bench, no file and no product; what is on a cable in which order is said by package cable.
//
// It stands after touchstone in the flow. Formulas are those of the textbooks of line and circuit
// theory; where a formula has a source that matters it is named beside it.
//
// Conventions: amplitudes r.m.s., time factor exp(+jωt), so that a lossy inductor has a positive
// real part and a lossy core the permeability µ′ − jµ″; impedances as complex128 in ohm,
// admittances in siemens, frequencies in hertz. An infinite impedance is Open. The chain matrix is
//
//	[V1]   [A B] [ V2]
//	[I1] = [C D] [ I2]   with I2 flowing out of port 2, into what follows.
//
// A part fills whole slices over a Grid (OnePort, TwoPort), so that its parameters are looked at
// once and the loop over frequency allocates nothing. A part whose figures are impossible (a height
// below the wire's radius, a negative loss, a permeability that is not tabulated) returns an error
// that says what, where and what to do; it never returns NaN.
//
//	g, err := twoport.NewGrid(frequencies)
//	path := twoport.Path{
//		DUT: twoport.SeriesOf{twoport.Resistor(10), twoport.Capacitor{Farad: 150e-12}},
//		ToDUT: []twoport.TwoPort{ // from the end toward the clamp
//			twoport.Line{Impedance: 234.5, Length: 0.05},
//			twoport.Series{Z: twoport.Resistor(0.5)}, // the monitoring probe
//			twoport.Line{Impedance: 234.5, Length: 0.25},
//		},
//		AE: twoport.Resistor(150), ToAE: []twoport.TwoPort{twoport.Line{Impedance: 234.5, Length: 0.7}},
//		Clamp: twoport.Clamp{...},
//	}
//	var s twoport.Solution
//	err = path.Solve(g, &s) // currents per volt of source e.m.f. at DUT, taps, clamp and AE
package twoport
