// Package checks is how a balance is checked with reference weights: what a check is made of, the one instruction that a person
// follows next, which settled readings are taken, and what is said of them at the end. It is pure: events go in, instructions and
// attempts come out; it has no clock, no journal and no balance of its own, and who runs a check gives it the time with each reading.
//
// A check never takes a number that it doubts: a reading far from what the weight should give is asked about. Every attempt is
// handed out to be recorded, also one that does not count.
//
// A check supports the calibration of a balance by a competent body and never replaces it.
package checks
