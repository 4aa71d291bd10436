package console

import (
	"context"
	"errors"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	labRequestsPath   = apiPrefix + "requests"
	labRequestPath    = labRequestsPath + "/{from}/{request}"
	cancelRequestPath = labRequestPath + "/cancel"

	mostRequestsBody = 1 << 20 // bytes of all that is sent at once
)

// LabRequestID names a request by the ids of whoever sent it. It has a name that the API library may see.
type LabRequestID struct {
	Sender string `path:"from" maxLength:"512" doc:"The sender: the id of its key, of the broker's destination, or the name of the folder." example:"lims"`
	ID     string `path:"request" maxLength:"512" doc:"The sender's own id, with / and other signs escaped (RFC 3986)." example:"R-1"`
}

func (i *LabRequestID) ref() record.RequestRef { return record.RequestRef{From: i.Sender, ID: i.ID} }

type labRequestsQuery struct {
	State   string `query:"state" enum:"waiting,begun,complete,abandoned,cancelled,approved,needs review again,replaced,all" doc:"Left out: those that wait and those that are begun."`
	Balance string `query:"balance" maxLength:"63" doc:"That this balance can do: those for it, and those for any fit one that it is good enough for."`
	Sample  string `query:"sample" maxLength:"128" doc:"That this sample or container is in."`
	Sender  string `query:"from" maxLength:"128" doc:"That this one sent."`
	Limit   int    `query:"limit" doc:"How many at most." minimum:"1" maximum:"1000" default:"100"`
}

type labRequestsAnswer struct {
	Body struct {
		Requests []RequestView `json:"requests" nullable:"false" doc:"In the order in which they are to be done; those that have ended after them, the last one first."`
	}
}

type labRequestAnswer struct{ Body RequestView }

type labRequestsSend struct{ RawBody []byte }

// RequestOutcome says what became of one of the things that were sent.
type RequestOutcome struct {
	record.RequestRef
	Number int    `json:"number" doc:"In what was sent, from 1."`
	OK     bool   `json:"ok"`
	Again  bool   `json:"again,omitempty" doc:"It was known just as it was sent: nothing was recorded."`
	State  string `json:"state,omitempty" doc:"How the request stands: waiting, begun, complete, abandoned, cancelled."`
	Run    string `json:"run,omitempty" doc:"The run that answers it."`
	Cannot string `json:"cannot,omitempty" doc:"Why no run can begin of it now."`
	Why    string `json:"why,omitempty" doc:"Why it was refused."`
}

type labRequestsTaken struct {
	Body struct {
		Requests []RequestOutcome `json:"requests" nullable:"false" doc:"In the order in which they were sent."`
	}
}

type labRequestChange struct {
	LabRequestID
	RawBody []byte
}

type labRequestCancel struct {
	LabRequestID
	Body struct {
		Reason string `json:"reason" minLength:"1" maxLength:"500" doc:"Why; it becomes part of the entry that says so."`
		By     string `json:"by,omitempty" maxLength:"128" doc:"Who cancels it, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
	}
}

func (s *Server) labRequestRoutes(api huma.API) {
	if s.deps.Requests == nil {
		return
	}
	op := func(id, method, path, summary, more string, right rights.Right, errs []int) huma.Operation {
		return needs(huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more, Tags: []string{"requests"}, Errors: errs}, right)
	}
	unread := []int{http.StatusNotFound, http.StatusUnprocessableEntity}
	changing := refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)
	huma.Register(api, op("list-requests", http.MethodGet, labRequestsPath, "What lab systems ask for", "", rights.See, unread), s.listLabRequests)
	huma.Register(api, op("get-request", http.MethodGet, labRequestPath, "One request, with what became of it", "", rights.See, unread), s.getLabRequest)
	send := op("send-requests", http.MethodPost, labRequestsPath, "Send requests, changes of them, and cancellations",
		"One, or a list of at most 100. A request that came before just as it is changes nothing, so the same may be sent again; one that differs is refused. "+
			"A program's requests are its own: from is the id of its key. One that is refused has the answer 403, 404, 409 or 422; of a list each says what became of it. "+
			"Answered once that is in the journal.", rights.Requests, changing)
	send.SkipValidateBody, send.MaxBodyBytes = true, mostRequestsBody+1
	huma.Register(api, takes(send, bodyForm{types: bodyTypes[http.MethodPost], limit: mostRequestsBody}), s.sendLabRequests)
	change := op("change-request", http.MethodPatch, labRequestPath, "Change when a request that waits is to be done, and where",
		"priority, due and balance, with a reason; null ends due, and has any fit balance do it (RFC 7396).", rights.Requests, changing)
	change.SkipValidateBody = true
	huma.Register(api, change, s.changeLabRequest)
	huma.Register(api, op("cancel-request", http.MethodPost, cancelRequestPath, "Cancel a request that waits",
		"409: it does not wait any more. A run that answers it can be abandoned only by whoever performs it.", rights.Requests, changing), s.cancelLabRequest)
	describeLabRequests(api.OpenAPI())
}

func (s *Server) listLabRequests(_ context.Context, in *labRequestsQuery) (*labRequestsAnswer, error) {
	a := &labRequestsAnswer{}
	a.Body.Requests = append([]RequestView{}, s.deps.Requests.LabRequests(RequestsAsked{State: in.State, Balance: in.Balance, Sample: in.Sample, From: in.Sender,
		Limit: min(max(in.Limit, 1), 1000)})...)
	return a, nil
}

func (s *Server) getLabRequest(_ context.Context, in *LabRequestID) (*labRequestAnswer, error) {
	v, known := s.deps.Requests.LabRequest(in.ref())
	if !known {
		return nil, procedureNotDone(record.ErrNoRequest)
	}
	return &labRequestAnswer{v}, nil
}

// sendLabRequests takes what is sent, one after the other.
func (s *Server) sendLabRequests(ctx context.Context, in *labRequestsSend) (*labRequestsTaken, error) {
	list, many, err := record.ParseLabRequests(in.RawBody, ownSender(ctx))
	if err != nil {
		return nil, badBody(in.RawBody, `{"id": "R-1", "procedure": "thousand-seed-mass", "items": [{"sample": "LOT-1003"}]}`, err)
	}
	actor, err := actorOf(ctx, "")
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	a := &labRequestsTaken{}
	for n, one := range list {
		o := RequestOutcome{RequestRef: one.Request.RequestRef, Number: n + 1}
		stands, err := s.sendOne(ctx, one, actor)
		var problem huma.StatusError
		var says *problemDocument
		switch {
		case err == nil:
			o.OK, o.Again, o.State, o.Run, o.Cannot = true, stands.Again, stands.State, stands.Run, stands.Cannot
		case !many:
			return nil, err
		case errors.As(err, &problem) && problem.GetStatus() == http.StatusServiceUnavailable:
			return nil, err // whoever sends all of it again loses nothing, and has nothing twice
		case errors.As(err, &says):
			o.Why = says.Detail
		default:
			o.Why = err.Error()
		}
		a.Body.Requests = append(a.Body.Requests, o)
	}
	return a, nil
}

// sendOne carries one thing out. The error is an answer.
func (s *Server) sendOne(ctx context.Context, one record.RequestSent, actor record.Actor) (record.RequestStands, error) {
	if one.Err != nil {
		return record.RequestStands{}, notTaken(one.Err.Error())
	}
	if err := mayRequest(ctx, one.Request.From, one.Change != nil || one.Cancel != ""); err != nil {
		return record.RequestStands{}, err
	}
	stands, err := s.deps.Requests.SendRequest(ctx, one, actor)
	if err != nil {
		return stands, procedureNotDone(err)
	}
	return stands, nil
}

// ownSender is from whom what somebody sends comes, where they do not say so: whoever has the host's token has to.
func ownSender(ctx context.Context) string {
	if who := rights.From(ctx); who.Actor.By != record.ActorToken {
		return who.Actor.ID
	}
	return ""
}

// mayRequest says with a problem why somebody may not act on requests of a sender. A program acts on its own; a person sends none in another's
// name, and may change those of all.
func mayRequest(ctx context.Context, from string, known bool) error {
	who := rights.From(ctx)
	if who.Actor.By == record.ActorToken || from == who.Actor.ID || who.Person != "" && known {
		return nil
	}
	return &problemDocument{"about:blank", "That is somebody else's request", http.StatusForbidden, "You send requests as " + who.Actor.ID + ": leave from out."}
}

func (s *Server) changeLabRequest(ctx context.Context, in *labRequestChange) (*labRequestAnswer, error) {
	c, err := record.ParseRequestChange(in.RawBody)
	if err != nil {
		return nil, badBody(in.RawBody, `{"priority": 1, "reason": "the customer waits"}`, err)
	}
	return s.actOnLabRequest(ctx, in.LabRequestID, "", func(ctx context.Context, by record.Actor) (RequestView, error) {
		return s.deps.Requests.ChangeRequest(ctx, in.ref(), c, by)
	})
}

func (s *Server) cancelLabRequest(ctx context.Context, in *labRequestCancel) (*labRequestAnswer, error) {
	if err := record.CheckReason(in.Body.Reason); err != nil {
		return nil, notTaken("the reason " + err.Error())
	}
	return s.actOnLabRequest(ctx, in.LabRequestID, in.Body.By, func(ctx context.Context, by record.Actor) (RequestView, error) {
		return s.deps.Requests.CancelRequest(ctx, in.ref(), in.Body.Reason, by)
	})
}

func (s *Server) actOnLabRequest(ctx context.Context, id LabRequestID, by string, act func(context.Context, record.Actor) (RequestView, error)) (*labRequestAnswer, error) {
	if err := mayRequest(ctx, id.Sender, true); err != nil {
		return nil, err
	}
	actor, err := actorOf(ctx, by)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	v, err := act(ctx, actor)
	if err != nil {
		return nil, procedureNotDone(err)
	}
	return &labRequestAnswer{v}, nil
}

// describeLabRequests writes down the bodies that record reads itself.
func describeLabRequests(doc *huma.OpenAPI) {
	text := func(about string, most int) *huma.Schema {
		return &huma.Schema{Type: huma.TypeString, MinLength: new(1), MaxLength: &most, Description: about}
	}
	texts := func(about string) *huma.Schema {
		return &huma.Schema{Type: huma.TypeObject, AdditionalProperties: &huma.Schema{Type: huma.TypeString, MaxLength: new(500)}, Description: about}
	}
	number := func(about string, most float64) *huma.Schema {
		return &huma.Schema{Type: huma.TypeInteger, Minimum: new(1.0), Maximum: &most, Description: about}
	}
	object := func(required []string, properties map[string]*huma.Schema) *huma.Schema {
		return &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false, Required: required, Properties: properties}
	}
	due := &huma.Schema{Type: huma.TypeString, Format: "date-time", Description: "When it is due (RFC 3339)."}
	item := object(nil, map[string]*huma.Schema{"sample": text("Its id.", 128), "lot": text("Its lot.", 128), "container": text("What it is in.", 128),
		"position": number("Where it stands.", record.MostRequestItems), "fields": texts("What goes back with its results, by name.")})
	request := object([]string{"id", "procedure"}, map[string]*huma.Schema{"id": text("The sender's own.", 128), "from": text("The sender; left out: whoever sends it.", 128),
		"procedure": text("The name of a procedure that is adopted.", 128), "version": number("Of it; left out: the one that is adopted when it begins.", 1e6),
		"items":      {Type: huma.TypeArray, Items: item, MaxItems: new(record.MostRequestItems), Description: "What it is about: samples, containers, or samples in containers."},
		"parameters": texts("By name, each with its unit: 10 g."), "balance": text("Where it begins; left out: at any fit one.", 63),
		"priority": number("1 is first, 9 last, and 5 holds where it is left out.", 9), "due": due, "job": text("The sender's own, given back.", 128),
		"task": text("Likewise.", 128), "fields": texts("Likewise, by name."), "request": markSchema()})
	request.Examples = []any{map[string]any{"id": "R-1", "procedure": "thousand-seed-mass", "items": []any{map[string]any{"sample": "LOT-1003"}}, "job": "J-7"}}
	changes := object(nil, map[string]*huma.Schema{"priority": number("1 is first, 9 last.", 9), "due": orNull(due), "balance": orNull(text("Where it begins.", 63)),
		"reason": text("Why.", 500)})
	change := object([]string{"id", "change"}, map[string]*huma.Schema{"id": request.Properties["id"], "from": request.Properties["from"], "change": changes, "request": markSchema()})
	cancel := object([]string{"id", "cancel"}, map[string]*huma.Schema{"id": request.Properties["id"], "from": request.Properties["from"], "cancel": text("Why.", 500), "request": markSchema()})
	one := []*huma.Schema{request, change, cancel}
	list := &huma.Schema{Type: huma.TypeArray, MinItems: new(1), MaxItems: new(record.MostRequests), Items: &huma.Schema{OneOf: one}}
	doc.Paths[labRequestsPath].Post.RequestBody = &huma.RequestBody{Required: true,
		Content: map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{OneOf: append([]*huma.Schema{list}, one...)}}}}
	doc.Paths[labRequestPath].Patch.RequestBody = &huma.RequestBody{Required: true,
		Content: map[string]*huma.MediaType{"application/merge-patch+json": {Schema: changes}, "application/json": {Schema: changes}}}
}

// orNull allows null beside what a schema allows.
func orNull(s *huma.Schema) *huma.Schema {
	return &huma.Schema{OneOf: []*huma.Schema{s, {Type: "null"}}}
}
