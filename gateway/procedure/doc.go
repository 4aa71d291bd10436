// Package procedure is one procedure and one run of it, pure: no disk, no clock, no journal, no network.
//
// A Definition is what a lab writes, in YAML or with the cards of a form; Parse reads it and finds every mistake. A Run is one execution of
// it. A run is nothing but its entries: Weighed, Act and Pass decide what an event means and give the steps to be recorded, and change
// nothing; Apply takes a step that is in the journal, and is the only way in which a run moves on. So a run that a crash, a lost port or the
// end of a shift cut off is where its entries say that it is, and the same entries give the same run for ever.
package procedure
