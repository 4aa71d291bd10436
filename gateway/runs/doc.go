// Package runs is a view of the journal: the versions of procedures, the runs of them that are open and those that have ended, and what runs
// are about: requests, containers, slips. What it knows is what the entries add up to. Whoever changes something takes the view's one token,
// decides upon all that was done before, appends, and waits until that is known here: so nothing is decided twice, and a crash between deciding
// and recording leaves nothing behind.
//
// What a step of a run means is gateway/procedure's business; what a balance is, and what it shows, is the wiring's, which gives it as Lab. A
// weighing that carries the id of an open run is given to that run in the order of the journal, once: a weighing that no run-step names yet waits,
// also over a crash, until the step is in the journal that does.
//
// runs.json beside the journal holds what is known, open runs as their entries. It can be deleted at any time.
package runs
