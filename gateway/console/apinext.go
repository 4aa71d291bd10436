package console

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	nextPath    = apiPrefix + "balances/{id}/next"
	longestWait = 60 * time.Second
)

type nextRequest struct {
	BalanceID
	After   string  `query:"after" doc:"The cursor of the answer before, or of an event of a stream. Left out: the answer comes at once, with a cursor of the present and no weighing." example:"7qx3.90211"`
	Wait    float64 `query:"wait_s" default:"30" minimum:"0" maximum:"60" doc:"For how many seconds to wait for a weighing."`
	Results bool    `query:"results" doc:"true: a result, which is no mass, is waited for too."`
}

// NextWeighing is a weighing that was waited for.
type NextWeighing struct {
	Weighing exactWeighing `json:"weighing,omitempty" doc:"The exact JSON of the first weighing after the cursor that was asked with. Absent: there is none yet."`
	Cursor   string        `json:"cursor" doc:"What to ask with as after: with it the one that follows is waited for, and no other is left out."`
}

type nextAnswer struct{ Body NextWeighing }

func (s *Server) nextRoute(api huma.API) {
	if s.deps.Follow == nil {
		return
	}
	op := huma.Operation{OperationID: "next-weighing", Method: http.MethodGet, Path: nextPath, Tags: []string{"weighings"}, Metadata: rightOnly(rights.ReadJournal),
		Summary: "Wait for the next weighing of a balance",
		Description: "Ask without after once: that gives a cursor of the present. Then ask with it, and each time with the cursor of the answer before. The same cursor asked " +
			"again gives the same weighing, by whomever, however often, and after a restart too: an answer that got lost is asked for again. Where no weighing has come in " +
			"wait_s seconds the answer is 200 without weighing, and its cursor is as good as the one before. 409: the journal went on from a backup, or is another one, " +
			"and has not the entry of the cursor.",
		Errors: []int{http.StatusNotFound, http.StatusConflict, http.StatusUnprocessableEntity, http.StatusServiceUnavailable},
		Middlewares: huma.Middlewares{func(ctx huma.Context, next func(huma.Context)) {
			withPatience(ctx, longestWait+writeTime, next)
		}}}
	huma.Register(api, op, s.nextWeighing)
}

func (s *Server) nextWeighing(ctx context.Context, in *nextRequest) (*nextAnswer, error) {
	kinds := []record.Kind{record.KindWeighing}
	if in.Results {
		kinds = append(kinds, record.KindResult)
	}
	if in.After == "" {
		if !s.known(in.ID) {
			return nil, s.noBalance()
		}
		now, err := s.deps.Follow.Now(ctx)
		if err != nil {
			return nil, s.notFollowed(err)
		}
		return &nextAnswer{NextWeighing{Cursor: now}}, nil
	}
	one, err := s.deps.Follow.NextWeighing(ctx, in.ID, in.After, time.Duration(in.Wait*float64(time.Second)), kinds...)
	if err != nil {
		return nil, s.notFollowed(err)
	}
	return &nextAnswer{NextWeighing{exactWeighing(one.Entry), one.Cursor}}, nil
}

// known says whether there is a balance of that id now.
func (s *Server) known(id string) bool {
	for _, b := range s.deps.Source.Balances() {
		if b.ID == id {
			return true
		}
	}
	return false
}
