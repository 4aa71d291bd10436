package console

import (
	"context"

	"weighpost/gateway/record"
)

// Procedures looks after procedures and their versions. In all of these an error that is a *record.NotDone is a sentence for whoever asked;
// record.ErrNoProcedure, record.ErrNoRun, record.ErrNoRequest, record.ErrNoContainer and record.ErrNoSlip say that there is none of that id;
// any other says why it does not work now.
type Procedures interface {
	Procedures() []ProcedureView
	Procedure(name string) (ProcedureView, bool)
	// ProcedureText gives the text of a version exactly as it was written.
	ProcedureText(name string, version int) (string, error)
	// JudgeProcedure gives every mistake of a text, with line and column, and what it would be as a form has it.
	JudgeProcedure(text string) ProcedureJudged
	// WriteProcedure makes a new version of a text without mistakes. It waits for whoever adopts it.
	WriteProcedure(ctx context.Context, text, reason string, by record.Actor) (ProcedureVersion, error)
	// DecideProcedure adopts a version, turns it down or withdraws it: change is one of the words of record.ProcedureChanged.
	DecideProcedure(ctx context.Context, name string, version int, change, reason string, by record.Actor) (ProcedureVersion, error)
	// ReadyProcedures are those that come with weighpost, to begin with.
	ReadyProcedures() []ReadyProcedure
}

// ProcedureView is a procedure with its versions.
type ProcedureView struct {
	Name     string             `json:"name"`
	Title    string             `json:"title"`
	Adopted  int                `json:"adopted,omitempty"` // the version that runs begin with; 0: none
	Versions []ProcedureVersion `json:"versions"`          // newest first
}

// ProcedureVersion is one version.
type ProcedureVersion struct {
	record.ProcedureRef
	Title    string        `json:"title"`
	State    string        `json:"state" enum:"written,adopted,turned down,withdrawn,replaced"`
	Written  record.UTC    `json:"written"`
	By       record.Actor  `json:"by"`
	Reason   string        `json:"reason,omitempty"`
	Decided  *record.UTC   `json:"decided,omitempty"`
	Decider  *record.Actor `json:"decided_by,omitempty"`
	WhyTaken string        `json:"decided_because,omitempty"`
}

// ProcedureJudged is what is wrong with a text. Form is the definition as an object with the keys of the YAML, where it can be read.
type ProcedureJudged struct {
	Faults []ProcedureFault `json:"faults"`
	Form   map[string]any   `json:"form,omitempty"`
	Text   string           `json:"text"` // as YAML, also where a form was sent
}

// ProcedureFault is one mistake.
type ProcedureFault struct {
	Line    int    `json:"line,omitempty"`
	Column  int    `json:"column,omitempty"`
	Where   string `json:"where"` // steps[3].formula
	What    string `json:"what"`
	Allowed string `json:"allowed,omitempty"`
}

// ReadyProcedure is one that comes with weighpost.
type ReadyProcedure struct {
	Name   string `json:"name"`
	Title  string `json:"title"`
	Source string `json:"source"`
	Text   string `json:"text"`
}

// Runs looks after runs of procedures.
type Runs interface {
	// Runs lists runs, newest first.
	Runs(ctx context.Context, q RunsAsked) (RunList, error)
	// Run gives one, open or ended, with every step.
	Run(ctx context.Context, id string) (RunView, error)
	// RunAt gives the run that is at a balance now.
	RunAt(balance string) (RunView, bool)
	BeginRun(ctx context.Context, o RunOrder, by record.Actor) (RunView, error)
	ActOnRun(ctx context.Context, id string, act RunAct, by record.Actor) (RunView, error)
}

// RunsAsked says which runs are wanted.
type RunsAsked struct {
	State, Procedure, Sample, Balance, Person, Request string
	Before                                             string // the run after which the list goes on
	Limit                                              int
}

// RunList is a page of runs.
type RunList struct {
	Runs []RunGlance `json:"runs"`
	Next string      `json:"next,omitempty"`
}

// RunGlance is a run in a list.
type RunGlance struct {
	record.RunRef
	Title   string             `json:"title"`
	State   string             `json:"state"`
	Begun   record.UTC         `json:"begun"`
	Ended   *record.UTC        `json:"ended,omitempty"`
	By      record.Actor       `json:"by"` // who performs it, or did last
	Balance string             `json:"balance,omitempty"`
	Items   []record.RunItem   `json:"items"`
	Request *record.RequestRef `json:"request,omitempty"`
	Verdict string             `json:"verdict,omitempty"`
	LeftOut int                `json:"left_out,omitempty" doc:"How many of its items were left out: the verdict says nothing of them."`
	Say     string             `json:"say,omitempty"` // what it waits for
	Due     *record.UTC        `json:"due,omitempty"`
	Aside   bool               `json:"aside,omitempty"`
}

// RunOrder is what somebody wants begun.
type RunOrder struct {
	Procedure  string             `json:"procedure,omitempty" doc:"Its name. Left out where a request is given."`
	Balance    string             `json:"balance,omitempty" doc:"Where it begins. Left out: at none yet."`
	Items      []record.RunItem   `json:"items,omitempty" doc:"What it is about. Left out where a request is given, or where they are identified as it goes."`
	Parameters map[string]string  `json:"parameters,omitempty" doc:"By name, each with its unit: 10 g."`
	Request    *record.RequestRef `json:"request,omitempty" doc:"The request that it answers: procedure, items and parameters are its own."`
}

// RunAct is what somebody does to a run: one of these. Unit goes with answer, ref with allow.
type RunAct struct {
	Scan    string      `json:"scan,omitempty" maxLength:"256" doc:"What was scanned, or typed in its place."`
	Answer  string      `json:"answer,omitempty" maxLength:"500" doc:"To the question: digits, a text, a choice, a date as YYYY-MM-DD."`
	Unit    string      `json:"unit,omitempty" maxLength:"32" doc:"Of the digits; left out: that of the step."`
	Read    *record.UTC `json:"read,omitempty" doc:"What an instrument has sent is taken: at of the reading in next.offers, as it was shown. 409: it is not the newest any more."`
	Done    bool        `json:"done,omitempty" doc:"What the step says is done."`
	Yes     bool        `json:"yes,omitempty" doc:"The second person, who is the one that asks this, confirms."`
	Take    bool        `json:"take,omitempty" doc:"The balance is asked for its weight, which is recorded."`
	Late    string      `json:"late,omitempty" maxLength:"200" doc:"The entry of a slip that was typed in and confirmed, in place of a weighing."`
	Back    string      `json:"back,omitempty" maxLength:"500" doc:"Why the step before is done again."`
	Repeat  string      `json:"repeat,omitempty" maxLength:"500" doc:"Why this step is done again."`
	Allow   string      `json:"allow,omitempty" maxLength:"500" doc:"Why the run goes on with a value outside its limits."`
	Ref     string      `json:"ref,omitempty" maxLength:"128" doc:"The reference of an investigation."`
	Leave   string      `json:"leave,omitempty" maxLength:"500" doc:"Why the items that are missing are left out."`
	Aside   bool        `json:"aside,omitempty" doc:"The run is put aside, so that its balance is free."`
	At      string      `json:"at,omitempty" maxLength:"63" doc:"The balance at which the run goes on."`
	Over    bool        `json:"over,omitempty" doc:"Whoever asks this takes the run over."`
	Abandon string      `json:"abandon,omitempty" maxLength:"500" doc:"Why the run ends without results."`
}

// RunView is a run as it stands.
type RunView struct {
	RunGlance
	Seq        uint64             `json:"seq"` // the entry up to which this is so
	Parameters map[string]string  `json:"parameters,omitempty"`
	Cautions   []string           `json:"cautions,omitempty"`
	Next       RunInstruction     `json:"next"`
	Steps      []RunStepView      `json:"steps"` // every attempt, in the order in which they were made
	Results    []record.RunResult `json:"results"`
	Left       []record.RunLeft   `json:"left,omitempty" doc:"The items that were left out, with the reason."`
	Unused     []record.EntryRef  `json:"unused,omitempty"`
	Reason     string             `json:"reason,omitempty"`
	Ended      *record.RunEnded   `json:"record,omitempty"`
}

// RunStepView is one attempt at a step.
type RunStepView struct {
	*record.RunStep
	Label  string `json:"label,omitempty"`
	Counts bool   `json:"counts"`
}

// RunInstruction is the one thing to do next: see gateway/procedure for what each says.
type RunInstruction struct {
	Step    string          `json:"step,omitempty"`
	Do      string          `json:"do,omitempty"`
	Number  int             `json:"number,omitempty"`
	Of      int             `json:"of,omitempty"`
	Block   string          `json:"block,omitempty"`
	Pass    int             `json:"pass,omitempty"`
	Passes  int             `json:"passes,omitempty"`
	Say     string          `json:"say,omitempty"`
	Item    *record.RunItem `json:"item,omitempty"`
	Waiting string          `json:"waiting" enum:"scan,answer,done,weight,balance,second person,time,allowed,end,ended"`
	Kind    string          `json:"kind,omitempty"`
	Unit    string          `json:"unit,omitempty"`
	Choices []string        `json:"choices,omitempty"`
	// Offers is what an instrument at the balance has sent, that may be taken as the value by read; NoOffer says why there is none where there could be.
	Offers  *AirKnown        `json:"offers,omitempty"`
	NoOffer string           `json:"no_offer,omitempty"`
	On      string           `json:"on,omitempty"`
	Balance string           `json:"balance,omitempty"`
	Target  *RunTarget       `json:"target,omitempty"`
	Limits  string           `json:"limits,omitempty"`
	Outside *record.RunStep  `json:"outside,omitempty"`
	Due     *record.UTC      `json:"due,omitempty"`
	Left    []record.RunItem `json:"left,omitempty"`
	MayBack string           `json:"may_back,omitempty"`
	Undoes  []RunUndone      `json:"undoes,omitempty"` // what may_back takes back, or a repeat: the step that is done again first
	Repeats int              `json:"repeats,omitempty"`
	Note    string           `json:"note,omitempty"`
	Unheard bool             `json:"unheard,omitempty"` // the balance cannot be heard now
	Unfit   string           `json:"unfit,omitempty"`
	CanTake bool             `json:"can_take,omitempty"` // the balance can be asked for its weight
}

// RunTarget is what a weighing is to reach. All but unit are decimals in that unit, exactly.
type RunTarget struct {
	Unit     string `json:"unit"`
	Wanted   string `json:"wanted"`
	Low      string `json:"low"`
	High     string `json:"high"`
	Offset   string `json:"offset"` // to be taken off what the balance shows
	Removing bool   `json:"removing,omitempty"`
	// Readability is that of the balance, as far as it is known.
	Readability string `json:"readability,omitempty"`
}

// RunUndone is an attempt that would not count any more.
type RunUndone struct {
	Step  string           `json:"step"`
	Label string           `json:"label,omitempty"`
	Item  *record.RunItem  `json:"item,omitempty"`
	Value *record.RunValue `json:"value,omitempty"`
	For   string           `json:"for,omitempty"` // of a wait: how long it lasts again
}

// LabRequests looks after what lab systems ask for.
type LabRequests interface {
	LabRequests(q RequestsAsked) []RequestView
	LabRequest(ref record.RequestRef) (RequestView, bool)
	// TakeRequest takes a request. One that came before, just as it is now, changes nothing; one that came before and is another is refused.
	TakeRequest(ctx context.Context, r record.LabRequest, by record.Actor) (v RequestView, again bool, err error)
	ChangeRequest(ctx context.Context, ref record.RequestRef, c RequestChange, by record.Actor) (RequestView, error)
	CancelRequest(ctx context.Context, ref record.RequestRef, reason string, by record.Actor) (RequestView, error)
	// SendRequest carries out one thing that a lab system sent, which was read without a fault: one of the three above.
	SendRequest(ctx context.Context, s record.RequestSent, by record.Actor) (record.RequestStands, error)
}

// RequestsAsked says which requests are wanted: all that wait, where nothing is named; in the order in which they are to be done.
type RequestsAsked struct {
	State   string // "": waiting and begun; all
	Balance string // those that this balance can do
	Sample  string // those that this sample or container is in
	From    string
	Limit   int
}

// RequestChange is what of a request changes.
type RequestChange = record.RequestChange

// RequestView is a request with what became of it.
type RequestView struct {
	record.LabRequest
	State    string             `json:"state" enum:"waiting,begun,complete,abandoned,cancelled,approved,needs review again,replaced"`
	Received record.UTC         `json:"received"`
	Changed  record.UTC         `json:"changed"`
	Run      string             `json:"run,omitempty"`
	Verdict  string             `json:"verdict,omitempty"`
	Results  []record.RunResult `json:"results,omitempty"`
	LeftOut  []record.RunLeft   `json:"left_out,omitempty" doc:"Items of its run that were left out, with the reason: the verdict says nothing of them."`
	Reason   string             `json:"reason,omitempty"`
	Title    string             `json:"title,omitempty"`  // of the procedure
	Cannot   string             `json:"cannot,omitempty"` // why no run can begin of it now
	Overdue  bool               `json:"overdue,omitempty"`
}

// Containers looks after the register of containers.
type Containers interface {
	Containers(q ContainersAsked) []ContainerView
	Container(id string) (ContainerView, bool)
	// ContainerSorts lists the sorts that are in the register.
	ContainerSorts() []string
	// RegisterContainers registers containers, or changes what is known of them, all or none.
	RegisterContainers(ctx context.Context, list []record.Container, reason string, by record.Actor) ([]ContainerView, error)
	WithdrawContainer(ctx context.Context, id, reason string, by record.Actor) (ContainerView, error)
}

// ContainersAsked says which containers are wanted.
type ContainersAsked struct {
	Sort, Begin string // of this sort; with an id that begins so
	After       string // the id after which the list goes on
	Withdrawn   bool   // those too
	Limit       int
}

// ContainerView is a container with what was weighed of it.
type ContainerView struct {
	record.Container
	Since  record.UTC     `json:"since"`
	By     record.Actor   `json:"by"`
	Unfit  string         `json:"unfit,omitempty"`  // why it is not to be used
	InRun  string         `json:"in_run,omitempty"` // the open run that it is in
	Empty  []EmptyMass    `json:"empty"`            // its empty masses, newest first
	Usages []ContainerUse `json:"uses"`             // runs that it was in, newest first
}

// EmptyMass is one weighing of an empty container.
type EmptyMass struct {
	Digits  string          `json:"digits"`
	Unit    string          `json:"unit"`
	At      record.UTC      `json:"at"`
	Balance string          `json:"balance,omitempty"`
	Run     string          `json:"run"`
	Entry   record.EntryRef `json:"entry"`
}

// ContainerUse is one run that a container was in.
type ContainerUse struct {
	Run    string     `json:"run"`
	Sample string     `json:"sample,omitempty"`
	At     record.UTC `json:"at"`
}

// Slips looks after weighings that were typed in from their slips.
type Slips interface {
	Slips(q SlipsAsked) []SlipView
	Slip(entry string) (SlipView, bool)
	// HoldPicture has the picture of a slip at hand for whoever types the slip in next. It is kept once an entry names it, and forgotten after a while
	// where none does.
	HoldPicture(name string, content []byte) (record.KeptFile, error)
	EnterSlip(ctx context.Context, s SlipEntered, by record.Actor) (SlipView, error)
	DecideSlip(ctx context.Context, entry string, confirmed bool, reason string, by record.Actor) (SlipView, error)
}

// SlipsAsked says which slips are wanted.
type SlipsAsked struct {
	State           string // waiting, confirmed, turned down; "": all
	Balance, Sample string
	Limit           int
}

// SlipEntered is a slip as somebody types it in.
type SlipEntered struct {
	Balance string            `json:"balance" maxLength:"63"`
	Digits  string            `json:"digits" maxLength:"40" doc:"As printed."`
	Unit    string            `json:"unit" maxLength:"16" doc:"As printed."`
	Kind    string            `json:"kind,omitempty" enum:"gross,net,tare,unknown" doc:"Left out: unknown."`
	Weighed string            `json:"weighed" doc:"When, by a clock that is right: RFC 3339."`
	Slip    string            `json:"slip_clock,omitempty" doc:"Date and time as the slip has them: YYYY-MM-DD HH:MM[:SS]."`
	Picture string            `json:"picture,omitempty" doc:"Of the slip: the SHA-256, in hex, of a picture that was sent before."`
	Sample  string            `json:"sample,omitempty" maxLength:"128"`
	Lot     string            `json:"lot,omitempty" maxLength:"128"`
	Method  string            `json:"method,omitempty" maxLength:"128"`
	Fields  map[string]string `json:"fields,omitempty"`
	Person  string            `json:"weighed_by,omitempty" maxLength:"128" doc:"Who weighed, where that was another person: an id."`
	Reason  string            `json:"reason" maxLength:"500" doc:"Why it was not read."`
	Sure    bool              `json:"sure,omitempty" doc:"It is another weighing than those of the same digits and time that the journal has. 409 says where that has to be said."`
}

// SlipView is a slip with what became of it.
type SlipView struct {
	*record.LateEntered
	State   string              `json:"state" enum:"waiting,confirmed,turned down"`
	Decided *record.LateDecided `json:"decided,omitempty"`
	Note    string              `json:"note,omitempty"`    // that the slip's clock differs, in a sentence
	UsedIn  string              `json:"used_in,omitempty"` // the run with a step that rests on it
}
