package console

import (
	"context"
	"encoding/json"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Reviews looks after what becomes of runs once their steps are done. In all of these an error that is a *record.NotDone is a sentence for
// whoever asked, a *rights.Denied says that they may not, record.ErrNoRun that there is no such run, one of those of signing that it was not
// signed; any other says why it does not work now. What is refused as an act is noted by whoever refuses it.
type Reviews interface {
	RunReviews(q ReviewsAsked) ReviewList
	// Review gives everything that is known of a run on one page, for whoever asks.
	RunReview(ctx context.Context, run string) (ReviewView, error)
	// ActOnReview and CorrectRun give the run as it then is.
	ActOnReview(ctx context.Context, run string, a ReviewAct, by record.Actor) (ReviewView, error)
	CorrectRun(ctx context.Context, run string, c RunCorrection, by record.Actor) (ReviewView, error)
	// RunReadings says what each layout that the lab has or had makes of the frame of a weighing, by the id of its entry.
	RunReadings(ctx context.Context, run, of string) (FrameReadings, error)
	// ApproveTogether approves runs without any flag, one after the other: each is an act, and a signature, of its own.
	ApproveTogether(ctx context.Context, list []TogetherRun, s *Signing, by record.Actor) []TogetherOutcome
	// Statement is what whoever asks would sign now, and what they have to show for it.
	RunStatement(ctx context.Context, run, meaning string) (Statement, error)
	Elsewhere
}

// ReviewsAsked says which runs are wanted: all whose steps are done, where nothing is named.
type ReviewsAsked struct {
	States                           []string
	Procedure, Sample, Balance, Flag string
	Since                            uint64
	After                            string
	Limit                            int
}

// ReviewList is a page of runs, the one that was begun last first.
type ReviewList struct {
	Runs    []ReviewGlance `json:"runs" nullable:"false"`
	Next    string         `json:"next,omitempty" doc:"The last of them, where there are more: ask for what comes after it."`
	Reasons []string       `json:"reasons" nullable:"false" doc:"The lab's list of reasons for corrections."`
	// Together: the lab lets runs without any flag be approved together.
	Together bool `json:"together" doc:"Whether runs without any flag can be approved at once here."`
}

// ReviewGlance is a run in a list.
type ReviewGlance struct {
	record.RunRef
	Title    string             `json:"title"`
	State    string             `json:"state"`
	Verdict  string             `json:"verdict,omitempty" doc:"As it stands, with all corrections."`
	Items    []record.RunItem   `json:"items" nullable:"false"`
	By       record.Actor       `json:"by" doc:"Who performed it, last."`
	Balance  string             `json:"balance,omitempty"`
	Request  *record.RequestRef `json:"request,omitempty"`
	Begun    record.UTC         `json:"begun"`
	Ended    *record.UTC        `json:"ended,omitempty"`
	Acted    *record.UTC        `json:"acted,omitempty" doc:"When something was done to it last."`
	Last     uint64             `json:"last" doc:"Its last entry, by sequence: whoever acts names it as seen."`
	Flags    []string           `json:"flags" nullable:"false" doc:"What whoever reviews it has to look at."`
	Assessed []ReviewAssessed   `json:"under_assessment,omitempty" doc:"Failed checks that cover weighings of it, which nobody has judged yet."`
	Other    string             `json:"replaced_by,omitempty" doc:"The run that stands for it."`
}

// ReviewAssessed is a failed check that covers weighings of a run.
type ReviewAssessed struct {
	Check     string   `json:"check"`
	Balance   string   `json:"balance"`
	Weighings []uint64 `json:"weighings" nullable:"false" doc:"Their sequences."`
}

// ReviewView is everything that is known of a run whose steps are done.
type ReviewView struct {
	ReviewGlance
	Run         RunView                `json:"run" doc:"The run with every attempt at every step. Its results are those that stand."`
	First       []record.RunResult     `json:"first_results" nullable:"false" doc:"The results as they were found first."`
	Approvals   int                    `json:"approvals" doc:"How many people sign it before it is approved."`
	SamePerson  bool                   `json:"same_person" doc:"Whether whoever performed it may review it."`
	Allowed     []ReviewAllowed        `json:"allowed" nullable:"false" doc:"What whoever asks could do to it now."`
	Excluded    []record.EntryRef      `json:"excluded" nullable:"false" doc:"Weighings that are not used."`
	Corrections []*record.RunCorrected `json:"corrections" nullable:"false"`
	Acts        []*record.RunReview    `json:"acts" nullable:"false"`
	Signatures  []ReviewSigned         `json:"signatures" nullable:"false"`
	Weighings   []*record.Weighing     `json:"-"`
	Weighed     []json.RawMessage      `json:"weighings" nullable:"false" doc:"All that were weighed for it, exactly as recorded: with the bytes as received, verdicts and the fitness of the balance then."`
	Slips       []*record.LateEntered  `json:"slips" nullable:"false"`
	Balances    []ReviewBalance        `json:"balances" nullable:"false" doc:"How the balances were that weighed for it."`
	Trail       []json.RawMessage      `json:"trail" nullable:"false" doc:"Every entry about it, in the order of the journal, exactly as it is."`
	Covers      []uint64               `json:"covers" nullable:"false" doc:"The sequences of those that a signature would cover now."`
	SeenUpTo    uint64                 `json:"seen_up_to" doc:"The last entry that whoever asks has noted to have looked at; 0: none."`
	Deliveries  []ReviewDelivery       `json:"deliveries" nullable:"false" doc:"What became of its end, and of each correction, at each destination."`
	Reasons     []string               `json:"reasons" nullable:"false" doc:"The lab's list of reasons for corrections."`
}

// ReviewAllowed is something that somebody could do to a run.
type ReviewAllowed struct {
	Act     string `json:"act" enum:"submit,return,review,approve,replace,archive,unarchive,look,correct"`
	To      string `json:"to" doc:"The state that it leads to."`
	Meaning string `json:"meaning,omitempty" enum:"performed,reviewed,approved" doc:"Of the signature that it takes; absent: it is not signed."`
	Reason  bool   `json:"reason" doc:"A reason is needed."`
}

// ReviewSigned is a signature under a run.
type ReviewSigned struct {
	*record.Signature
	InForce bool   `json:"in_force"`
	Over    string `json:"over,omitempty" doc:"Why it is not in force any more."`
}

// ReviewBalance is how a balance was while it weighed for a run.
type ReviewBalance struct {
	record.Balance
	States []string           `json:"states" nullable:"false" doc:"What its weighings say: in service, due …"`
	Before *record.CheckEnded `json:"check_before,omitempty" doc:"The last check that had ended before the first of them."`
	After  *record.CheckEnded `json:"check_after,omitempty" doc:"The first that ended after the last of them."`
}

// ReviewDelivery is what became of an entry of a run at a destination.
type ReviewDelivery struct {
	Entry       record.EntryRef `json:"entry"`
	Destination string          `json:"destination"`
	State       string          `json:"state"`
	Why         string          `json:"why,omitempty"`
}

// ReviewAct is what somebody does to a run in its review.
type ReviewAct struct {
	Act     string   `json:"act" enum:"submit,return,review,approve,replace,archive,unarchive,look"`
	Seen    uint64   `json:"seen" minimum:"1" doc:"The last entry of the run that was shown to whoever acts, as last says. look: up to which they have looked."`
	Reason  string   `json:"reason,omitempty" maxLength:"500" doc:"Needed to return, replace, archive and take out again."`
	Ref     string   `json:"ref,omitempty" maxLength:"128" doc:"The reference of an investigation."`
	Other   string   `json:"other,omitempty" maxLength:"63" doc:"replace: the run that stands for it."`
	Signing *Signing `json:"signing,omitempty" doc:"Where the act is signed."`
}

// Signing is what somebody gives to sign with.
type Signing struct {
	ID        string `json:"id,omitempty" maxLength:"128" doc:"Their own id or login. Needed at the first signature since they signed in, and after a pause."`
	Secret    string `json:"secret" maxLength:"1024" doc:"Their password. It is never kept or logged."`
	Statement string `json:"statement_sha256,omitempty" maxLength:"64" doc:"SHA-256 of the statement that was shown, hexadecimal: what was shown is what is signed. Left out where several runs are approved at once, each of which names its own."`
	// Address is where it comes from, for the throttle.
	Address string `json:"-"`
}

// Statement is what somebody would sign.
type Statement struct {
	Meaning string            `json:"meaning" enum:"performed,reviewed,approved"`
	Text    string            `json:"text" doc:"To be shown in full."`
	SHA256  string            `json:"sha256" doc:"Of the text, hexadecimal."`
	Last    uint64            `json:"last" doc:"The last entry of the run that it covers."`
	Asks    rights.AsksToSign `json:"asks" doc:"What whoever asks has to show to sign it."`
	// Ticket shows, in the session of whoever asks, that they were shown the text; "": they sign at no provider.
	Ticket string `json:"-"`
}

// FrameReadings is what layouts make of the frame of a weighing.
type FrameReadings struct {
	Of       record.EntryRef `json:"of"`
	Layout   string          `json:"layout" doc:"By which it was read as it is recorded: its hash."`
	Readings []FrameReading  `json:"readings" nullable:"false" doc:"By every layout in force first, then by those of earlier settings, the newest first."`
	More     bool            `json:"more" doc:"There may be older layouts that are not listed."`
}

// FrameReading is what one layout makes of a frame.
type FrameReading struct {
	Layout   string        `json:"layout" doc:"Its hash."`
	Balances []string      `json:"balances" nullable:"false" doc:"Which balances have or had it."`
	Now      bool          `json:"now" doc:"Whether it is in force at one of them."`
	Value    *record.Value `json:"value,omitempty" doc:"What it reads; absent: it cannot read it."`
	Why      string        `json:"why,omitempty" doc:"Why not, in a sentence."`
}

// RunCorrection is what somebody corrects of a run. What a balance said is never amended.
type RunCorrection struct {
	Change  string `json:"change" enum:"exclude,include,amend,reread"`
	Of      string `json:"of" maxLength:"200" doc:"The id of the entry: of a weighing or a slip; amend: also of the beginning of the run, or of a step."`
	Field   string `json:"field,omitempty" maxLength:"128" doc:"amend: person, sample, lot, method, container, or the name of a field of its own."`
	Before  string `json:"before,omitempty" maxLength:"128" doc:"amend: what stands there now. Needed where the beginning of a run of several things is amended."`
	After   string `json:"after,omitempty" maxLength:"128" doc:"amend: what it should have said."`
	Layout  string `json:"layout,omitempty" maxLength:"80" doc:"reread: hash of the layout."`
	Reason  string `json:"reason" maxLength:"100" doc:"One of the lab's list."`
	Comment string `json:"comment" maxLength:"500" doc:"In words of one's own."`
	Ref     string `json:"ref,omitempty" maxLength:"128" doc:"The reference of an investigation. Needed where a value outside its limits goes away by it."`
	Seen    uint64 `json:"seen" minimum:"1" doc:"The last entry of the run that was shown to whoever corrects, as last says."`
}

// TogetherRun is one of several runs that are approved at once.
type TogetherRun struct {
	Run       string `json:"run" maxLength:"63"`
	Seen      uint64 `json:"seen" minimum:"1" doc:"Its last entry, as the list said."`
	Statement string `json:"statement_sha256" maxLength:"64" doc:"SHA-256 of its statement, hexadecimal."`
}

// TogetherOutcome is what became of one of them.
type TogetherOutcome struct {
	Run   string `json:"run"`
	OK    bool   `json:"ok"`
	State string `json:"state,omitempty" doc:"As it is now."`
	Why   string `json:"why,omitempty" doc:"Why it was not approved."`
}
