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
	programsPath       = apiPrefix + "keys"
	programPath        = programsPath + "/{id}"
	rolesPath          = apiPrefix + "roles"
	rightsPath         = apiPrefix + "rights"
	accountReviewsPath = apiPrefix + "account-reviews"

	// longestReport is how long working out who held which right may take.
	longestReport = 8 * time.Second
)

type programsAnswer struct {
	Body struct {
		Keys []rights.KeyView `json:"keys" nullable:"false"`
	}
}

type programAdded struct{ Body rights.NewKey }

type programMade struct{ Body rights.MadeKey }

type programEnded struct {
	ID     string `path:"id" maxLength:"63" doc:"Id of the key."`
	Reason string `query:"reason" maxLength:"500" doc:"Why."`
}

type programGone struct {
	Body struct {
		Revoked string `json:"revoked" doc:"Id of the key that is no longer good for anything."`
	}
}

type rolesAnswer struct {
	Body struct {
		Roles []rights.RoleView `json:"roles" nullable:"false"`
	}
}

type heldOn struct {
	On string `query:"on" maxLength:"64" doc:"An instant as in RFC 3339; left out: now." example:"2026-11-25T10:04:05Z"`
}

type heldAnswer struct {
	Body struct {
		On   time.Time        `json:"on" doc:"The instant that it is about, UTC."`
		Held []rights.Holding `json:"held" nullable:"false" doc:"Who held which right then, over which span."`
	}
}

type accountReview struct{ Body rights.AccountReview }

type accountReviewed struct{ Body record.AccountsReviewed }

type accountReviewsAnswer struct {
	Body struct {
		Reviews []*record.AccountsReviewed `json:"reviews" nullable:"false" doc:"Oldest first."`
	}
}

func (s *Server) rightsRoutes(api huma.API) {
	if s.deps.Access == nil {
		return
	}
	op := func(id, method, path, summary, more string, right rights.Right) huma.Operation {
		o := huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more, Tags: []string{"rights"},
			Errors: refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)}
		if method == http.MethodGet {
			o.Errors = []int{http.StatusUnprocessableEntity, http.StatusServiceUnavailable}
		}
		return needs(o, right)
	}
	huma.Register(api, op("list-keys", http.MethodGet, programsPath, "Which programs have a key, and what it is good for", "", rights.ReadPeople), s.listPrograms)
	huma.Register(api, op("make-key", http.MethodPost, programsPath, "Make a key for a program",
		"The key itself is answered this once, and kept nowhere. It is sent as Authorization: Bearer wp_….", rights.APIKeys), s.makeProgram)
	huma.Register(api, op("revoke-key", http.MethodDelete, programPath, "Take a key out of use", "", rights.APIKeys), s.revokeProgram)
	huma.Register(api, op("list-roles", http.MethodGet, rolesPath, "Which roles there are, and what they allow", "", rights.ReadPeople), s.listRoles)
	huma.Register(api, op("who-held-what", http.MethodGet, rightsPath, "Who held which right on a date", "", rights.ReadPeople), s.whoHeldWhat)
	huma.Register(api, op("list-account-reviews", http.MethodGet, accountReviewsPath, "The reviews of accounts that were noted", "", rights.ReadPeople), s.listAccountReviews)
	huma.Register(api, op("note-account-review", http.MethodPost, accountReviewsPath, "Note that the accounts and rights were looked over, and what was found",
		"It names the sequence that the list of people was as of.", rights.ReviewAccounts), s.noteAccountReview)
}

func (s *Server) listPrograms(ctx context.Context, _ *struct{}) (*programsAnswer, error) {
	list, err := s.deps.Access.Keys(rights.From(ctx))
	if err != nil {
		return nil, notDone(err)
	}
	a := &programsAnswer{}
	a.Body.Keys = append([]rights.KeyView{}, list...)
	return a, nil
}

func (s *Server) makeProgram(ctx context.Context, in *programAdded) (*programMade, error) {
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	made, err := s.deps.Access.MakeKey(ctx, rights.From(ctx), in.Body)
	if err != nil {
		return nil, notDone(err)
	}
	return &programMade{made}, nil
}

func (s *Server) revokeProgram(ctx context.Context, in *programEnded) (*programGone, error) {
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	if err := s.deps.Access.RevokeKey(ctx, rights.From(ctx), in.ID, in.Reason); err != nil {
		return nil, notDone(err)
	}
	a := &programGone{}
	a.Body.Revoked = in.ID
	return a, nil
}

func (s *Server) listRoles(ctx context.Context, _ *struct{}) (*rolesAnswer, error) {
	list, err := s.deps.Access.Roles(rights.From(ctx))
	if err != nil {
		return nil, notDone(err)
	}
	a := &rolesAnswer{}
	a.Body.Roles = append([]rights.RoleView{}, list...)
	return a, nil
}

func (s *Server) whoHeldWhat(ctx context.Context, in *heldOn) (*heldAnswer, error) {
	at := time.Now()
	if in.On != "" {
		var err error
		if at, err = time.Parse(time.RFC3339, in.On); err != nil {
			return nil, &problemDocument{"about:blank", "The question cannot be answered as asked", http.StatusUnprocessableEntity,
				"On is no instant, such as 2026-11-25T10:04:05Z."}
		}
	}
	ctx, cancel := context.WithTimeout(ctx, longestReport)
	defer cancel()
	list, err := s.deps.Access.HeldOn(ctx, rights.From(ctx), at)
	if err != nil {
		return nil, notDone(err)
	}
	a := &heldAnswer{}
	a.Body.On, a.Body.Held = at.UTC(), append([]rights.Holding{}, list...)
	return a, nil
}

func (s *Server) listAccountReviews(ctx context.Context, _ *struct{}) (*accountReviewsAnswer, error) {
	list, err := s.deps.Access.AccountReviews(ctx, rights.From(ctx))
	if err != nil {
		return nil, notDone(err)
	}
	a := &accountReviewsAnswer{}
	a.Body.Reviews = append([]*record.AccountsReviewed{}, list...)
	return a, nil
}

func (s *Server) noteAccountReview(ctx context.Context, in *accountReview) (*accountReviewed, error) {
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	noted, err := s.deps.Access.ReviewAccounts(ctx, rights.From(ctx), in.Body)
	if err != nil {
		return nil, notDone(err)
	}
	return &accountReviewed{*noted}, nil
}
