package console

import (
	"context"
	"net/http"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	peoplePath   = apiPrefix + "people"
	personPath   = peoplePath + "/{id}"
	resetPath    = personPath + "/secret-reset"
	pinPath      = personPath + "/pin"
	badgesPath   = personPath + "/badges"
	sessionsPath = personPath + "/sessions"
	onePath      = sessionsPath + "/{session}"
)

// PersonID names the account that a request is about. It has a name that the API library may see.
type PersonID struct {
	ID string `path:"id" maxLength:"256" doc:"Id of the account." example:"p-07"`
}

type peopleAnswer struct {
	Body struct {
		People []rights.PersonView `json:"people" nullable:"false"`
		At     uint64              `json:"at" doc:"Sequence of the entry that the list is as of: what a review of accounts names."`
	}
}

type personAnswer struct {
	ETag string `header:"ETag" doc:"The sequence that the account is as of: give it back as If-Match."`
	Body rights.PersonView
}

type personAdded struct{ Body rights.NewPerson }

type personChange struct {
	PersonID
	IfMatch string `header:"If-Match" maxLength:"64" doc:"The ETag of the account as it was seen; * for whatever it is now. It may be in the body instead, as seen."`
	Body    rights.PersonChange
}

type reasonGiven struct {
	PersonID
	Body struct {
		Reason string `json:"reason,omitempty" maxLength:"500" doc:"Why."`
	}
}

type resetAnswer struct {
	Body struct {
		Secret string `json:"secret" doc:"A one-time secret: shown this once. It can only be used to choose another."`
	}
}

type pinChange struct {
	PersonID
	Body struct {
		PIN    string `json:"pin" maxLength:"64" doc:"Digits: for a badge at a bench only. An empty one ends it."`
		Reason string `json:"reason,omitempty" maxLength:"500" doc:"Why."`
	}
}

type badgeAdded struct {
	PersonID
	Body struct {
		Code   string `json:"code" minLength:"1" maxLength:"256" doc:"What is on the badge, as it is scanned."`
		Reason string `json:"reason,omitempty" maxLength:"500" doc:"Why."`
	}
}

type badgeEnded struct {
	PersonID
	Code   string `query:"code" required:"true" minLength:"1" maxLength:"256" doc:"What is on the badge."`
	Reason string `query:"reason" maxLength:"500" doc:"Why."`
}

type sessionsAnswer struct {
	Body struct {
		Sessions []rights.SessionView `json:"sessions" nullable:"false"`
	}
}

type sessionEnded struct {
	PersonID
	Session string `path:"session" maxLength:"128" doc:"Public id of the session."`
}

func (s *Server) peopleRoutes(api huma.API) {
	if s.deps.Access == nil {
		return
	}
	op := func(id, method, path, summary, more string, right rights.Right) huma.Operation {
		o := huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more, Tags: []string{"people"},
			Errors: refusals(http.StatusNotFound, http.StatusConflict, http.StatusPreconditionFailed, http.StatusPreconditionRequired, http.StatusServiceUnavailable)}
		if method == http.MethodGet {
			o.Errors = []int{http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}
		} else {
			o.Middlewares = huma.Middlewares{unhurried}
		}
		return needs(o, right)
	}
	huma.Register(api, op("list-people", http.MethodGet, peoplePath, "Who has an account", "Without the right read-people: one's own account.", rights.OwnAccount), s.listPeople)
	huma.Register(api, op("add-person", http.MethodPost, peoplePath, "Add an account", "", rights.People), s.addPerson)
	huma.Register(api, op("get-person", http.MethodGet, personPath, "One account", "Another's needs the right read-people.", rights.OwnAccount), s.getPerson)
	huma.Register(api, op("change-person", http.MethodPatch, personPath, "Change an account",
		"Changes what is given and leaves the rest. It names the account as it was seen, by If-Match or seen: 412 where it changed since, 428 where it names none.",
		rights.People), s.changePerson)
	huma.Register(api, op("reset-secret", http.MethodPost, resetPath, "Give a person a one-time secret",
		"It is answered this once, and can only be used to choose another. Their sessions end.", rights.People), s.resetSecret)
	huma.Register(api, op("set-pin", http.MethodPut, pinPath, "Set the PIN that goes with a badge", "One's own, or with the right people another's.", rights.OwnAccount), s.setPIN)
	huma.Register(api, op("add-badge", http.MethodPost, badgesPath, "Give a person a badge", "", rights.People), s.addBadge)
	huma.Register(api, op("end-badge", http.MethodDelete, badgesPath, "Take a badge out of use", "", rights.People), s.endBadge)
	huma.Register(api, op("list-sessions", http.MethodGet, sessionsPath, "Where a person is signed in", "One's own, or with the right people another's.", rights.OwnAccount), s.listSessions)
	huma.Register(api, op("end-sessions", http.MethodDelete, sessionsPath, "Sign a person out everywhere", "One's own, or with the right people another's.", rights.OwnAccount), s.endSessions)
	huma.Register(api, op("end-session", http.MethodDelete, onePath, "End one session of a person", "One's own, or with the right people another's.", rights.OwnAccount), s.endSession)
	bothPatches(api.OpenAPI().Paths[personPath].Patch)
}

// bothPatches says in the description that a change is taken under both media types.
func bothPatches(op *huma.Operation) {
	op.RequestBody.Required = true
	for _, kind := range bodyTypes[http.MethodPatch] {
		op.RequestBody.Content[kind] = op.RequestBody.Content["application/json"]
	}
}

func (s *Server) listPeople(ctx context.Context, _ *struct{}) (*peopleAnswer, error) {
	who, a := rights.From(ctx), &peopleAnswer{}
	if who.May(rights.ReadPeople) != nil {
		own, err := s.deps.Access.Person(who, who.Person)
		if err != nil {
			return nil, notDone(err)
		}
		a.Body.People, a.Body.At = []rights.PersonView{own}, own.Seq
		return a, nil
	}
	list, at, err := s.deps.Access.People(who)
	if err != nil {
		return nil, notDone(err)
	}
	a.Body.People, a.Body.At = append([]rights.PersonView{}, list...), at
	return a, nil
}

// personOf answers with an account.
func personOf(p rights.PersonView, err error) (*personAnswer, error) {
	if err != nil {
		return nil, notDone(err)
	}
	return &personAnswer{ETag: strconv.Quote(strconv.FormatUint(p.Seq, 10)), Body: p}, nil
}

func (s *Server) getPerson(ctx context.Context, in *PersonID) (*personAnswer, error) {
	return personOf(s.deps.Access.Person(rights.From(ctx), in.ID))
}

func (s *Server) addPerson(ctx context.Context, in *personAdded) (*personAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestSignIn)
	defer cancel()
	return personOf(s.deps.Access.AddPerson(ctx, rights.From(ctx), in.Body))
}

func (s *Server) changePerson(ctx context.Context, in *personChange) (*personAnswer, error) {
	var err error
	who := rights.From(ctx)
	if in.IfMatch == "" && who.Actor.By == record.ActorToken {
		in.IfMatch = "*" // a command on the host
	}
	if in.Body.Seen, err = seen(in.IfMatch, in.Body.Seen); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, longestSignIn)
	defer cancel()
	return personOf(s.deps.Access.ChangePerson(ctx, who, in.ID, in.Body))
}

// seen reads the sequence that a change is of: from If-Match (RFC 9110, section 13.1.1), or from the body. 0: whatever it is now.
func seen(ifMatch string, body uint64) (uint64, error) {
	switch {
	case ifMatch == "" && body == 0:
		return 0, &problemDocument{"about:blank", "The change does not say what it is of", http.StatusPreconditionRequired,
			"Send If-Match with the ETag of the account as you saw it, or * to change it whatever it is."}
	case ifMatch == "", ifMatch == "*":
		return body, nil
	}
	inner, ok := strings.CutPrefix(ifMatch, `"`)
	inner, ended := strings.CutSuffix(inner, `"`)
	n, err := strconv.ParseUint(inner, 10, 64)
	if !ok || !ended || err != nil || n == 0 || body != 0 && body != n {
		return 0, &problemDocument{"about:blank", "It changed meanwhile", http.StatusPreconditionFailed, "If-Match is no ETag of this account: look at it again."}
	}
	return n, nil
}

func (s *Server) resetSecret(ctx context.Context, in *reasonGiven) (*resetAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestSignIn)
	defer cancel()
	secret, err := s.deps.Access.ResetSecret(ctx, rights.From(ctx), in.ID, in.Body.Reason)
	if err != nil {
		return nil, notDone(err)
	}
	a := &resetAnswer{}
	a.Body.Secret = secret
	return a, nil
}

func (s *Server) setPIN(ctx context.Context, in *pinChange) (*personAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestSignIn)
	defer cancel()
	return personOf(s.deps.Access.SetPIN(ctx, rights.From(ctx), in.ID, in.Body.PIN, in.Body.Reason))
}

func (s *Server) addBadge(ctx context.Context, in *badgeAdded) (*personAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	return personOf(s.deps.Access.AddBadge(ctx, rights.From(ctx), in.ID, in.Body.Code, in.Body.Reason))
}

func (s *Server) endBadge(ctx context.Context, in *badgeEnded) (*personAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	return personOf(s.deps.Access.EndBadge(ctx, rights.From(ctx), in.ID, in.Code, in.Reason))
}

func (s *Server) listSessions(ctx context.Context, in *PersonID) (*sessionsAnswer, error) {
	list, err := s.deps.Access.Sessions(rights.From(ctx), in.ID)
	if err != nil {
		return nil, notDone(err)
	}
	a := &sessionsAnswer{}
	a.Body.Sessions = append([]rights.SessionView{}, list...)
	return a, nil
}

func (s *Server) endSessions(ctx context.Context, in *PersonID) (*endedAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	n, err := s.deps.Access.SignOutEverywhere(ctx, rights.From(ctx), in.ID)
	if err != nil {
		return nil, notDone(err)
	}
	a := &endedAnswer{}
	a.Body.Ended = n
	return a, nil
}

func (s *Server) endSession(ctx context.Context, in *sessionEnded) (*endedAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	if err := s.deps.Access.EndSession(ctx, rights.From(ctx), in.ID, in.Session); err != nil {
		return nil, notDone(err)
	}
	a := &endedAnswer{}
	a.Body.Ended = 1
	return a, nil
}
