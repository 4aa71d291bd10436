package review

import (
	"slices"

	"weighpost/gateway/record"
)

// Flags of a run: what somebody who reviews it has to look at. A run without any may be approved together with others, where the lab allows
// that. They are words of ours, made of entries alone; which of them matter is for whoever reviews to say.
const (
	FlagVerdict    = "not passed"             // as it stands: warned, failed, not judged
	FlagAbandoned  = "abandoned"              // it has no results
	FlagExcluded   = "weighing excluded"      // also where it is used again since
	FlagAmended    = "context amended"        // something of what a weighing was tied to was wrong
	FlagReread     = "read anew"              // a frame is read by another layout
	FlagAllowed    = "allowed outside limits" // somebody let it go on
	FlagStopped    = "mistake stopped"        // a wrong, repeated or missing container, another balance
	FlagAgain      = "step done again"        // what a step found does not count
	FlagUnused     = "weighing that no step asked for"
	FlagLeftOut    = "item left out"
	FlagClock      = "clock not checked"
	FlagIdentity   = "balance not identified"
	FlagService    = "balance not in service" // or nobody checks it
	FlagLate       = "slip typed in"
	FlagAffected   = "affected by a failed check"
	FlagAssessment = "under assessment" // a failed check covers one of its weighings, and nobody has judged that yet
)

// Flags lists every flag.
func Flags() []string {
	return []string{FlagVerdict, FlagAbandoned, FlagExcluded, FlagAmended, FlagReread, FlagAllowed, FlagStopped, FlagAgain, FlagUnused, FlagLeftOut, FlagClock,
		FlagIdentity, FlagService, FlagLate, FlagAffected, FlagAssessment}
}

// stepFlags are by what became of an attempt at a step.
var stepFlags = map[string]string{record.StepAllowed: FlagAllowed, record.StepStopped: FlagStopped, record.StepReplaced: FlagAgain, record.StepUnused: FlagUnused}

// correctFlags are by what was changed.
var correctFlags = map[string]string{record.CorrectExclude: FlagExcluded, record.CorrectInclude: FlagExcluded, record.CorrectAmend: FlagAmended,
	record.CorrectReread: FlagReread}

// Assessed is a failed check that covers weighings of a run, which nobody has judged yet. Signatures stay until somebody has.
type Assessed struct {
	Check     string   `json:"check"`
	Balance   string   `json:"balance"`
	Weighings []uint64 `json:"weighings"` // their sequences
}

// assessedOf finds the failed checks that throw doubt on a run. The view is not locked: u is a copy.
func (r *Room) assessedOf(u *run) (list []Assessed) {
	for _, w := range u.Weighed {
		for _, check := range r.o.Doubts(w.Balance, w.Seq) {
			i := slices.IndexFunc(list, func(a Assessed) bool { return a.Check == check })
			if i < 0 {
				list, i = append(list, Assessed{Check: check, Balance: w.Balance}), len(list)
			}
			list[i].Weighings = append(list[i].Weighings, w.Seq)
		}
	}
	return list
}

// flagsOf gives the flags of a run, in the order of Flags. u is a copy.
func flagsOf(u *run, assessed []Assessed) []string {
	has := func(flag string) bool {
		switch flag {
		case FlagVerdict:
			return u.State != record.RunOpen && u.Verdict != record.CheckPassed
		case FlagAbandoned:
			return u.State == record.RunAbandoned || u.State != record.RunOpen && u.Verdict == ""
		case FlagAssessment:
			return len(assessed) > 0
		}
		return slices.Contains(u.Flags, flag)
	}
	return slices.DeleteFunc(Flags(), func(flag string) bool { return !has(flag) })
}
