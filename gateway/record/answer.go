package record

// What became of one print of a balance.
const (
	AnswerRecorded     = "recorded"      // it is in the journal
	AnswerUnread       = "unread"        // it could not be read as a weighing, and is kept as it came
	AnswerRefused      = "refused"       // it was read, and is not to be used: Why says why. It may be recorded all the same
	AnswerChecked      = "checked"       // the check of the balance that is under way took it
	AnswerNotRecording = "not-recording" // it could not be recorded
)

// Answer is what whoever stands at a balance is told of one print, at once: what became of it, and for whom. It is told once the
// journal has acknowledged what it says, or it is known that it will not.
type Answer struct {
	Balance string        `json:"balance"`
	UTC     UTC           `json:"utc"`
	Outcome string        `json:"outcome"`           // one of the constants above
	ID      string        `json:"id,omitempty"`      // of the entry, where there is one
	Value   *Value        `json:"value,omitempty"`   // nil where nothing could be read
	Context []ContextHeld `json:"context,omitempty"` // what it was tied to
	Why     string        `json:"why,omitempty"`     // a sentence, unless it was recorded without any doubt
}
