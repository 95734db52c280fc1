// Package evidence says what the runs of a job show about the cause of each failing band: whether
// the fundamental or a harmonic upset the product, whether the cable resonates or the product is
// sensitive there, whether the auxiliary equipment was the victim, and what of the modulation did it.
// It compares only what was measured (and, for harmonics, what the amplifier's data or the user say),
// and each line says what was compared and how strong it is. What nothing bears on has no line.
//
// It stands after analysis; report and the command explain print it. It reads runs of one state of
// the product only: from the last change before the run that is explained to the next one after it.
//
// Strength comes from the distance in dB between what was compared and where it would say the
// opposite: Strong from 10 dB, Moderate from 6 dB, Weak from 3 dB; below that there is no line. A
// yes or no of a control run is Strong. What rests on data and not on a measurement is never more
// than Moderate for the harmonic.
package evidence
