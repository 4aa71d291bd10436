// Package charts makes control charts of what checks found: one series for each definition and result, in phases that begin anew after
// something was done to the balance, with the limits of the definition, the limits that the balance itself shows, what patterns of points
// say, and where a drift leads. It is pure: entries go in, numbers and words come out; it has no clock, no disk and no balance.
//
// Every check that ended with results is a point, and stays one: a check before an adjustment that failed is the last point of its phase,
// whatever the check after it found.
//
// Charts use float64. They are pictures and signals: what is printed of a point are the digits of its entry.
//
// A chart supports the judgement of whoever answers for a balance. It is no calibration, and its silence is no proof of fitness.
package charts
