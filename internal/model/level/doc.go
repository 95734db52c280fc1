// Package level says what is asked for: the level profiles of the standards as data with their
// source and confidence, what a level means (modulation and its convention), and the frequencies
// at which it is asked (grids and the step rules of the standards). It does not know any bench.
//
// Where the figures come from. Only the currents of 14 CFR Part 25 Appendix L, equipment level 1,
// were read in the rule's own text. The figures of IEC 61000-4-6, ISO 11452-1 and 11452-4, UN R10,
// MIL-STD-461 CS114, RTCA DO-160 section 20 and the generic and product standards are recalled:
// each profile and step rule says so in Confidence, has Verified false, and is shown with the mark
// Unverified wherever it is used. Whoever tests to a standard compares with the bought text first.
//
// The relations that are only arithmetic are tested as such: an e.m.f. U0 behind 150 Ω drives
// U0/300 through a matched loop, a clamp may drive U0/150 at most, and a 50 Ω meter behind the
// 150-to-50 Ω adaptor reads U0/6 (IEC 61000-4-6).
package level
