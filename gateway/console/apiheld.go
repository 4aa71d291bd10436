package console

import (
	"context"
	"errors"
	"net/http"
	"slices"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const releasePath = deliveriesPath + "/release"

type heldQuery struct {
	SinkID
	Before uint64 `query:"before" doc:"The place in the journal that the part before ended with, as it said in next."`
	Limit  int    `query:"limit" doc:"How many at most." minimum:"1" maximum:"500" default:"100"`
}

type heldListAnswer struct{ Body HeldList }

// Release is which entries somebody lets go that sinks hold back.
type Release struct {
	Entries []uint64 `json:"entries,omitempty" minItems:"1" maxItems:"1000" nullable:"false" doc:"Which entries, by their places in the journal (seq)."`
	IDs     []string `json:"ids,omitempty" minItems:"1" maxItems:"1000" nullable:"false" doc:"Which entries, by their ids, in place of or beside entries; at most 1000 of both."`
	Reason  string   `json:"reason" minLength:"1" maxLength:"500" doc:"Why; it becomes part of the entry that says so."`
	By      string   `json:"by,omitempty" maxLength:"128" doc:"Who decides, by name. Needed with the host's token. A person acts under their own name: left out, or that."`
}

type releaseRequest struct{ Body Release }

type releaseAnswer struct{ Body ReleaseDone }

// heldRoutes are what is held back, and its release. To let a weighing go is the judgement of whoever looked at it, as noting a review of the trail
// is: a person who does not look after settings, and no program. Hence its right is that of reviewing, and not that of deliveries.
func (s *Server) heldRoutes(api huma.API, op func(id, method, path, summary, more string, right rights.Right, errs ...int) huma.Operation) {
	huma.Register(api, op("list-held", http.MethodGet, deliveriesPath+"/{sink}/held", "What a sink holds back until somebody releases it",
		"The newest first. One answer looks at the newest 500 weighings only; next says where to look on.",
		rights.ReadJournal, http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable), s.listHeld)
	huma.Register(api, op("release-held", http.MethodPost, releasePath, "Let weighings and results go out that sinks hold back",
		"Each goes to every sink that holds it back, marked as late. 409: one of them is no weighing that a sink holds back, or was released before; nothing is "+
			"released then.", rights.ReviewTrail, refusals(http.StatusConflict, http.StatusServiceUnavailable)...), s.releaseHeld)
}

func (s *Server) listHeld(ctx context.Context, in *heldQuery) (*heldListAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestList)
	defer cancel()
	list, err := s.deps.Deliveries.Held(ctx, in.Sink, in.Before, in.Limit)
	if errors.Is(err, ErrNoSink) {
		return nil, s.noSink()
	}
	if err != nil {
		return nil, unlisted(err)
	}
	return &heldListAnswer{list}, nil
}

func (s *Server) releaseHeld(ctx context.Context, in *releaseRequest) (*releaseAnswer, error) {
	actor, reason, err := s.deciding(ctx, in.Body.By, in.Body.Reason, true)
	if err != nil {
		return nil, err
	}
	ids := slices.Compact(slices.Sorted(slices.Values(in.Body.IDs)))
	seqs := slices.Compact(slices.Sorted(slices.Values(in.Body.Entries)))
	if n := len(ids) + len(seqs); n == 0 || n > record.MostReleased {
		return nil, notTaken("say which: 1 to 1000 entries, by their places in the journal or by their ids")
	}
	ctx, cancel := context.WithTimeout(ctx, decideTime)
	defer cancel()
	done, err := s.deps.Deliveries.Release(ctx, actor, seqs, ids, reason)
	var refused *record.RequestRefused
	switch {
	case err == nil:
		return &releaseAnswer{done}, nil
	case errors.As(err, &refused):
		return nil, &problemDocument{"about:blank", "Nothing was released", http.StatusConflict, sentence(refused.Why)}
	}
	return nil, notNow(sentence(err.Error()) + " See the list of what is held back for what became of it before it is sent again.")
}
