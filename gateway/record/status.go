package record

// How a balance and a destination are now, for those who watch from afar, such as the subscribers of a retained topic. None of it is
// an entry: a later one takes its place.

// Schemas of the two.
const (
	BalanceStatusSchema = "weighpost.balance-status/1"
	SinkStatusSchema    = "weighpost.sink-status/1"
)

// BalanceStatus is how one balance is.
type BalanceStatus struct {
	Schema     string         `json:"schema"`
	Site       string         `json:"site"`
	Balance    string         `json:"balance" doc:"Id of the balance."`
	UTC        UTC            `json:"utc" doc:"When it was so, by the clock of weighpost."`
	Connected  bool           `json:"connected" doc:"Its port is open."`
	Identity   string         `json:"identity,omitempty" doc:"confirmed or unconfirmed; absent where it is not read."`
	Service    string         `json:"service" doc:"Whether it may be used: in service, due (a check is), overdue, out of service, in check, or unknown where nobody keeps that."`
	NextCheck  *UTC           `json:"next_check,omitempty" doc:"When its next check is due, in the past where it is; absent where none is scheduled."`
	Clock      string         `json:"clock" doc:"State of the clock that stamps its weighings: checked, holdover or unchecked."`
	LastHeard  *UTC           `json:"last_heard,omitempty" doc:"When the last line came from it; absent: none since the start."`
	Conditions []StatusReason `json:"conditions" doc:"What is wrong with it."`
}

// SinkStatus is how the deliveries to one destination are.
type SinkStatus struct {
	Schema      string         `json:"schema"`
	Site        string         `json:"site"`
	Sink        string         `json:"sink" doc:"Id of the destination."`
	Kind        string         `json:"kind" doc:"mqtt, files, http and so on."`
	UTC         UTC            `json:"utc" doc:"When it was so, by the clock of weighpost."`
	State       string         `json:"state" doc:"working, retrying, waiting, stopped or paused."`
	Waiting     uint64         `json:"waiting" doc:"How many entries it wants and has not had, as far as was counted."`
	AtLeast     bool           `json:"at_least,omitempty" doc:"There may be more of these."`
	Parked      uint64         `json:"parked" doc:"How many entries are set aside for it and wait for a person."`
	Oldest      string         `json:"oldest,omitempty" doc:"Id of the entry that has waited longest; absent where none waits, or that is not known."`
	BehindSince *UTC           `json:"behind_since,omitempty" doc:"When that entry happened."`
	Paused      *StatusPaused  `json:"paused,omitempty" doc:"Absent where nobody paused it."`
	LastSuccess *UTC           `json:"last_success,omitempty" doc:"When it took an entry last; absent: not since the start."`
	LastError   string         `json:"last_error,omitempty" doc:"What went wrong last, also where it works again."`
	FailedAt    *UTC           `json:"failed_at,omitempty" doc:"When that was."`
	Remedy      string         `json:"remedy,omitempty" doc:"What to do about its state."`
	Conditions  []StatusReason `json:"conditions" doc:"What is wrong with it."`
}

// StatusPaused says that somebody stopped the deliveries. Who did stands in the journal.
type StatusPaused struct {
	Since UTC    `json:"since"`
	Why   string `json:"why,omitempty" doc:"The reason that was given."`
}

// StatusReason is one thing that is wrong.
type StatusReason struct {
	Code     string `json:"code"`
	Severity string `json:"severity" doc:"error, warning or notice."`
	Sentence string `json:"sentence" doc:"What happened, where."`
	Remedy   string `json:"remedy" doc:"What to do."`
	Since    UTC    `json:"since"`
}
