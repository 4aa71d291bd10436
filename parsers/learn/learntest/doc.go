// Package learntest makes up balances that never existed, with what each of their lines truly says.
//
// New designs a balance from a seed: how it writes numbers, units, marks and words, in which order and columns, how its
// lines begin and end, what it adds to them. It then puts loads on that balance and writes down every print twice: as the
// bytes that come out of it, and as the Truth, taken from the state that the print was made from. No parser of ours has a
// part in it, so that the truth can judge them.
//
//	b := learntest.New(7, learntest.Options{Lines: 10, Further: 30})
//	sample, pauses := b.Sample()       // what a person captured
//	for _, f := range b.Frames { … }   // the sample first, then lines that were never shown
//
// The designs go beyond what a layout can describe. Such a balance has Cannot set: any reading that differs from the truth
// is a wrong weight, and the right outcome is that its lines stay unread.
//
// What the bytes of a sample can tell is judged from the same state (see Tells): a mark that nobody has heard of means
// something only where the sample shows it beside loads that move and loads that rest.
//
// All designs are drawn at random from what the trade has in common: no maker's format is among them on purpose.
package learntest
