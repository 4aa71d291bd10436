package record

import "time"

// The states of a run after its steps are done (RunOpen, RunComplete and RunAbandoned are those before). There are no others.
const (
	RunInReview    = "in review"
	RunReturned    = "returned" // by a reviewer, with a reason
	RunReviewed    = "reviewed" // and another person is to approve it
	RunApproved    = "approved"
	RunReviewAgain = "needs review again" // it changed after it was signed, and is no longer signed
	RunReplaced    = "replaced"           // another run stands for it
	RunArchived    = "archived"
)

// What is done to a run in its review.
const (
	ActSubmit    = "submit"    // whoever performed it has looked it over
	ActReturn    = "return"    // a reviewer gives it back
	ActReview    = "review"    // a reviewer signs it
	ActApprove   = "approve"   // somebody else signs it, where the lab wants two
	ActReplace   = "replace"   // another run stands for it from here on
	ActArchive   = "archive"   // it is closed
	ActUnarchive = "unarchive" // it is as it was before it was closed
	ActLook      = "look"      // somebody looked over its trail up to Seen: it stays as it is
	ActDoubt     = "doubt"     // a failed check was judged to affect it: it needs review again
)

// RunReview is one act of the review of a run.
type RunReview struct {
	Head
	Run     RunRef      `json:"run"`
	Balance *Balance    `json:"balance,omitempty"` // where it was last
	Request *RequestRef `json:"request,omitempty"` // what it answers
	Act     string      `json:"act"`               // one of the words above
	From    string      `json:"from"`              // the state before
	To      string      `json:"to"`                // the state from here on
	Reason  string      `json:"reason,omitempty"`
	Ref     string      `json:"ref,omitempty"` // of an investigation
	// Seen is the sequence of the last entry of the run that was shown to whoever acted, TreeSize and Root the head of the journal then.
	Seen     uint64 `json:"seen"`
	TreeSize uint64 `json:"tree_size"`
	Root     string `json:"root"` // base64, as in a checkpoint
	// Signature is the one that was given with the act; it comes just before it. Absent: the act is not signed.
	Signature *EntryRef `json:"signature,omitempty"`
	By        Actor     `json:"by"`
	Other     *RunRef   `json:"other,omitempty"`   // replace: the run that stands for it
	Check     string    `json:"check,omitempty"`   // doubt: the id of the check that failed
	Unseen    bool      `json:"unseen,omitempty"`  // it was approved together with others that have no flag either: the lab allows that
	Verdict   string    `json:"verdict,omitempty"` // of the run as it stands
	Stamp     Stamp     `json:"stamp"`
}

func (r *RunReview) Kind() Kind      { return KindRunReviewed }
func (r *RunReview) Subject() string { return idOf(r.Balance) }
func (r *RunReview) Time() time.Time { return r.Stamp.UTC.Time() }

// Follow names the signature that comes just before, where the act is signed: Signature is there then, and empty.
func (r *RunReview) Follow(before Head) {
	if r.Signature != nil && before.Schema == KindSignature.Schema() {
		*r.Signature = EntryRef{Seq: before.Seq, ID: before.ID}
	}
}

// What an entry of kind run-corrected changes.
const (
	CorrectExclude = "exclude" // a weighing is not to be used: its results are worked out without it
	CorrectInclude = "include" // it is used again
	CorrectAmend   = "amend"   // something of its context was wrong. Never digits, unit, stamp or frame
	CorrectReread  = "reread"  // its frame, as received, was read anew by another layout
)

// RunCorrected says that a weighing of a run is not to be used, is used again, had a wrong context, or is read anew by another layout; and
// what the results are from here on. What was recorded stays as it is.
type RunCorrected struct {
	Head
	Run      RunRef      `json:"run"`
	Balance  *Balance    `json:"balance,omitempty"`
	Request  *RequestRef `json:"request,omitempty"`
	Change   string      `json:"change"`             // one of the words above
	Of       EntryRef    `json:"of"`                 // the weighing, or for amend the entry whose context was wrong
	Steps    []EntryRef  `json:"steps,omitempty"`    // of the run, that used it
	Field    string      `json:"field,omitempty"`    // amend: person, sample, lot, method, or the name of a field of its own
	Before   string      `json:"before,omitempty"`   // amend: what it said. reread: the value, with its unit
	After    string      `json:"after,omitempty"`    // likewise, from here on
	Layout   string      `json:"layout,omitempty"`   // reread: hash of the layout that reads it now
	Value    *Value      `json:"value,omitempty"`    // reread: what that layout reads
	Reason   string      `json:"reason"`             // from the lab's list
	Comment  string      `json:"comment"`            // in the words of whoever did it
	Ref      string      `json:"ref,omitempty"`      // of an investigation: needed where the value was outside its limits
	From     string      `json:"from"`               // the state of the run before
	To       string      `json:"to"`                 // and from here on
	Was      []RunResult `json:"was"`                // the results before
	Results  []RunResult `json:"results"`            // the results from here on
	Verdict  string      `json:"verdict"`            // of the run from here on
	Worked   []Reworked  `json:"worked,omitempty"`   // what was worked out anew
	Excluded []EntryRef  `json:"excluded,omitempty"` // all weighings that are not used from here on
	By       Actor       `json:"by"`
	Stamp    Stamp       `json:"stamp"`
}

// Reworked is a value that was worked out anew.
type Reworked struct {
	Step   string   `json:"step"`
	Pass   int      `json:"pass,omitempty"`
	Worked *Worked  `json:"worked,omitempty"` // absent: it cannot be worked out any more, and Why says so
	Value  RunValue `json:"value"`
	Why    string   `json:"why,omitempty"`
}

func (r *RunCorrected) Kind() Kind      { return KindRunCorrected }
func (r *RunCorrected) Subject() string { return idOf(r.Balance) }
func (r *RunCorrected) Time() time.Time { return r.Stamp.UTC.Time() }
