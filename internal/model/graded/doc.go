// Package graded estimates where a reading of the product would leave its tolerance, from how far it moves at levels
// that the product stands. It knows no plan and no monitor: a level is a number of decibel, a shift a number of
// tolerances.
//
// The model of one monitor in one band: a level x, in dB of current, makes u = 10^(p(x−a)/20), and the reading moves by
// u tolerances, less where it saturates, S(1−exp(−u/S)), or where a second effect works against the first, u − u²/4P,
// which never moves it by more than P in its first direction. The amplitude a is of each frequency, the exponent p and
// what bends the curve are of the band: a rectifying junction gives p = 2 as long as it is not driven hard (square law;
// common knowledge of electronics, no single source), so that is what is believed most before anything was read. What
// is believed of p and the bend is a table of probabilities (Bayes' rule), and an estimate is the mixture of what its
// cells say. The prior weights are our own choice; the tests simulate what they are good for.
package graded
