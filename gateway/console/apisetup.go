package console

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	setupPath       = apiPrefix + "setup"
	setupPortsPath  = setupPath + "/ports"
	visitsPath      = setupPath + "/visits"
	visitPath       = visitsPath + "/{id}"
	visitAnswerPath = visitPath + "/answer"
	visitEventsPath = visitPath + "/events"

	// longestPorts is how long ports are looked for: where thousands of programs run that takes a while.
	longestPorts = 8 * time.Second
)

type setupPortsAnswer struct {
	Body struct {
		Ports []SetupPort `json:"ports" nullable:"false"`
	}
}

type visitsAnswer struct {
	Body struct {
		Visits []Visit `json:"visits" nullable:"false" doc:"The latest first."`
	}
}

type visitBegun struct {
	Body *struct {
		By string `json:"by,omitempty" maxLength:"128" doc:"Who begins it. Needed with the host's token."`
	}
}

// VisitID names a visit. It has a name that the API library may see.
type VisitID struct {
	ID string `path:"id" maxLength:"64" doc:"Id of the visit."`
}

type visitAnswered struct {
	VisitID
	Body struct {
		Question uint64 `json:"question" doc:"Number of the question."`
		Answer   string `json:"answer" maxLength:"500" doc:"The value of a choice, a text, or back where the question allows it. Empty: the default."`
		Reason   string `json:"reason,omitempty" maxLength:"500" doc:"Why, where the question needs it."`
		By       string `json:"by,omitempty" maxLength:"128" doc:"Who answers. Needed with the host's token."`
	}
}

type visitFollowed struct {
	VisitID
	After       string `query:"after" maxLength:"20" doc:"Only what comes after this event; left out: all that is kept."`
	LastEventID string `header:"Last-Event-ID" doc:"Where the stream ended that this one goes on from. It goes before after."`
}

type visitAnswer struct{ Body Visit }

func (s *Server) setupRoutes(api huma.API) {
	if s.deps.Setup == nil {
		return
	}
	op := func(id, method, path, summary, more string, errs ...int) huma.Operation {
		o := huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more, Tags: []string{"setup"}, Errors: errs}
		if method != http.MethodGet {
			o.Errors = refusals(append(errs, http.StatusServiceUnavailable)...)
		}
		return needs(o, rights.Balances)
	}
	huma.Register(api, op("list-setup-ports", http.MethodGet, setupPortsPath, "The serial ports of this computer, and who has them", "No port is opened.",
		http.StatusServiceUnavailable), s.setupPorts)
	huma.Register(api, op("list-visits", http.MethodGet, visitsPath, "The balances that are being added, and those that were of late", ""), s.listVisits)
	huma.Register(api, op("begin-visit", http.MethodPost, visitsPath, "Begin to add a balance",
		"A visit goes the guided path from a port to a balance in the configuration: port, settings, layout, plate, a test weighing, the change. It asks, and is answered; "+
			"what it tells and each byte that comes can be followed. Nothing is written before the last question is answered, and that goes the way of every change of "+
			"settings: one entry, and where policy says so it waits for another person. A visit ends when nobody answers for 15 minutes. 409: too many are under way.",
		http.StatusConflict), s.beginVisit)
	huma.Register(api, op("get-visit", http.MethodGet, visitPath, "How a visit stands, and what it asks", "", http.StatusNotFound), s.getVisit)
	huma.Register(api, op("answer-visit", http.MethodPost, visitAnswerPath, "Answer what a visit asks",
		"409: that is not asked any more, or the answer is none of those that the question allows.", http.StatusNotFound, http.StatusConflict), s.answerVisit)
	huma.Register(api, op("abandon-visit", http.MethodDelete, visitPath, "End a visit", "Nothing is written.", http.StatusNotFound, http.StatusConflict), s.abandonVisit)
	s.visitStream(api)
}

func (s *Server) visitStream(api huma.API) {
	list := api.OpenAPI().Components.Schemas
	o := streamOperation(api, huma.Operation{OperationID: "follow-visit", Path: visitEventsPath, Tags: []string{"setup"}, Metadata: rightOnly(rights.Balances),
		Summary: "What happens in a visit, as Server-Sent Events",
		Description: "visit: how it stands now. said: what is told. bytes: what came from the balance. Every event has an id; after an interruption an EventSource goes on " +
			"by itself. What is old is left out. The stream ends with the visit."},
		event{"visit", list.Schema(typeOf[Visit](), true, "")}, event{"said", list.Schema(typeOf[VisitSaid](), true, "")},
		event{"bytes", list.Schema(typeOf[VisitBytes](), true, "")}, event{"end", list.Schema(typeOf[endOf](), true, "")})
	o.Errors = append(o.Errors, http.StatusNotFound)
	huma.Register(api, o, s.followVisit)
}

func (s *Server) setupPorts(ctx context.Context, _ *struct{}) (*setupPortsAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestPorts)
	defer cancel()
	list, err := s.deps.Setup.SetupPorts(ctx)
	if err != nil {
		return nil, &problemDocument{"about:blank", "The ports cannot be listed now", http.StatusServiceUnavailable, sentence(err.Error())}
	}
	a := &setupPortsAnswer{}
	a.Body.Ports = append([]SetupPort{}, list...)
	return a, nil
}

func (s *Server) listVisits(context.Context, *struct{}) (*visitsAnswer, error) {
	a := &visitsAnswer{}
	a.Body.Visits = append([]Visit{}, s.deps.Setup.Visits()...)
	return a, nil
}

func (s *Server) beginVisit(ctx context.Context, in *visitBegun) (*visitAnswer, error) {
	by := ""
	if in.Body != nil {
		by = in.Body.By
	}
	actor, err := visitsAs(ctx, by)
	if err != nil {
		return nil, err
	}
	return visitDone(s.deps.Setup.BeginVisit(ctx, actor))
}

func (s *Server) getVisit(_ context.Context, in *VisitID) (*visitAnswer, error) {
	return visitDone(s.deps.Setup.Visit(in.ID))
}

func (s *Server) answerVisit(ctx context.Context, in *visitAnswered) (*visitAnswer, error) {
	actor, err := visitsAs(ctx, in.Body.By)
	if err != nil {
		return nil, err
	}
	return visitDone(s.deps.Setup.AnswerVisit(ctx, in.ID, VisitAnswer{Question: in.Body.Question, Answer: in.Body.Answer, Reason: in.Body.Reason, By: actor}))
}

func (s *Server) abandonVisit(ctx context.Context, in *VisitID) (*visitAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	return visitDone(s.deps.Setup.AbandonVisit(ctx, in.ID))
}

// visitsAs is who takes part in a visit.
func visitsAs(ctx context.Context, by string) (record.Actor, error) {
	if by != "" {
		if err := record.CheckActorName(by); err != nil {
			return record.Actor{}, &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity, sentence("by " + err.Error())}
		}
	}
	return namedActor(ctx, by)
}

// visitDone turns what became of a request into an answer.
func visitDone(v Visit, err error) (*visitAnswer, error) {
	var refused *VisitRefused
	switch {
	case errors.Is(err, ErrNoVisit):
		return nil, &problemDocument{"about:blank", "There is no such visit", http.StatusNotFound, sentence(err.Error())}
	case errors.As(err, &refused):
		return nil, &problemDocument{"about:blank", "That cannot be done now", http.StatusConflict, sentence(refused.Why)}
	case err != nil:
		return nil, notNow(sentence(err.Error()))
	}
	v.Steps, v.Said = append([]string{}, v.Steps...), append([]VisitSaid{}, v.Said...)
	return &visitAnswer{v}, nil
}

func (s *Server) followVisit(_ context.Context, in *visitFollowed) (*huma.StreamResponse, error) {
	after := uint64(0)
	if in.After != "" {
		var err error
		if after, err = strconv.ParseUint(in.After, 10, 64); err != nil {
			return nil, &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity, "After is no number of an event."}
		}
	}
	if n, err := strconv.ParseUint(in.LastEventID, 10, 64); err == nil {
		after = n
	}
	if _, err := s.deps.Setup.Visit(in.ID); err != nil {
		_, err = visitDone(Visit{}, err)
		return nil, err
	}
	return s.stream(rights.Balances, func(ctx context.Context, e *events) { s.showVisit(ctx, e, in.ID, after) }), nil
}

// showVisit sends what happens in a visit until it ends.
func (s *Server) showVisit(ctx context.Context, e *events, id string, after uint64) {
	if !e.write([]byte("retry: 1000\n\n")) {
		return
	}
	beat := time.Now()
	for ctx.Err() == nil && e.allowed() {
		limit, cancel := context.WithTimeout(ctx, checkEvery)
		list, err := s.deps.Setup.FollowVisit(limit, id, after)
		waited := limit.Err() != nil
		cancel()
		if err != nil && !waited {
			e.end(err.Error())
			return
		}
		for _, one := range list {
			name, data := one.event()
			after, beat = one.N, time.Now()
			b, err := json.Marshal(data)
			if err != nil || !e.sendAt(name, strconv.FormatUint(one.N, 10), b) {
				return
			}
			if one.Visit != nil && one.Visit.State != VisitWorking && one.Visit.State != VisitAsking {
				e.end("it has ended")
				return
			}
		}
		if time.Since(beat) >= beatEvery {
			if beat = time.Now(); !e.write([]byte(": still here\n\n")) {
				return
			}
		}
	}
}

// event is what an event is called and says.
func (v VisitEvent) event() (name string, data any) {
	switch {
	case v.Said != nil:
		return "said", v.Said
	case v.Bytes != nil:
		return "bytes", v.Bytes
	}
	return "visit", v.Visit
}
