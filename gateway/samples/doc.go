// Package samples knows samples before they are weighed: which were announced, by whom and with what, at which balance one is held
// now, and when one was weighed at a balance last. Balances ask it whether a sample that is scanned is one to be expected.
//
// What was announced is in the journal, as entries of the kind sample-announced, and nowhere else: the room reads them, one after the
// other, and keeps what they add up to in memory. So that a start need not read a journal of millions, it now and then writes down what
// it knows, with the sequence and the id of the entry that it had come to, in samples.json beside the journal. That file can be deleted
// at any time: without it, or where it belongs to another journal, all of the journal is read, in the background. Until that is done
// nobody is told that a sample is not known: whoever asks is told to ask again.
//
// What is held where is no entry of its own, and is forgotten at the stop, as contexts are.
package samples

import "time"

const (
	// Most is how many samples are known at a time. Those that have expired make room for new ones.
	Most = 200_000
	// mostWeighed is of how many pairs of balance and sample it is known when they were weighed, and remembered for how long.
	mostWeighed = 100_000
	remembered  = 31 * 24 * time.Hour
	// MostAtOnce is how many samples one request may announce.
	MostAtOnce = 10_000
)
