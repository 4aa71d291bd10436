package console

import (
	"context"
	"time"

	"weighpost/gateway/record"
)

// Fitness looks after whether balances may be used: checks with reference weights, their outcomes, what they throw doubt on, and the
// register of weights. An error that is a *record.NotDone is a sentence for whoever asked; record.ErrNoBalance, record.ErrNoCheck
// and record.ErrNoWeight say that there is none of that id; any other says why it does not work now.
type Fitness interface {
	// FitnessOf gives what is known of one balance, AllFitness of every one that is configured, in the order of the configuration.
	FitnessOf(balance string) (FitnessView, bool)
	AllFitness() []FitnessView
	// CheckDefinitions gives the checks of the settings.
	CheckDefinitions() []CheckDefinition
	// CheckEnded gives a check of a balance that has ended, with its steps read from the journal.
	CheckEnded(ctx context.Context, balance, check string) (CheckReport, error)

	BeginCheck(ctx context.Context, balance string, o CheckOrder, by record.Actor) (CheckView, error)
	// CheckOn gives the check that runs on a balance.
	CheckOn(balance string) (CheckView, bool)
	ActOnCheck(ctx context.Context, balance string, act CheckAct, by record.Actor) (CheckView, error)

	TakeOutOfService(ctx context.Context, balance, reason string, by record.Actor) error
	PutIntoService(ctx context.Context, balance, reason string, by record.Actor) error
	NoteUpkeep(ctx context.Context, balance string, u record.Upkeep) error

	// InDoubt gives weighings that a failed check throws doubt on, after a sequence, oldest first, each with its judgement.
	InDoubt(ctx context.Context, balance, check string, after uint64, limit int) (Doubtful, error)
	// JudgeAffected judges those weighings, or, where there are none, all that are not judged; it says how many it judged.
	JudgeAffected(ctx context.Context, j record.AffectedJudged) (int, error)
	CloseFailure(ctx context.Context, balance, check, reason string, by record.Actor) error

	ReferenceWeights() []WeightView
	ReferenceWeight(id string) (WeightView, bool)
	RegisterWeight(ctx context.Context, w record.ReferenceWeight, reason string, by record.Actor) (WeightView, error)
	WithdrawWeight(ctx context.Context, id, reason string, by record.Actor) (WeightView, error)
}

// FitnessView is what is known of the fitness of a balance.
type FitnessView struct {
	Balance record.Balance `json:"balance"`
	Fitness record.Fitness `json:"fitness"`
	Since   record.UTC     `json:"since"`
	Cause   string         `json:"cause,omitempty"`
	Reason  string         `json:"reason,omitempty"`
	// Unfit is what becomes of a weighing while the balance is out of service: mark, hold or refuse.
	Unfit string `json:"unfit"`
	// Refusal says why no weight is recorded on request now, in a sentence.
	Refusal   string                `json:"refusal,omitempty"`
	Schedule  []CheckDue            `json:"schedule"`
	Minimum   *record.MinimumWeight `json:"minimum_weight,omitempty"`
	NoMinimum string                `json:"no_minimum_weight_because,omitempty"`
	Failures  []FailureView         `json:"failures"`        // newest first
	Checks    []*record.CheckEnded  `json:"checks"`          // newest first, at most 500
	Upkeep    []*record.Upkeep      `json:"upkeep"`          // newest first, at most 200
	Phase     *record.UTC           `json:"phase,omitempty"` // when the present phase of its charts began
	Running   *CheckView            `json:"running,omitempty"`
}

// CheckDue is when a check of a balance is due.
type CheckDue struct {
	Check   string      `json:"check"`
	Due     record.UTC  `json:"due"`
	Overdue record.UTC  `json:"overdue"` // from when on it is overdue
	Last    *record.UTC `json:"last,omitempty"`
	Because string      `json:"because,omitempty"` // what made it due out of turn
	State   string      `json:"state"`             // in service, due, overdue
}

// FailureView is a check that failed, with how far the judging of what it throws doubt on has come.
type FailureView struct {
	Check      string     `json:"check"`
	Definition string     `json:"definition"`
	Ended      record.UTC `json:"ended"`
	After      uint64     `json:"after"`  // weighings after this entry
	Before     uint64     `json:"before"` // and before this one
	Judged     int        `json:"judged"`
	Affected   int        `json:"affected"`
	Closed     bool       `json:"closed"`
}

// CheckDefinition is a check that balances can get.
type CheckDefinition struct {
	Name      string   `json:"name"`
	Measures  string   `json:"measures"`
	Loads     []string `json:"loads"`
	Times     int      `json:"times,omitempty"`
	Positions []string `json:"positions,omitempty"`
	Limit     string   `json:"limit"` // in words
}

// ReadyChecks is offered by a Fitness that has ready-made checks, which the settings can begin with: each by its name.
type ReadyChecks interface{ ReadyChecks() []CheckDefinition }

// CheckOrder is what somebody wants checked.
type CheckOrder struct {
	Definition string   `json:"check" doc:"The name of a check of the settings."`
	Why        string   `json:"why,omitempty" enum:"scheduled,asked,as found,as left,moved" doc:"Left out: asked."`
	Weights    []string `json:"weights" doc:"Ids of the reference weights that are at hand; those that the check needs are taken of them."`
}

// CheckView is a check that runs.
type CheckView struct {
	Check   record.CheckRef     `json:"check"`
	Balance record.Balance      `json:"balance"`
	Begun   record.UTC          `json:"begun"`
	By      record.Actor        `json:"by"`
	Weights []record.WeightUsed `json:"weights"`
	Step    int                 `json:"step"` // from 1
	Of      int                 `json:"of"`
	Name    string              `json:"name,omitempty"`
	Say     string              `json:"say,omitempty"` // the one instruction
	// Waiting is answer, zero, place, lift, wait, confirm or ended.
	Waiting  string      `json:"waiting"`
	Expected record.Mass `json:"expected,omitempty"`
	Taken    string      `json:"taken,omitempty"` // what was taken last
	Note     string      `json:"note,omitempty"`
	// Unheard: the balance cannot be heard, and the check waits for it.
	Unheard bool     `json:"unheard,omitempty"`
	Choices []string `json:"choices,omitempty"`
	Repeats int      `json:"repeats"`           // how often the step before may still be done again
	Outcome string   `json:"outcome,omitempty"` // once it has ended
}

// CheckAct is what a person does to a check that runs: one of these.
type CheckAct struct {
	Answer string `json:"answer,omitempty" enum:"yes,no" doc:"To the question."`
	Right  *bool  `json:"right,omitempty" doc:"Whether the right weight is on the pan."`
	Repeat string `json:"repeat,omitempty" doc:"Why the step before is done again." maxLength:"500"`
	Stop   string `json:"stop,omitempty" doc:"Why the check ends without a verdict." maxLength:"500"`
}

// CheckReport is a check that has ended, with every attempt.
type CheckReport struct {
	Ended *record.CheckEnded  `json:"ended"`
	Begun *record.CheckBegun  `json:"begun"`
	Steps []*record.CheckStep `json:"steps"`
}

// Doubtful is a page of weighings that a failed check throws doubt on.
type Doubtful struct {
	Weighings []DoubtfulWeighing `json:"weighings"`
	Next      uint64             `json:"next,omitempty"` // what to send as after for the page that follows; 0: this is the last
	Unjudged  int                `json:"unjudged"`       // of all of them, or of as many of the oldest as are counted
	// AtLeast: there are more than are counted for a list, so that Unjudged says how many there are at the least.
	AtLeast bool `json:"unjudged_at_least,omitempty"`
}

// DoubtfulWeighing is one of them.
type DoubtfulWeighing struct {
	record.EntryRef
	Value  record.Value `json:"value"`
	UTC    record.UTC   `json:"utc"`
	Sample string       `json:"sample,omitempty"`
	Person string       `json:"person,omitempty"`
	Effect string       `json:"effect,omitempty"` // no effect, affected; absent: not judged
}

// WeightView is a reference weight with whether it can be relied on today.
type WeightView struct {
	record.ReferenceWeight
	Since record.UTC   `json:"since"`
	By    record.Actor `json:"by"`
	Entry string       `json:"entry"`
	Unfit string       `json:"unfit,omitempty"` // why it is not to be relied on
	Own   record.Mass  `json:"own_limit,omitempty"`
	// Refused: the lab's rule lets no check begin with it. Unfit says why, and without it is used, marked.
	Refused bool `json:"refused,omitempty"`
}

// checkPatience is how long an act on a check may take to be in the journal.
const checkPatience = 10 * time.Second
