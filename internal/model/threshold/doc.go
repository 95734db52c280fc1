// Package threshold is the statistics of a threshold that is random: near onset an upset has a
// probability, and one exposure proves little. It holds the rules that place the next exposure
// (up-and-down, transformed and weighted staircases, placement by maximum likelihood), the estimates
// from exposures (Dixon and Mood; probit and logistic fits with limits), what trials without an upset
// show, and how long a dwell must be. It knows no frequency, no current and no plan: package plan
// asks it where to expose next, package analysis what the exposures show, so it stands before both.
//
// A level is a number of decibel on any one scale (offsets of a plan, dBµA); the estimates hold for
// any scale on which the spread is even. Nothing here is drawn at random.
package threshold
