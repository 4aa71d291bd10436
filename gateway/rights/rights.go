// Package rights holds the words for who may do what: rights, roles as sets of rights, and Who, the one that asks. It is
// vocabulary: no disk, no clock, no network. Which person has which role, and how somebody shows who they are, is the business
// of gateway/access.
//
// A right is checked at the moment of the act, by Who.May, and nowhere else: for a page, the API and the command line alike
// (21 CFR 11.10(d) and (g)).
package rights

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// Right is one thing that somebody may do.
type Right string

// The rights. A right is never renamed: old entries and configurations hold it.
const (
	See             Right = "see"                // what balances show and are tied to, sinks, the clock, what is wrong
	ReadJournal     Right = "read-journal"       // entries, reviews and backups as they are listed
	Export          Right = "export"             // take entries out: exports, proofs, segments
	Weigh           Right = "weigh"              // tie a balance's next weighings to oneself, a sample and more; ask it for its weight
	SendContext     Right = "send-context"       // tie a balance's next weighings to another person, as a lab system does
	Command         Right = "command"            // send a balance one of its commands
	Samples         Right = "samples"            // announce samples, and end them
	ReviewTrail     Right = "review-trail"       // note that the audit trail was looked over; release entries that sinks hold back
	People          Right = "people"             // add, change and disable people, their roles, badges and secrets
	APIKeys         Right = "api-keys"           // make and revoke keys for programs
	ReviewAccounts  Right = "review-accounts"    // note that the accounts were looked over
	Balances        Right = "balances"           // change balances, their ports, layouts and limits
	Sinks           Right = "sinks"              // change where entries are delivered to
	Deliveries      Right = "deliveries"         // have refused entries delivered again or given up, and a sink tried at once or paused
	Settings        Right = "settings"           // change any other setting: roles, policies, page, clock, backup
	Adopt           Right = "adopt"              // adopt, or turn down, a change of settings that waits
	Backup          Right = "backup"             // make backups, and note that one was verified
	Seal            Right = "seal"               // seal old entries
	JournalKey      Right = "journal-key"        // change the key that signs the journal's checkpoints
	CorrectClock    Right = "correct-clock"      // state that stamps of a span were wrong
	OwnAccount      Right = "own-account"        // see and change one's own secret and sessions
	ReadPeople      Right = "read-people"        // see who has an account, and which rights they held when
	ReadSettings    Right = "read-settings"      // see the settings, without secrets
	Measurements    Right = "measurements"       // read the daemon's own measurements (/metrics), and where its goroutines are (/goroutines)
	Check           Right = "check"              // check a balance with reference weights
	Fitness         Right = "fitness"            // take a balance out of service and put it back; note that it was adjusted, moved, repaired, calibrated
	Weights         Right = "reference-weights"  // register reference weights, their certificates, and withdraw them
	JudgeFailed     Right = "judge-failed-check" // judge what a failed check throws doubt on, and close it
	Run             Right = "run-procedures"     // begin runs of procedures, and go on with them
	Procedures      Right = "procedures"         // write versions of procedures, and withdraw them
	AdoptProcedures Right = "adopt-procedures"   // adopt versions of procedures, or turn them down
	AllowOutside    Right = "allow-outside"      // let a run go on with a value that is outside its limits; abandon a run where only a reviewer may
	SecondPerson    Right = "second-person"      // confirm as a second person: a step of somebody else's run, a slip that somebody else typed in
	LateEntry       Right = "late-entry"         // type in the slip of a weighing that was not read
	Containers      Right = "containers"         // register containers, and withdraw them
	Requests        Right = "requests"           // send requests for runs, change and cancel one's own; a person, those of all
	Environment     Right = "environment"        // send what instruments show of the air at balances
	ReviewRuns      Right = "review-runs"        // review runs that others performed: sign or return them, correct, replace, look over their trail
	ApproveRuns     Right = "approve-runs"       // approve runs where two are to sign; archive runs, and take them out again
	OperateAnywhere Right = "operate-anywhere"   // sign in at a balance, where that is limited to some people
)

// All lists every right, in the order of the table above.
func All() []Right {
	return []Right{See, ReadJournal, Export, Weigh, SendContext, Command, Samples, ReviewTrail, People, APIKeys, ReviewAccounts,
		Balances, Sinks, Deliveries, Settings, Adopt, Backup, Seal, JournalKey, CorrectClock, OwnAccount, ReadPeople, ReadSettings,
		Measurements, Check, Fitness, Weights, JudgeFailed,
		Run, Procedures, AdoptProcedures, AllowOutside, SecondPerson, LateEntry, Containers, Requests, Environment, ReviewRuns, ApproveRuns, OperateAnywhere}
}

// Set is a set of rights.
type Set map[Right]bool

// Of makes a set.
func Of(list ...Right) Set {
	s := make(Set, len(list))
	for _, r := range list {
		s[r] = true
	}
	return s
}

// Has says whether a right is in the set.
func (s Set) Has(r Right) bool { return s[r] }

// List gives the rights of the set in the order of All.
func (s Set) List() []Right {
	return slices.DeleteFunc(All(), func(r Right) bool { return !s[r] })
}

// The roles that there are without any configuration.
const (
	Operator      = "operator"
	Reviewer      = "reviewer"
	BalanceKeeper = "balance-keeper"
	IT            = "it"
	Auditor       = "auditor"
	Machine       = "machine"
)

// Defaults gives the roles that there are without any configuration, by name, anew at each call. Reviewing is apart from the
// administration of people and settings (FDA, Data Integrity and Compliance With Drug CGMP, 2018, question 4).
func Defaults() map[string]Set {
	look := []Right{See, OwnAccount}
	with := func(more ...Right) Set { return Of(append(slices.Clone(look), more...)...) }
	return map[string]Set{
		Operator: with(Weigh, ReadJournal, Check, Run, SecondPerson, LateEntry, Containers, OperateAnywhere),
		Reviewer: with(ReadJournal, Export, ReviewTrail, JudgeFailed, AdoptProcedures, AllowOutside, SecondPerson, ReviewRuns, ApproveRuns,
			ReadPeople, ReadSettings),
		BalanceKeeper: with(Weigh, ReadJournal, Export, Command, Balances, Deliveries, Samples, Check, Fitness, Weights,
			Run, Procedures, SecondPerson, LateEntry, Containers, Requests, ReadSettings, OperateAnywhere),
		IT: with(ReadJournal, Export, People, APIKeys, ReviewAccounts, Balances, Sinks, Deliveries, Settings, Adopt, Backup, Seal,
			JournalKey, CorrectClock, ReadPeople, ReadSettings, Measurements),
		Auditor: with(ReadJournal, Export, ReadPeople, ReadSettings),
		Machine: Of(See, Weigh, SendContext, Samples, Requests, Environment, ReadJournal, Export, Measurements),
	}
}

// Office gives, anew at each call, the rights that administrate weighpost itself. Whoever looks after accounts gives the rights of
// the bench and of reviewing without having them, which is what keeps the two apart (FDA, Data Integrity and Compliance With Drug
// CGMP, 2018, question 4); but not more power over the system than they have themselves, or a right to look after accounts would be
// all rights.
func Office() Set {
	return Of(People, APIKeys, Sinks, Settings, Adopt, Backup, Seal, JournalKey, CorrectClock)
}

// ForPeople gives, anew at each call, the rights that no program has: they are a person's judgement, or mean a person's own account.
func ForPeople() Set {
	return Of(ReviewTrail, ReviewAccounts, Adopt, OwnAccount, JudgeFailed, AdoptProcedures, AllowOutside, SecondPerson, ReviewRuns, ApproveRuns)
}

// Who is the one that asks for something, as far as is known at the moment of the act.
type Who struct {
	Actor  record.Actor // as entries name them: id, name and role as they are now, how identified, and where
	Rights Set
	// Person is the id of a person's account, "" for a program, the host's token or nobody. Actor.ID says the same for people.
	Person  string
	Session string // the session's public id, never its secret; "" where there is none
	Bench   string // id of the balance whose bench screen it is, "" elsewhere
	Known   bool   // somebody or something showed who it is; false: anybody
	// MustChange says that the person's secret was reset or has expired: nothing but choosing another is allowed.
	MustChange bool
	// Balances limits what changes something at a balance to some of them; nil: all. See MayAt.
	Balances []string
}

// Denied says that somebody may not do something. It is a sentence.
type Denied struct {
	Who     Who
	Right   Right
	Balance string // that it is denied at, where it is had elsewhere
}

func (d *Denied) Error() string {
	if !d.Who.Known {
		return fmt.Sprintf("this needs the right %q, and nobody is signed in", d.Right)
	}
	if d.Balance != "" {
		return fmt.Sprintf("%s may not do this at balance %s, only at: %s", strings.TrimSpace(d.Who.Actor.Shown()), d.Balance, strings.Join(d.Who.Balances, ", "))
	}
	return fmt.Sprintf("this needs the right %q, which %s does not have", d.Right, strings.TrimSpace(d.Who.Actor.Shown()))
}

// May says with a *Denied why somebody may not do something, or nil.
func (w Who) May(r Right) error {
	if w.Rights.Has(r) {
		return nil
	}
	return &Denied{Who: w, Right: r}
}

// MayAt is May for an act at one balance: a key may be limited to some balances, and a badge to the bench where it was scanned.
func (w Who) MayAt(r Right, balance string) error {
	if err := w.May(r); err != nil {
		return err
	}
	if w.Balances != nil && !slices.Contains(w.Balances, balance) {
		return &Denied{Who: w, Right: r, Balance: balance}
	}
	return nil
}

// Host is whoever has the token of the file beside the journal, or opens the journal itself on this computer: the one who owns
// the files may do everything, and is recorded as such.
func Host(actor record.Actor) Who { return Who{Actor: actor, Rights: Of(All()...), Known: true} }

type key struct{}

// With gives a context that knows who asks.
func With(ctx context.Context, w Who) context.Context { return context.WithValue(ctx, key{}, w) }

// From gives who asks; the zero Who, which may do nothing, where the context does not know.
func From(ctx context.Context) Who {
	w, _ := ctx.Value(key{}).(Who)
	return w
}
