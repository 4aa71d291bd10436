package console

import (
	"context"
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Reader asks a balance for its weight.
type Reader interface {
	// Read returns once the balance has answered and, where the answer is to be recorded, it is in the journal. The error is
	// record.ErrNoBalance, a *record.AskRefused, a *record.NoAnswer, one that is record.ErrUnrecorded, or that of ctx.
	Read(ctx context.Context, balance string, r record.ReadRequest) (record.ReadAnswer, error)
}

// Commander sends a balance what its owner wrote down for it.
type Commander interface {
	Commands(balance string) ([]record.CommandInfo, error)
	// Command returns once the command was sent and, where it has an answer, answered. The error is as of Reader, or
	// record.ErrNoCommand.
	Command(ctx context.Context, balance string, r record.CommandRequest) (record.CommandAnswer, error)
}

const (
	readPath     = apiPrefix + "balances/{id}/read"
	commandsPath = apiPrefix + "balances/{id}/commands"
	commandPath  = commandsPath + "/{name}"

	// longestAsk is how long an answer may take: the longest wait for a load to rest, and two questions with the longest
	// times that a configuration can give them.
	longestAsk = 3 * time.Minute
)

type readRequest struct {
	ToBalance
	RawBody []byte `contentType:"application/json"`
}

type readAnswer struct{ Body record.ReadAnswer }

type commandsAnswer struct {
	Body struct {
		Commands []record.CommandInfo `json:"commands" nullable:"false"`
	}
}

type commandRequest struct {
	ToBalance
	Name    string `path:"name" doc:"Name of the command, as configured." example:"tare"`
	RawBody []byte `contentType:"application/json"`
}

type commandAnswer struct{ Body record.CommandAnswer }

// patient lets an answer take as long as a balance may take.
func patient(ctx huma.Context, next func(huma.Context)) {
	withPatience(ctx, longestAsk+writeTime, next)
}

// withPatience lets an answer take a while.
func withPatience(ctx huma.Context, limit time.Duration, next func(huma.Context)) {
	_, w := humago.Unwrap(ctx)
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(limit)) // without, the usual limit holds
	next(ctx)
}

func (s *Server) askRoutes(api huma.API) {
	errs := refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable, http.StatusGatewayTimeout)
	post := func(id, path, summary, more string, right rights.Right) huma.Operation {
		return needs(huma.Operation{OperationID: id, Method: http.MethodPost, Path: path, Summary: summary, Description: more, Tags: []string{"asking"},
			Errors: errs, SkipValidateBody: true, Middlewares: huma.Middlewares{patient}}, right)
	}
	huma.Register(api, post("read-balance", readPath, "Ask a balance for its weight now",
		"The balance must have ask in its configuration. Where the answer is to be recorded it is answered once that is in the journal; the weighing "+
			"carries the person, the sample and the rest that hold then, and its trigger is asked. 409: the balance cannot be asked, or its answer "+
			"does not count. 504: it has not answered. 503: nothing can be recorded.", rights.Weigh), s.readBalance)
	huma.Register(api, needs(huma.Operation{OperationID: "list-commands", Method: http.MethodGet, Path: commandsPath,
		Summary: "What a balance can be sent", Tags: []string{"asking"}, Errors: []int{http.StatusNotFound, http.StatusConflict}}, rights.See),
		func(_ context.Context, in *BalanceID) (*commandsAnswer, error) {
			list, err := s.deps.Commander.Commands(in.ID)
			if err != nil {
				return nil, s.notAsked(err)
			}
			answer := &commandsAnswer{}
			answer.Body.Commands = append([]record.CommandInfo{}, list...)
			return answer, nil
		})
	huma.Register(api, post("send-command", commandPath, "Send a balance one of its commands",
		"Caution: it acts on the balance at once, whoever stands there. The entry that it is about to be sent is in the journal before the first byte "+
			"goes out; what became of it is a second one. 409: nothing was sent. 504: it could not be sent, or was not answered; the second entry says which.", rights.Command),
		s.sendCommand)
	describeAsking(api.OpenAPI())
}

// readBalance asks, or refuses it where the answer could not be recorded.
func (s *Server) readBalance(ctx context.Context, in *readRequest) (*readAnswer, error) {
	r, err := record.ParseReadRequest(in.RawBody)
	if err != nil {
		return nil, badBody(in.RawBody, `{"record": true}`, err)
	}
	if why := s.unrecorded(in.ID); r.Record && why != "" {
		return nil, notNow("The balance was not asked, since its answer could not be recorded. " + why)
	}
	ctx, cancel := context.WithTimeout(ctx, longestAsk)
	defer cancel()
	who := rights.From(ctx)
	r.Where, r.Mark = where(in.From), who.Actor.Request
	if who.MayAt(rights.SendContext, in.ID) != nil {
		r.Person = who.Person // nobody has a weighing recorded under a name that another has left there
	}
	a, err := s.deps.Reader.Read(ctx, in.ID, r)
	if err != nil {
		return nil, s.notAsked(err)
	}
	return &readAnswer{a}, nil
}

func (s *Server) sendCommand(ctx context.Context, in *commandRequest) (*commandAnswer, error) {
	if err := record.ParseNothing(in.RawBody); err != nil {
		return nil, badBody(in.RawBody, `{}`, err)
	}
	if why := s.unrecorded(in.ID); why != "" {
		return nil, notNow("Nothing was sent, since it could not be recorded. " + why)
	}
	actor, err := actorOf(ctx, "")
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, longestAsk)
	defer cancel()
	a, err := s.deps.Commander.Command(ctx, in.ID, record.CommandRequest{Name: in.Name, Where: where(in.From), By: &actor})
	if err != nil {
		if errors.Is(err, record.ErrNoCommand) {
			return nil, s.noCommand(in.ID)
		}
		return nil, s.notAsked(err)
	}
	return &commandAnswer{a}, nil
}

func where(from string) string {
	if host, _, err := net.SplitHostPort(from); err == nil {
		from = host
	}
	return "http " + from
}

// badBody says why a body cannot be taken.
func badBody(b []byte, good string, err error) error {
	if !json.Valid(b) {
		return &problemDocument{"about:blank", "The body is no JSON", http.StatusBadRequest, "Send one JSON object, such as " + good + ", or no body."}
	}
	return &problemDocument{"about:blank", "The request cannot be taken", http.StatusUnprocessableEntity, sentence(err.Error())}
}

// notAsked turns what the intake says into an answer.
func (s *Server) notAsked(err error) error {
	var refused *record.AskRefused
	var early *record.ContextRefused
	var none *record.NoAnswer
	problem := func(status int, title, detail string) error {
		return &problemDocument{"about:blank", title, status, sentence(detail)}
	}
	switch {
	case errors.Is(err, record.ErrNoBalance):
		return s.noBalance()
	case errors.As(err, &refused) && refused.Noted:
		return huma.ErrorWithHeaders(problem(http.StatusConflict, "The balance was not asked, or its answer does not count", refused.Why),
			http.Header{selfNoted: {"command"}})
	case errors.As(err, &refused):
		return problem(http.StatusConflict, "The balance was not asked, or its answer does not count", refused.Why)
	case errors.As(err, &early):
		return problem(http.StatusConflict, "The balance is not read", early.Why)
	case errors.As(err, &none):
		return problem(http.StatusGatewayTimeout, "The balance has not answered", none.Why)
	}
	return notNow(sentence(err.Error()) + " See the journal for what became of it before it is sent again.")
}

// noCommand says that the balance has no such command, and which it has.
func (s *Server) noCommand(balance string) error {
	list, _ := s.deps.Commander.Commands(balance) // the balance is there
	var names []string
	for _, c := range list {
		names = append(names, c.Name)
	}
	detail := "Its configuration has none: write them down under commands."
	if names != nil {
		detail = "There are: " + strings.Join(names, ", ") + "."
	}
	return &problemDocument{"about:blank", "The balance has no such command", http.StatusNotFound, detail}
}

// describeAsking writes the bodies of the requests into the description.
func describeAsking(doc *huma.OpenAPI) {
	zero, most := 0.0, 60.0
	read := &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false, Properties: map[string]*huma.Schema{
		"record": {Type: huma.TypeBoolean, Description: "Whether the answer is recorded. Left out: it is not."},
		"wait_s": {Type: huma.TypeNumber, ExclusiveMinimum: &zero, Maximum: &most,
			Description: "For how many seconds to ask again while the balance says that the weight moves. Left out: the first answer counts."},
	}, Examples: []any{map[string]any{"record": true, "wait_s": 10}}}
	for path, schema := range map[string]*huma.Schema{readPath: read, commandPath: {Type: huma.TypeObject, AdditionalProperties: false}} {
		body := doc.Paths[path].Post.RequestBody
		body.Required = false
		body.Content = map[string]*huma.MediaType{"application/json": {Schema: schema}}
	}
}
