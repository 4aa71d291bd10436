// Package review owns what becomes of runs after their steps are done: who submits, returns, reviews, approves, corrects, replaces and
// archives them, and by which rules. It is a view of the journal: what it knows is what the entries add up to. Whoever acts takes its one
// token, names the last entry of the run that they saw, and is refused where the run has moved since, where its state forbids the act, or
// where they performed what they would review. Nothing is decided twice, and nothing that was recorded is altered: a correction is an entry
// of its own, with the results before and after it.
//
// How results are worked out anew is gateway/procedure's business, who somebody is gateway/access's, and what a signature says
// gateway/signature's: the wiring brings all three. That a failed check throws doubt on a weighing is known by gateway/fitness.
//
// reviews.json beside the journal holds what is known. It can be deleted at any time.
package review
