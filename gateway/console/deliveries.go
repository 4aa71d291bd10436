package console

import (
	"context"
	"errors"
	"unicode"
	"unicode/utf8"

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
	// Pause stops the deliveries of a sink until Continue, over restarts; what is under way ends first. The reason is needed. Errors as
	// of Retry.
	Pause(ctx context.Context, who record.Actor, sink, reason string) (DeliveryDone, error)
	// Continue lets the deliveries of a paused sink go on. Errors as of Retry.
	Continue(ctx context.Context, who record.Actor, sink, reason string) (DeliveryDone, error)
	// Held lists the weighings and results that a sink holds back and that nobody has released, the newest first: at most limit before
	// a place in the journal (0: from its end). It looks at so many entries only, and says where to go on. Errors as of Parked.
	Held(ctx context.Context, sink string, before uint64, limit int) (HeldList, error)
	// Release lets weighings and results go out that sinks hold back, to each sink that does: at most record.MostReleased, by place
	// in the journal or by id. Errors as of Retry.
	Release(ctx context.Context, who record.Actor, entries []uint64, ids []string, reason string) (ReleaseDone, error)
	// Routing says what a sink is configured to get; ErrNoSink.
	Routing(sink string) (Routing, error)
	// Gone lists what is parked for sinks that are not configured any more.
	Gone(ctx context.Context) ([]GoneSink, error)
	// Waiting counts how many entries a sink wants and has not had, in bounded time; exact is false where there may be more.
	Waiting(ctx context.Context, sink string) (n uint64, exact bool, err error)
	// Preview shows what a sink would send for an entry, whether or not it had it. The error is ErrNoSink, ErrNoEntry, a
	// *record.RequestRefused where sinks of this kind cannot show it, or says why it does not work now.
	Preview(ctx context.Context, sink, id string) (DeliveryPreview, error)
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

// Routing is what a sink is configured to get.
type Routing struct {
	Entries  []string // kinds of entry, or all
	Balances []string // ids; none: all
	Verdicts string   // any, passed, not-failed or failed
	Hold     string   // released, or ""
	Closed   string   // hour, day, a number of entries, or ""
}

// HeldEntry is a weighing or a result that a sink holds back.
type HeldEntry struct {
	Seq     uint64      `json:"seq" doc:"Its place in the journal."`
	ID      string      `json:"id" doc:"Id of the entry."`
	Kind    record.Kind `json:"kind" doc:"What the entry is."`
	Balance string      `json:"balance" doc:"The balance that it is of."`
	UTC     record.UTC  `json:"utc" doc:"When it happened."`
	What    string      `json:"what,omitempty" doc:"What it says, in short: its value and sample."`
	Why     string      `json:"why,omitempty" doc:"Why it is held back, where that is not what the sink does with all weighings: balance out of service."`
}

// HeldList is a part of what a sink holds back.
type HeldList struct {
	Held []HeldEntry `json:"held" nullable:"false" doc:"The newest first."`
	Next uint64      `json:"next,omitempty" doc:"What to send as before to look on; absent where nothing is before. A part may be short, or empty, and have one."`
}

// ReleaseDone says what was released.
type ReleaseDone struct {
	Entries int      `json:"entries" doc:"How many entries were released."`
	Sinks   []string `json:"sinks" nullable:"false" doc:"Ids of the sinks that held some of them back."`
	Act     string   `json:"act" doc:"Id of the entry that says so."`
}

// GoneSink is a sink that is not configured any more and for which entries are still parked.
type GoneSink struct {
	ID     string `json:"id" doc:"Id of the sink, as it was configured."`
	Parked uint64 `json:"parked" doc:"How many entries are parked for it."`
}

// DeliveryPreview is exactly what a sink would send for one entry. Secrets are not in it.
type DeliveryPreview struct {
	Sink       string        `json:"sink" doc:"Id of the sink."`
	Kind       string        `json:"kind" doc:"What kind of sink it is."`
	Entry      string        `json:"entry" doc:"Id of the entry."`
	Seq        uint64        `json:"seq" doc:"Its place in the journal."`
	NotWanted  string        `json:"not_wanted,omitempty" doc:"Why the sink, as it is configured, does not send this entry by itself; absent where it does."`
	Refused    string        `json:"refused,omitempty" doc:"Why the entry cannot be sent there at all; absent where it can. The members that follow are of no meaning then."`
	To         string        `json:"to" doc:"Where it goes: a topic, the name of a file, an address, a table."`
	Attributes []PreviewPair `json:"attributes" nullable:"false" doc:"What goes beside the body: headers, user properties. Secrets are left out."`
	Type       string        `json:"type,omitempty" doc:"Media type of the body; absent where the destination is told none."`
	Size       int           `json:"size" doc:"Bytes of the body."`
	SHA256     string        `json:"sha256" doc:"SHA-256 of the body, in hex."`
	Body       []byte        `json:"body" doc:"The exact body, in base64."`
	Text       string        `json:"text,omitempty" doc:"The body as text, where it is UTF-8 with nothing in it that cannot be seen."`
}

// PreviewPair goes beside a body.
type PreviewPair struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// MostPreviewed is how long a body may be that is shown, in bytes.
const MostPreviewed = 2 << 20

// BodyText gives a body as text, where all of it can be seen as that: UTF-8 of printable characters, tabs and ends of lines.
func BodyText(body []byte) (text string, ok bool) {
	if !utf8.Valid(body) {
		return "", false
	}
	for _, r := range string(body) {
		if !unicode.IsPrint(r) && r != '\n' && r != '\r' && r != '\t' || r == unicode.ReplacementChar {
			return "", false
		}
	}
	return string(body), true
}
