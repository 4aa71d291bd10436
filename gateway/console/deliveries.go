package console

import (
	"context"
	"errors"

	"weighpost/gateway/record"
)

// Deliveries looks at what destinations refused, and has it carried out what people decide about it. What a sink has had and what
// is wrong with it, Source says (Sink).
type Deliveries interface {
	// Parked lists what is set aside for a sink, by place in the journal, at most limit entries after one of them. The error is
	// ErrNoSink, or says why it does not work now.
	Parked(ctx context.Context, sink string, after uint64, limit int) ([]ParkedEntry, error)
	// Retry has parked entries delivered again, each with its id, after the act is in the journal: what the destination takes is no
	// longer parked, what it refuses again stays so, with the new reason. It does not wait for that. entries are places in the
	// journal, at most record.MostParked; nil: all that is set aside for the sink. The error is ErrNoSink, a *record.RequestRefused,
	// or says why it does not work now; what was done by then is in the answer.
	Retry(ctx context.Context, who record.Actor, sink string, entries []uint64, reason string) (DeliveryDone, error)
	// Drop ends that entries are parked: they are never delivered to the sink, and stay in the journal. Otherwise as Retry; the
	// reason is needed.
	Drop(ctx context.Context, who record.Actor, sink string, entries []uint64, reason string) (DeliveryDone, error)
	// TryNow has a sink that waits, or is stopped, try at once. Errors as of Retry.
	TryNow(ctx context.Context, who record.Actor, sink, reason string) (DeliveryDone, error)
}

// ErrNoSink says that no sink of that id is configured.
var ErrNoSink = errors.New("there is no sink of that id")

// ParkedEntry is an entry that a destination refused for good.
type ParkedEntry struct {
	Seq     uint64      `json:"seq" doc:"Its place in the journal."`
	ID      string      `json:"id" doc:"Id of the entry."`
	Kind    record.Kind `json:"kind" doc:"What the entry is."`
	Balance string      `json:"balance,omitempty" doc:"The balance that it is about; absent where it is about none."`
	UTC     record.UTC  `json:"utc" doc:"When it happened."`
	What    string      `json:"what,omitempty" doc:"What it says, in short: of a weighing its value and sample."`
	Since   record.UTC  `json:"since" doc:"Since when it is set aside, or was refused last."`
	Why     string      `json:"why" doc:"Why the destination did not take it, as it said itself."`
	Notice  uint64      `json:"notice" doc:"Place in the journal of the entry that says so."`
	Retried *record.UTC `json:"retried,omitempty" doc:"When it was asked for again; absent unless the outcome is still open."`
	By      string      `json:"by,omitempty" doc:"Who asked for that."`
}

// DeliveryDone says what was done about a sink.
type DeliveryDone struct {
	Sink    string   `json:"sink" doc:"Id of the sink."`
	Entries int      `json:"entries" doc:"How many parked entries it was about."`
	Left    uint64   `json:"left" doc:"How many are parked for the sink now; those that were asked for again count until they are delivered."`
	Acts    []string `json:"acts" nullable:"false" doc:"Ids of the entries that say so: one, or one for each 1,000 parked entries."`
}
