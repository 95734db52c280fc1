// Package remedy says what a part on the cable or at its connector would do to the current that
// upsets the product, and which of the user's parts, together, would give the decibels that are
// missing. It works on a cable of package cable, as modelled or as estimated from a run, and opens no
// file.
//
// The current that counts is that into the product's circuit. The product is a circuit behind the
// connector, and a chassis that is joined to the reference plane by a bond or only by its
// capacitance: a capacitor or filter leads current past the circuit into the chassis, a ferrite or
// choke lets less current come.
//
// An effect is told in two ways, because it is measured in two ways:
//
//   - for the same drive: how much less current reaches the circuit while the forward power stays as
//     it was. It is what a laboratory sees that replays a calibration.
//   - for the same probe current: how much less current reaches the circuit while the level at the
//     monitoring probe is brought back to what it was. It is what a closed-loop exposure shows, and
//     what the onset (a probe current) rises by. A ferrite on a cable that is short against the
//     wavelength has none: the loop just drives harder.
//
// A positive effect is an improvement. Effects are not clipped: a part that resonates makes the
// current larger, and that is a negative effect. Every prediction has a band from the cables that lie
// within the spread of its figures; the search itself ranks by the middle and bands are given for
// what it ranks first.
package remedy
