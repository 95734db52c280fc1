// Package tracking follows the onset of a product at one frequency while the product is changed: where the next
// exposure goes, what the onset is now with its limits, whether the product is deterministic or random and why, and
// whether it has changed. It knows no frequency, no current and no plan; a level is a number of decibel on one scale.
// Package threshold has the statistics of a product that stays as it is.
//
// What is believed between exposures is a table of probabilities over the onset and its spread. A change is looked for
// as in R. P. Adams and D. J. C. MacKay, "Bayesian online changepoint detection", arXiv:0710.3742 (2007): beside the
// product as it is there is, before every exposure, one that has just changed, with a probability of Hazard; what the
// exposures say moves the weights. It is noticed when the weight of the products younger than the present one passes
// Noticed. Nothing is drawn at random.
package tracking
