package console

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	contextPath = apiPrefix + "balances/{id}/context"
	// recordTime is how long the journal may take for an act before the answer says that it does not record.
	recordTime = 5 * time.Second
	retryAfter = "5" // seconds
)

type contextAnswer struct{ Body record.ContextView }

// FromWhere is a request with where it comes from. It has a name that the API library may see.
type FromWhere struct{ From string }

// Resolve learns where the request comes from.
func (r *FromWhere) Resolve(ctx huma.Context) []error {
	r.From = ctx.RemoteAddr()
	return nil
}

// ToBalance is a request to one balance, with where it comes from. It has a name that the API library may see.
type ToBalance struct {
	BalanceID
	FromWhere
}

type contextChange struct {
	ToBalance
	RawBody []byte `contentType:"application/json"`
}

func (s *Server) contextRoutes(api huma.API) {
	errs := refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)
	op := func(id, method, summary, more string, errs []int) huma.Operation {
		right := rights.Weigh
		if method == http.MethodGet {
			right = rights.See
		}
		return needs(huma.Operation{OperationID: id, Method: method, Path: contextPath, Summary: summary, Description: more,
			Tags: []string{"context"}, Errors: errs, SkipValidateBody: true}, right) // record.ParseContextRequest reads it
	}
	huma.Register(api, op("get-context", http.MethodGet, "What the next weighings are tied to", "", []int{http.StatusNotFound}),
		func(_ context.Context, in *BalanceID) (*contextAnswer, error) {
			view, err := s.deps.Contexts.ContextOf(in.ID)
			return s.contextOf(view, err)
		})
	huma.Register(api, op("set-context", http.MethodPut, "Tie the next weighings to a person, a sample and more",
		"Replaces the whole context: what is not named ends. It is answered once the act is in the journal. Whoever is signed in ties the "+
			"balance to themselves where they name nobody; to name another needs the right send-context.", errs),
		func(ctx context.Context, in *contextChange) (*contextAnswer, error) {
			return s.changeContext(ctx, in, true)
		})
	huma.Register(api, op("change-context", http.MethodPatch, "Change a part of the context",
		"Changes what is named and leaves the rest (RFC 7396): null ends an item.", errs),
		func(ctx context.Context, in *contextChange) (*contextAnswer, error) {
			return s.changeContext(ctx, in, false)
		})
	huma.Register(api, op("end-context", http.MethodDelete, "End the whole context: sign out", "", errs),
		func(ctx context.Context, in *ToBalance) (*contextAnswer, error) {
			return s.act(ctx, in.ID, in.From, record.ContextRequest{SignOut: true})
		})
	describeContext(api.OpenAPI())
}

// changeContext reads the one form that a request has, here as at the broker, so that both refuse the same.
func (s *Server) changeContext(ctx context.Context, in *contextChange, whole bool) (*contextAnswer, error) {
	if !json.Valid(in.RawBody) {
		return nil, &problemDocument{"about:blank", "The body is no JSON", http.StatusBadRequest, "Send one JSON object: {\"sample\": {\"id\": \"LOT-1003\"}}."}
	}
	request, err := record.ParseContextRequest(in.RawBody)
	if err != nil {
		return nil, &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity, sentence(err.Error())}
	}
	request.Whole = whole // RFC 7396 for PATCH
	return s.act(ctx, in.ID, in.From, request)
}

// act carries out a change, or refuses it where it could not be recorded.
func (s *Server) act(ctx context.Context, id, from string, request record.ContextRequest) (*contextAnswer, error) {
	if _, err := s.deps.Contexts.ContextOf(id); err != nil {
		return s.contextOf(record.ContextView{}, err)
	}
	if why := s.unrecorded(id); why != "" {
		return nil, notNow("Nothing was changed, since it could not be recorded. " + why)
	}
	actor, err := actorOf(ctx, "")
	if err != nil {
		return nil, err
	}
	if err := ownContext(rights.From(ctx), id, &request); err != nil {
		return nil, err
	}
	request.Where, request.Actor, request.At = where(from), &actor, time.Now()
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	view, err := s.deps.Contexts.SetContext(ctx, id, request)
	return s.contextOf(view, err)
}

// contextOf turns what the intake says into an answer.
func (s *Server) contextOf(view record.ContextView, err error) (*contextAnswer, error) {
	var refused *record.ContextRefused
	switch {
	case err == nil:
		return &contextAnswer{view}, nil
	case errors.Is(err, record.ErrNoBalance):
		return nil, s.noBalance()
	case errors.As(err, &refused):
		problem := &problemDocument{"about:blank", "The change was refused", http.StatusConflict, sentence(refused.Why)}
		if refused.Ask {
			problem.Title = "The change has to be confirmed"
			problem.Detail += ` Send it again with "confirm": true.`
		}
		if refused.Noted {
			return nil, huma.ErrorWithHeaders(problem, http.Header{selfNoted: {"context"}})
		}
		return nil, problem
	default:
		return nil, notNow(sentence(err.Error()) + " Ask what holds, and send the request again.")
	}
}

func notNow(why string) error {
	return huma.ErrorWithHeaders(&problemDocument{"about:blank", "Recording does not work now", http.StatusServiceUnavailable, why},
		http.Header{"Retry-After": {retryAfter}})
}
