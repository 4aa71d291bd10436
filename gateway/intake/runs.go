package intake

import (
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/gs1"
)

// RunScan is something that was scanned, or typed, at a balance where a run of a procedure is.
type RunScan struct {
	Balance string
	Text    string        // the id, without the beginning that a rule strips; or the whole code, where no rule says what it is
	Step    string        // of a card: next, repeat, abandon, yes; "": it is no card
	Actor   *record.Actor // who sent it, as far as known
	Where   string
	At      time.Time
}

// TakeScan takes a scan for the run that is at a balance, and says that there is one. answer tells what became of it: nil, or why the run did not
// take it. It must not block, and must not call the intake.
type TakeScan func(RunScan) (answer <-chan error, taken bool)

// forRun gives a scan to the run at the balance. Badges and labels of balances are never for it.
func (in *Intake) forRun(step, text string, r *record.ContextRequest) (done *awaitedBadge) {
	if in.runs == nil {
		return nil
	}
	answer, taken := in.runs(RunScan{Balance: in.cfg.ID, Text: text, Step: step, Actor: r.Actor, Where: r.Where, At: r.At})
	if !taken {
		return nil
	}
	return &awaitedBadge{answer: answer}
}

// runCards are the cards that mean something to a run.
var runCards = map[string]bool{record.StepNext: true, record.StepRepeat: true, record.StepAbandon: true, record.CardYes: true}

// textFor is what a run gets of a scan: the id of a sample as the rules have it, or all of it.
func textFor(text string, r *record.ContextRequest) string {
	if r.Sample != nil && r.Sample.ID != "" {
		return r.Sample.ID
	}
	_, rest := gs1.Symbology(text)
	return rest
}

// ofRun says whether what a weighing carries was set for a run of a procedure.
func ofRun(t *ticket) bool {
	one := t.items[record.ItemRun]
	return one != nil && one.item != nil && one.item.where == record.FromRun
}
