package console

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// PauseRequest is what somebody says who pauses the deliveries of a sink, or lets them go on.
type PauseRequest struct {
	Reason string `json:"reason,omitempty" maxLength:"500" doc:"Why; it becomes part of the entry that says so. Needed to pause."`
	By     string `json:"by,omitempty" maxLength:"128" doc:"Who decides, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

type pauseRequest struct {
	SinkID
	Body PauseRequest
}

func (s *Server) pauseRoutes(api huma.API, op func(id, method, path, summary, more string, right rights.Right, errs ...int) huma.Operation) {
	errs := refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)
	huma.Register(api, op("pause-sink", http.MethodPost, deliveriesPath+"/{sink}/pause", "Stop the deliveries of a sink until somebody lets them go on",
		"What is under way ends first. Nothing is lost: entries wait in the journal. A restart does not end it. 409: it is paused already.",
		rights.Deliveries, errs...), s.pauseSink)
	huma.Register(api, op("continue-sink", http.MethodPost, deliveriesPath+"/{sink}/continue", "Let the deliveries of a paused sink go on",
		"409: it is not paused.", rights.Deliveries, errs...), s.continueSink)
}

func (s *Server) pauseSink(ctx context.Context, in *pauseRequest) (*decisionAnswer, error) {
	return s.pausing(ctx, in, true, s.deps.Deliveries.Pause)
}

func (s *Server) continueSink(ctx context.Context, in *pauseRequest) (*decisionAnswer, error) {
	return s.pausing(ctx, in, false, s.deps.Deliveries.Continue)
}

func (s *Server) pausing(ctx context.Context, in *pauseRequest, why bool, do func(ctx context.Context, who record.Actor, sink, reason string) (DeliveryDone, error)) (*decisionAnswer, error) {
	actor, reason, err := s.deciding(ctx, in.Body.By, in.Body.Reason, why)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	return s.decided(do(ctx, actor, in.Sink, reason))
}
