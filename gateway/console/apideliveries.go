package console

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	deliveriesPath = apiPrefix + "deliveries"
	parkedPath     = deliveriesPath + "/{sink}/parked"
	// decideTime is how long it may take to record what somebody decides about all that is parked for a sink.
	decideTime = time.Minute
	parkedPage = 1000
)

// SinkID names the sink that a request is about. It has a name that the API library may see.
type SinkID struct {
	Sink string `path:"sink" maxLength:"63" doc:"Id of the sink, as configured." example:"lab-broker"`
}

type deliveriesAnswer struct {
	Body struct {
		Sinks []Sink `json:"sinks" nullable:"false" doc:"In the order of the configuration."`
		Head  uint64 `json:"head" doc:"The last entry of the journal."`
		// Gone are sinks of which only what is parked is left.
		Gone []GoneSink `json:"gone,omitempty" doc:"Sinks that are not configured any more, with what is still parked for them; absent where there are none."`
	}
}

type parkedQuery struct {
	SinkID
	After uint64 `query:"after" doc:"The place in the journal that the page before ended with, as it said in next."`
	Limit int    `query:"limit" doc:"How many at most." minimum:"1" maximum:"1000" default:"100"`
}

type parkedAnswer struct {
	Body struct {
		Parked []ParkedEntry `json:"parked" nullable:"false"`
		Next   uint64        `json:"next,omitempty" doc:"What to send as after for the page that follows; absent where this is the last."`
	}
}

// Decision is what somebody wants done about parked entries.
type Decision struct {
	Entries []uint64 `json:"entries,omitempty" minItems:"1" maxItems:"1000" nullable:"false" doc:"Which parked entries, by their places in the journal (seq)."`
	All     bool     `json:"all,omitempty" doc:"All that is parked for the sink now, in place of entries."`
	Reason  string   `json:"reason,omitempty" maxLength:"500" doc:"Why; it becomes part of the entry that says so. Needed to drop."`
	By      string   `json:"by,omitempty" maxLength:"128" doc:"Who decides, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

type decisionRequest struct {
	SinkID
	Body Decision
}

type tryRequest struct {
	SinkID
	Body struct {
		Reason string `json:"reason,omitempty" maxLength:"500" doc:"Why."`
		By     string `json:"by,omitempty" maxLength:"128" doc:"Who asks, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
	}
}

type decisionAnswer struct{ Body DeliveryDone }

func (s *Server) deliveryRoutes(api huma.API) {
	op := func(id, method, path, summary, more string, right rights.Right, errs ...int) huma.Operation {
		return needs(huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more, Tags: []string{"deliveries"},
			Errors: errs, Middlewares: huma.Middlewares{untilDecided}}, right)
	}
	huma.Register(api, op("list-deliveries", http.MethodGet, deliveriesPath, "Whether everything is delivered: each sink, and how far it is",
		"", rights.See, http.StatusServiceUnavailable), s.listDeliveries)
	if s.deps.Deliveries == nil {
		return
	}
	huma.Register(api, op("list-parked", http.MethodGet, parkedPath, "What a destination refused, and why",
		"In the order of the journal.", rights.ReadJournal, http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable), s.listParked)
	errs := refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)
	huma.Register(api, op("retry-parked", http.MethodPost, deliveriesPath+"/{sink}/retry", "Have parked entries delivered again",
		"Each goes out with the id and the bytes that it has always had, after what is due anyway; answered once that is in the journal, and not only when "+
			"they have arrived. What the destination takes is no longer parked; what it refuses again stays parked, for the new reason.",
		rights.Deliveries, errs...), s.retryParked)
	huma.Register(api, op("drop-parked", http.MethodPost, deliveriesPath+"/{sink}/drop", "Have parked entries never delivered",
		"They stay in the journal, and an entry says who decided so and why. 409: one of them is not parked (any longer), or is being delivered at this moment.",
		rights.Deliveries, errs...), s.dropParked)
	huma.Register(api, op("try-sink", http.MethodPost, deliveriesPath+"/{sink}/try-now", "Have a sink that waits or is stopped try at once",
		"It does not wait for what comes of that. 409: nothing is delivered to it until its configuration is mended.", rights.Deliveries, errs...), s.tryNow)
	huma.Register(api, op("preview-delivery", http.MethodGet, deliveriesPath+"/{sink}/preview", "What exactly a sink would send for an entry",
		"Nothing is sent, and nobody is asked. Secrets are left out. 409: sinks of this kind cannot show it.", rights.ReadJournal,
		http.StatusNotFound, http.StatusConflict, http.StatusUnprocessableEntity, http.StatusServiceUnavailable), s.previewDelivery)
	s.pauseRoutes(api, op)
	s.heldRoutes(api, op)
}

// untilDecided lets the answer take as long as recording it all may.
func untilDecided(ctx huma.Context, next func(huma.Context)) {
	withPatience(ctx, decideTime+writeTime, next)
}

func (s *Server) listDeliveries(ctx context.Context, _ *struct{}) (*deliveriesAnswer, error) {
	a := &deliveriesAnswer{}
	a.Body.Sinks = append([]Sink{}, s.deps.Source.Sinks()...)
	a.Body.Head = s.deps.Source.Journal().Head
	if s.deps.Deliveries == nil {
		return a, nil
	}
	ctx, cancel := context.WithTimeout(ctx, longestList)
	defer cancel()
	var err error
	if a.Body.Gone, err = s.deps.Deliveries.Gone(ctx); err != nil {
		return nil, unlisted(err)
	}
	return a, nil
}

func (s *Server) listParked(ctx context.Context, in *parkedQuery) (*parkedAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestList)
	defer cancel()
	limit := min(max(in.Limit, 1), parkedPage)
	list, err := s.deps.Deliveries.Parked(ctx, in.Sink, in.After, limit+1)
	if errors.Is(err, ErrNoSink) {
		return nil, s.noSink()
	}
	if err != nil {
		return nil, unlisted(err)
	}
	a := &parkedAnswer{}
	if len(list) > limit {
		list = list[:limit]
		a.Body.Next = list[limit-1].Seq
	}
	a.Body.Parked = append([]ParkedEntry{}, list...)
	return a, nil
}

func (s *Server) retryParked(ctx context.Context, in *decisionRequest) (*decisionAnswer, error) {
	return s.decideParked(ctx, in, false, s.deps.Deliveries.Retry)
}

func (s *Server) dropParked(ctx context.Context, in *decisionRequest) (*decisionAnswer, error) {
	return s.decideParked(ctx, in, true, s.deps.Deliveries.Drop)
}

type decider func(ctx context.Context, who record.Actor, sink string, entries []uint64, reason string) (DeliveryDone, error)

func (s *Server) decideParked(ctx context.Context, in *decisionRequest, why bool, do decider) (*decisionAnswer, error) {
	actor, reason, err := s.deciding(ctx, in.Body.By, in.Body.Reason, why)
	if err != nil {
		return nil, err
	}
	if in.Body.All == (len(in.Body.Entries) > 0) {
		return nil, notTaken("say which: either entries, by their places in the journal, or all")
	}
	var entries []uint64 // all
	if !in.Body.All {
		entries = slices.Compact(slices.Sorted(slices.Values(in.Body.Entries)))
	}
	ctx, cancel := context.WithTimeout(ctx, decideTime)
	defer cancel()
	done, err := do(ctx, actor, in.Sink, entries, reason)
	return s.decided(done, err)
}

func (s *Server) tryNow(ctx context.Context, in *tryRequest) (*decisionAnswer, error) {
	actor, reason, err := s.deciding(ctx, in.Body.By, in.Body.Reason, false)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	return s.decided(s.deps.Deliveries.TryNow(ctx, actor, in.Sink, reason))
}

// deciding says who decides and why, or why that cannot be.
func (s *Server) deciding(ctx context.Context, by, reason string, needed bool) (actor record.Actor, why string, err error) {
	if stopped := s.unrecorded(""); stopped != "" {
		return actor, "", notNow("Nothing was done, since it could not be recorded. " + stopped)
	}
	if by = strings.TrimSpace(by); by != "" {
		if err := record.CheckActorName(by); err != nil {
			return actor, "", notTaken("by " + err.Error())
		}
	}
	if actor, err = namedActor(ctx, by); err != nil {
		return actor, "", err
	}
	if why = strings.TrimSpace(reason); why != "" || needed {
		if err := record.CheckReason(why); err != nil {
			return actor, "", notTaken("the reason " + err.Error())
		}
	}
	return actor, why, nil
}

func (s *Server) decided(done DeliveryDone, err error) (*decisionAnswer, error) {
	var refused *record.RequestRefused
	switch {
	case err == nil:
		done.Acts = append([]string{}, done.Acts...)
		return &decisionAnswer{done}, nil
	case errors.Is(err, ErrNoSink):
		return nil, s.noSink()
	case errors.As(err, &refused) && len(done.Acts) == 0:
		return nil, &problemDocument{"about:blank", "Nothing was done about the deliveries", http.StatusConflict, sentence(refused.Why)}
	case len(done.Acts) > 0:
		return nil, notNow("Of " + done.Sink + " some were decided about, and the rest not. " + sentence(err.Error()) + " See the list of what is parked.")
	}
	return nil, notNow(sentence(err.Error()) + " See the list of what is parked for what became of it before it is sent again.")
}

func notTaken(why string) error {
	return &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity, sentence(why)}
}

// noSink says that there is no sink of that id, and which there are.
func (s *Server) noSink() error {
	var ids []string
	for _, one := range s.deps.Source.Sinks() {
		ids = append(ids, one.ID)
	}
	if len(ids) > 20 {
		ids = append(ids[:20], "…")
	}
	there := "None is configured."
	if len(ids) > 0 {
		there = "There are: " + strings.Join(ids, ", ") + "."
	}
	return &problemDocument{"about:blank", "There is no such sink", http.StatusNotFound, there}
}
