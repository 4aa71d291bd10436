// Package statistics gathers the results of runs from their entries, and computes over them. It is pure: entries in, numbers out; no disk, no
// clock.
//
// What counts is a result as it stands: after every correction, as it is reported, with the digits that were reported. Runs that were
// abandoned or replaced do not count, and their number is said; so are excluded weighings, results without a number, and values
// outside their limits, which do count. A result is never converted: results of another unit are a group of their own. Arithmetic is exact
// (gateway/metrology); only the text of a number is rounded.
package statistics
