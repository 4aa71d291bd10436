package intake

import (
	"math/big"
	"slices"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/frame"
)

// How a reading came to a check.
const (
	OfferedStream   = "stream"    // the balance sends all the time
	OfferedPoll     = "poll"      // it was asked
	OfferedPrintKey = "print key" // somebody had it printed
)

// Offered is a reading that a check of the balance may take.
type Offered struct {
	Balance string
	At      time.Time // on this process's clock, when its last byte came
	Stamp   record.Stamp
	Grams   *big.Rat
	Value   record.Value
	Frame   []byte
	How     string
}

// Fitness says whether a balance may be used. Its methods must not block, and must not call the intake.
type Fitness interface {
	// Now is the fitness of a balance as its records say it.
	Now(balance string) record.Fitness
	// Refusal says in a sentence why nobody can have a weight recorded at a screen or by a request now; "": they can.
	Refusal(balance string) string
	// Judge gives the verdicts of the rules that go by the balance: its minimum weight.
	Judge(w *record.Weighing) []record.Verdict
	// Offer gives a reading to the check that runs on the balance. The entries, if any, are what the check makes of it; they are
	// recorded in place of a weighing.
	Offer(Offered) []record.Body
}

// ruleInCheck is the rule of the verdict on what is recorded as a weighing although a check of the balance was under way.
const ruleInCheck = "in-check"

func whileInCheck(why string) []record.Verdict {
	return []record.Verdict{{Rule: ruleInCheck, Why: "a check of the balance was under way, " + why}}
}

// inCheck says whether the balance is being checked now.
func (in *Intake) inCheck() bool {
	return in.fitness != nil && in.fitness.Now(in.cfg.ID).State == record.InCheck
}

// offer gives a reading to the check that runs on the balance, and says whether the check is all that it is for. What nobody had
// printed is: while a balance is checked, its stream shows reference weights and no sample. A print that the check does not take is a
// weighing as ever, and a verdict says that a check was under way. The verdicts are for whatever is recorded of the reading all the same, as a
// request can have it.
func (in *Intake) offer(f frame.Frame, value record.Value, stamp record.Stamp, at time.Time) (only bool, verdicts []record.Verdict) {
	if !in.inCheck() {
		return false, nil
	}
	if s := in.capture.settling; s != nil {
		s.lies(&in.reading)
	}
	prints := in.printsFrames()
	if isMass(&in.reading) {
		grams := new(big.Rat).Mul(in.reading.Number.Rat(), in.reading.Unit.Grams())
		o := Offered{Balance: in.cfg.ID, At: at, Stamp: stamp, Grams: grams, Value: value, Frame: slices.Clone(f.Bytes), How: OfferedStream}
		switch {
		case in.asking.open != nil:
			o.How = OfferedPoll
		case prints:
			o.How = OfferedPrintKey
		}
		if entries := in.fitness.Offer(o); len(entries) > 0 {
			in.putSteps(entries, value, stamp, prints)
			return true, whileInCheck("and took this reading as its own")
		}
	}
	return !prints && in.trigger != All, whileInCheck("and did not take this print: it may be of a reference weight")
}

// putSteps leaves the steps of a check for the journal, and has whoever stands there told of a print.
func (in *Intake) putSteps(entries []record.Body, value record.Value, stamp record.Stamp, prints bool) {
	for i, e := range entries {
		if prints && i == 0 {
			in.answers.put(e, &print{Answer: record.Answer{Balance: in.about.ID, UTC: stamp.UTC, Value: &value, Outcome: record.AnswerChecked}, since: in.now()})
		}
		in.put(e, stamp)
	}
}

// refusal says why nobody can have a weight of the balance recorded now; "": they can.
func (in *Intake) refusal() string {
	if in.fitness == nil {
		return ""
	}
	return in.fitness.Refusal(in.cfg.ID)
}

// outOfService says of a print that is recorded what its balance's being unfit makes of it, as sentences; refused: whoever stands there is
// told that it is not to be used.
func (in *Intake) outOfService(w *record.Weighing) (refused bool, said string) {
	why := in.refusal()
	switch {
	case why != "" && w.Fitness.Held:
		return true, why + " This print is in the journal, marked, and held back from every destination until somebody releases it."
	case w.Fitness.Held && w.Fitness.State == record.InCheck:
		return false, "This is held back from every destination until somebody releases it." // that a check is under way its verdict says
	case w.Fitness.Held:
		return false, "The balance is out of service: this is held back from every destination until somebody releases it."
	case w.Fitness.State == record.OutOfService:
		return false, "The balance is out of service."
	case w.Fitness.State == record.CheckOverdue:
		return false, "A check of the balance is overdue."
	}
	return false, ""
}

// judgeFitness writes into a weighing whether its balance may be used, and what the rules say that go by the balance.
func (in *Intake) judgeFitness(w *record.Weighing) {
	if in.fitness == nil {
		return
	}
	w.Fitness = in.fitness.Now(in.cfg.ID)
	w.Verdicts = append(w.Verdicts, in.fitness.Judge(w)...)
}
