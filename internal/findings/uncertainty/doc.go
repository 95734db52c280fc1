// Package uncertainty says how well a number is known: the GUM's law of propagation (JCGM 100) with
// degrees of freedom and coverage factor, Monte Carlo after JCGM 101 where that law does not hold,
// and the budget of the current that a bench injects. It stands beside the numbers of chain and
// analysis and changes none of them; budget, findings and report print what it gives.
//
// A Budget is a sum of inputs, each with a sensitivity. Inputs and result count in the budget's unit
// (the bench's budgets count in dB, where the equation of the chain is a sum).
//
// Chance comes from a seeded math/rand/v2 source that the caller hands in, so the same seed gives
// the same figures.
package uncertainty
