package console

import (
	"context"
	"errors"

	"weighpost/gateway/record"
)

// Setup runs visits: somebody goes the guided path from a port to a balance in the configuration, with the balance before them.
// Who asks is rights.From(ctx). Its methods do not wait for a balance or a person.
type Setup interface {
	// SetupPorts lists the ports of this computer, and who has each. It opens none.
	SetupPorts(ctx context.Context) ([]SetupPort, error)
	// Visits lists the visits that are under way, and those that ended of late.
	Visits() []Visit
	// BeginVisit begins one. The error is a *VisitRefused.
	BeginVisit(ctx context.Context, by record.Actor) (Visit, error)
	// Visit gives one as it stands. The error is ErrNoVisit.
	Visit(id string) (Visit, error)
	// AnswerVisit answers the question that a visit asks. The error is ErrNoVisit or a *VisitRefused, after which nothing has changed.
	AnswerVisit(ctx context.Context, id string, a VisitAnswer) (Visit, error)
	// AbandonVisit ends a visit without writing anything. The error is ErrNoVisit or a *VisitRefused.
	AbandonVisit(ctx context.Context, id string) (Visit, error)
	// FollowVisit waits until a visit has events after one, or until ctx ends, and gives them. The error is ErrNoVisit or that of ctx.
	FollowVisit(ctx context.Context, id string, after uint64) ([]VisitEvent, error)
}

// ErrNoVisit says that there is no visit of an id, or none any more.
var ErrNoVisit = errors.New("there is no such visit, or it ended long ago: begin one anew, nothing of it was written")

// VisitRefused says in a sentence why something about a visit cannot be done as things are.
type VisitRefused struct{ Why string }

func (v *VisitRefused) Error() string { return v.Why }

// SetupPort is one port of this computer.
type SetupPort struct {
	Address     string   `json:"address" doc:"The name for the configuration: of those that lead to the port, the one that stays longest."`
	Device      string   `json:"device" doc:"What the system calls it now."`
	Kind        string   `json:"kind" doc:"usb, card, on-board, bluetooth, pseudo-terminal or unknown."`
	Description string   `json:"description,omitempty" doc:"What kind of thing it is and where it is plugged in."`
	Names       []string `json:"names,omitempty" doc:"All other names that lead to it."`
	Balance     string   `json:"balance,omitempty" doc:"Id of the balance that has it in the configuration; absent: none."`
	Visit       string   `json:"visit,omitempty" doc:"Id of the visit that has it; absent: none."`
	Holder      string   `json:"holder,omitempty" doc:"Other programs that have it open, as far as can be seen."`
	Note        string   `json:"note,omitempty" doc:"What to know before it is used."`
	Free        bool     `json:"free" doc:"Nobody is known to have it."`
}

// States of a visit.
const (
	VisitWorking   = "working"   // something is done by itself, or the balance is waited for
	VisitAsking    = "asking"    // a person is waited for
	VisitFinished  = "finished"  // the balance is in the configuration, and recorded
	VisitWaits     = "waits"     // the change waits for a person who adopts it
	VisitAbandoned = "abandoned" // nothing was written: somebody stopped it, or nobody said anything for a long time
	VisitFailed    = "failed"    // nothing was written: see why
)

// Visit is one walk along the guided path, as it stands.
type Visit struct {
	ID       string         `json:"id"`
	By       record.Actor   `json:"by" doc:"Who began it."`
	Began    record.UTC     `json:"began"`
	Ends     record.UTC     `json:"ends" doc:"When it ends by itself, if nobody says anything before."`
	State    string         `json:"state" enum:"working,asking,finished,waits,abandoned,failed"`
	Why      string         `json:"why,omitempty" doc:"A sentence: why it ended without a balance."`
	Step     int            `json:"step" doc:"From 1; the steps are in steps."`
	Steps    []string       `json:"steps" nullable:"false" doc:"What there is to do, in order."`
	Port     string         `json:"port,omitempty" doc:"The port that it has."`
	Settings string         `json:"settings,omitempty" doc:"How that is opened, such as 4800 7E1."`
	Question *VisitQuestion `json:"question,omitempty" doc:"What is asked now; absent: nothing."`
	Said     []VisitSaid    `json:"said" nullable:"false" doc:"What was told since the present step began, oldest first; of many the last."`
	Lines    *VisitLines    `json:"lines,omitempty" doc:"What the balance printed, cut into lines and pieces; absent until a layout is known."`
	Reading  string         `json:"reading,omitempty" doc:"The test weighing, as it would be recorded, to be compared with the display."`
	Summary  string         `json:"summary,omitempty" doc:"What goes into the configuration."`
	Result   *VisitResult   `json:"result,omitempty" doc:"Absent until something was written."`
	Event    uint64         `json:"event" doc:"Number of the latest event that this holds: follow from here."`
}

// VisitQuestion is what a person is asked.
type VisitQuestion struct {
	Number  uint64        `json:"number" doc:"An answer names it, so that it never answers another question."`
	Key     string        `json:"key" doc:"Names the question for programs."`
	Kind    string        `json:"kind" enum:"choice,text,yes-no,ready,enough,wait" doc:"ready: say when you have done it; enough: say when enough was printed; wait: nothing but the balance is waited for, and back is all that can be said."`
	Text    string        `json:"text"`
	Why     string        `json:"why,omitempty" doc:"Why it is asked."`
	Choices []VisitChoice `json:"choices" nullable:"false" doc:"The answers that it allows; empty: any text."`
	Default string        `json:"default,omitempty" doc:"Taken where the answer is empty."`
	Back    bool          `json:"back" doc:"back is an answer too: one step back."`
	Reason  bool          `json:"reason" doc:"The answer needs a reason beside it, for the journal."`
}

// VisitChoice is one answer that a question allows.
type VisitChoice struct {
	Value string `json:"value"`
	Text  string `json:"text"`
}

// VisitSaid is something that was told along the way.
type VisitSaid struct {
	At   record.UTC `json:"at"`
	Text string     `json:"text"`
}

// VisitLines is what the balance printed, as the layout sees it.
type VisitLines struct {
	Learnt bool        `json:"learnt" doc:"The layout was learnt from these lines, rather than taken from another balance."`
	Fits   int         `json:"fits" doc:"How many of the lines it reads."`
	Of     int         `json:"of"`
	Lines  []VisitLine `json:"lines" nullable:"false" doc:"The first of them."`
	Doubts []string    `json:"doubts" nullable:"false" doc:"What the lines do not settle, a sentence each."`
}

// VisitLine is one printed line or block.
type VisitLine struct {
	Number int          `json:"number"`
	Text   string       `json:"text" doc:"Control characters are written as <CR>."`
	Pieces []VisitPiece `json:"pieces" nullable:"false" doc:"Side by side they are the text; empty where they are not known."`
	Reads  string       `json:"reads,omitempty" doc:"What it reads as."`
	Why    string       `json:"why,omitempty" doc:"Why it does not read."`
}

// VisitPiece is a part of a line.
type VisitPiece struct {
	Text string `json:"text"`
	What string `json:"what,omitempty" doc:"weight, unit, stability …; absent: it stands for itself."`
}

// VisitResult is what was written.
type VisitResult struct {
	Balance string   `json:"balance" doc:"Its id."`
	Layout  string   `json:"layout,omitempty" doc:"The layout's file, where one was written."`
	Outcome string   `json:"outcome" enum:"holds,waits" doc:"holds: the balance is read now; waits: somebody has to adopt it."`
	Pending string   `json:"pending,omitempty" doc:"Id of the change that waits."`
	Changes []string `json:"changes" nullable:"false" doc:"A sentence for each difference that it makes."`
	Notes   []string `json:"notes" nullable:"false" doc:"What is worth knowing."`
}

// VisitAnswer answers a question of a visit.
type VisitAnswer struct {
	Question uint64 // its number
	Answer   string
	Reason   string       // where the question needs one
	By       record.Actor // who answers
}

// VisitEvent is something that happened in a visit. Exactly one of the others is set beside N.
type VisitEvent struct {
	N     uint64
	Visit *Visit      // how it stands now
	Said  *VisitSaid  // what is told
	Bytes *VisitBytes // what came from the balance
}

// VisitBytes is some of what came from the balance.
type VisitBytes struct {
	At      record.UTC `json:"at"`
	Hex     string     `json:"hex" doc:"Two digits a byte, with blanks between."`
	Text    string     `json:"text" doc:"Control characters are written as <CR>, other bytes as <FF>."`
	Sent    bool       `json:"sent,omitempty" doc:"It went to the balance: what somebody said that it is asked with."`
	LeftOut int        `json:"left_out,omitempty" doc:"How many bytes came beside, too many to show."`
}
