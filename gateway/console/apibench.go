package console

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Benches knows what codes mean at balances. Its methods must not block.
type Benches interface {
	// BalanceOf gives the balance whose label a code is, or says why it is none in a sentence.
	BalanceOf(code string) (id, why string)
	// Beginnings are how scans begin at a balance, by the rules of its scanner.
	Beginnings(balance string) []Beginning
}

// Beginning is how a scan begins, and what it is then.
type Beginning struct {
	Prefix string `json:"prefix"`
	Badge  bool   `json:"badge"` // somebody's badge
	Strip  bool   `json:"strip"` // the beginning is no part of it
}

const (
	labelsPath = apiPrefix + "labels"
	stepPath   = apiPrefix + "balances/{id}/steps/{step}"
)

type labelRequest struct {
	Code string `query:"code" required:"true" minLength:"1" maxLength:"512" doc:"The code as it was scanned, or what somebody read off the balance." example:"SB-4410"`
}

type labelAnswer struct {
	Body struct {
		Balance string `json:"balance" doc:"Id of the one balance whose label it is."`
	}
}

type stepRequest struct {
	ToBalance
	Step string `path:"step" enum:"next,repeat,abandon" doc:"What is said of the sample on the balance."`
	Body struct {
		How     string `json:"how,omitempty" enum:"key,button" doc:"How whoever stands there said so; left out: by a request of a program."`
		Confirm bool   `json:"confirm,omitempty" doc:"It was asked about, and is meant."`
	}
}

func (s *Server) benchRoutes(api huma.API) {
	if s.deps.Benches == nil {
		return
	}
	huma.Register(api, needs(huma.Operation{OperationID: "find-label", Method: http.MethodGet, Path: labelsPath, Tags: []string{"balances"},
		Summary: "Which balance a label is of",
		Description: "A label is weighpost's own, the balance's id, its serial number, the name that it prints, what the rules of its scanner call its label, or a GS1 " +
			"code with one of these as AI (8004). 409: it is no balance's, or that of more than one; nothing is guessed.",
		Errors: []int{http.StatusConflict, http.StatusUnprocessableEntity}}, rights.See),
		func(_ context.Context, in *labelRequest) (*labelAnswer, error) {
			id, why := s.deps.Benches.BalanceOf(in.Code)
			if why != "" {
				return nil, &problemDocument{"about:blank", "The label names no balance for sure", http.StatusConflict, why}
			}
			a := &labelAnswer{}
			a.Body.Balance = id
			return a, nil
		})
	huma.Register(api, needs(huma.Operation{OperationID: "step", Method: http.MethodPost, Path: stepPath, Tags: []string{"context"},
		Summary: "Say what becomes of the sample on a balance: next, repeat, abandon",
		Description: "next: the sample is finished, its hold ends, and nothing takes its place. repeat: the same sample holds for one more weighing, also where it was " +
			"used up. abandon: the sample and the run are not on the next weighings; what was recorded stays. Each is one entry, context-changed with the step as its " +
			"cause, and is answered once that is in the journal. 409: it was refused, or is asked about as a scan is.",
		Errors: refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)}, rights.Weigh), s.takeStep)
}

func (s *Server) takeStep(ctx context.Context, in *stepRequest) (*contextAnswer, error) {
	return s.act(ctx, in.ID, in.From, record.ContextRequest{Step: in.Step, How: in.Body.How, Confirm: in.Body.Confirm, By: record.ByTyped, At: time.Now()})
}
