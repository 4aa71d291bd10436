package console

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"time"

	"weighpost/gateway/record"
)

// Follower follows the journal from a place in it. A cursor names such a place: the incarnation and the sequence of an entry,
// with a point between them, as 7qx3.90211. It holds for ever, whatever is added, and in the lives of the journal that share the
// entry. A sequence alone is a cursor too, of whichever life the journal has now.
//
// The error of all three is a *record.RequestRefused, an *OtherLife, record.ErrNoBalance, that of ctx, or says why it does not
// work now.
type Follower interface {
	// Follow begins after a cursor, or, where that is "", after what is in the journal now. filter is as of a list; kinds are
	// those that are wanted, if not those of the filter.
	Follow(ctx context.Context, filter url.Values, after string, kinds ...record.Kind) (Following, error)
	// Now is the cursor of the last entry.
	Now(ctx context.Context) (string, error)
	// NextWeighing gives the first entry of the kinds about a balance that follows a cursor, and its own cursor. It waits for
	// one; where none has come in time the entry is nil, and nothing lies between the cursor that was given and the one that
	// it gives.
	NextWeighing(ctx context.Context, balance, after string, wait time.Duration, kinds ...record.Kind) (Followed, error)
}

// Following is one reader of the journal. It is used by one goroutine.
type Following interface {
	// More waits for entries that were asked for, and gives some. None without an error: there were others, and Cursor moved.
	More(ctx context.Context) ([]Followed, error)
	// Cursor is where it stands: what was asked for up to there has been given.
	Cursor() string
}

// Followed is an entry with its cursor, or, where Missing is set, entries that cannot be read.
type Followed struct {
	Cursor  string
	Entry   json.RawMessage
	Missing *MissingEntries
}

// MissingEntries says that some entries could not be read.
type MissingEntries struct {
	First uint64 `json:"first" doc:"Sequence of the first of them."`
	Last  uint64 `json:"last" doc:"And of the last."`
	Why   string `json:"why" doc:"Why, in a sentence."`
}

// OtherLife says that a cursor is of an entry that this journal does not have: it went on from a backup, or it is another one.
type OtherLife struct {
	Asked  string // the cursor
	Now    string // the incarnation that the journal has
	Shared string // the last place that both have, a cursor; "": none is known
}

func (o *OtherLife) Error() string {
	s := "the journal has no entry " + o.Asked + ": it is now " + o.Now + ", another life or another journal. "
	if o.Shared != "" {
		return s + "Both have what is up to " + o.Shared + ": ask with that as after, without Last-Event-ID, and what is given is what this journal has instead"
	}
	return s + "Begin anew: after=0 gives all of it"
}

// problemOtherLife is the type of the problem that programs tell from other conflicts.
const problemOtherLife = problemTypes + "other-journal"

// notFollowed says why the journal cannot be followed as asked.
func (s *Server) notFollowed(err error) error {
	var other *OtherLife
	switch {
	case errors.As(err, &other):
		return &problemDocument{problemOtherLife, "The journal has another life", http.StatusConflict, sentence(other.Error())}
	case errors.Is(err, record.ErrNoBalance):
		return s.noBalance()
	}
	return unlisted(err)
}
