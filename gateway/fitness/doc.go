// Package fitness knows whether a balance may be used, and with which reference weights it is held to that: the register of weights,
// the file of each balance (checks, adjustments, moves, repairs, calibrations), when its next check is due, its state, what a failed check
// throws doubt on, and the minimum weight in force.
//
// All of it is in the journal, as entries of the kinds that gateway/record/weights.go, checks.go and fitness.go tell of, and nowhere
// else: the room reads them one after the other. So that a start need not read a journal of millions, it now and then writes down what it
// knows in fitness.json beside the journal; that file can be deleted at any time. A balance changes its state by an entry and in no other
// way, also where the schedule is what changes it.
//
// A balance that has only a serial line cannot be locked. Out of service means that its records say so, that they are marked, held or
// refused as the lab's policy says, and that the screens say it large.
package fitness
