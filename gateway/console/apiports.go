package console

import (
	"context"
	"errors"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Ports opens ports that wait for their next attempt.
type Ports interface {
	// TryPort has the port of a balance, and that of its scanner, opened at once, and returns once that was tried. The error is
	// record.ErrNoBalance, a *record.ContextRefused where the balance is not read, a *PortShut, or that of ctx, after which the
	// attempt goes on.
	TryPort(ctx context.Context, balance string) error
}

// PortShut says in sentences why a port cannot be opened, and what to do.
type PortShut struct{ Why string }

func (p *PortShut) Error() string { return p.Why }

const tryPortPath = apiPrefix + "balances/{id}/port/try"

// portTime is how long whoever has a port tried waits for what comes of it.
const portTime = 8 * time.Second

type portRequest struct {
	ToBalance
	RawBody []byte `contentType:"application/json"`
}

type portAnswer struct {
	Body struct {
		Balance string `json:"balance"`
		Open    bool   `json:"open" doc:"The port is open."`
	}
}

// portRoute needs the right to weigh: whoever has just plugged a balance in stands before it, and what it does weighpost would do
// by itself within half a minute. Nor is it an entry: nothing is changed, and when the port opens, that is one.
func (s *Server) portRoute(api huma.API) {
	if s.deps.Ports == nil {
		return
	}
	huma.Register(api, needs(huma.Operation{OperationID: "try-port", Method: http.MethodPost, Path: tryPortPath, Tags: []string{"balances"},
		Summary: "Open the port of a balance now, and not at the next attempt",
		Description: "A port that went is opened again by itself, within half a minute. This does it at once, for the balance and for its scanner; where " +
			"the port is open it does nothing. It is no entry: the port's opening is one. 409: it does not open, and why. 503: it takes longer; the attempt goes on.",
		Errors: refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable), SkipValidateBody: true}, rights.Weigh), s.tryPort)
	body := api.OpenAPI().Paths[tryPortPath].Post.RequestBody
	body.Required = false
	body.Content = map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false}}}
}

func (s *Server) tryPort(ctx context.Context, in *portRequest) (*portAnswer, error) {
	if err := record.ParseNothing(in.RawBody); err != nil {
		return nil, badBody(in.RawBody, `{}`, err)
	}
	ctx, cancel := context.WithTimeout(ctx, portTime)
	defer cancel()
	err := s.deps.Ports.TryPort(ctx, in.ID)
	var shut *PortShut
	var early *record.ContextRefused
	switch {
	case errors.Is(err, record.ErrNoBalance):
		return nil, s.noBalance()
	case errors.As(err, &early):
		return nil, &problemDocument{"about:blank", "The balance is not read", http.StatusConflict, sentence(early.Why)}
	case errors.As(err, &shut):
		return nil, &problemDocument{"about:blank", "The port does not open", http.StatusConflict, sentence(shut.Why)}
	case err != nil:
		return nil, notNow("The port has not opened yet. weighpost goes on trying: see in a moment.")
	}
	a := &portAnswer{}
	a.Body.Balance, a.Body.Open = in.ID, true
	return a, nil
}
