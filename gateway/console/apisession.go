package console

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	sessionPath    = apiPrefix + "session"
	badgePath      = sessionPath + "/badge"
	secretPath     = sessionPath + "/secret"
	everywherePath = sessionPath + "/everywhere"
	othersPath     = sessionPath + "/others"
	setUpPath      = apiPrefix + "set-up"

	// longestSignIn is how long a sign-in may take: a directory that is slow, and hashes that wait for their turn.
	longestSignIn = 30 * time.Second
)

// SessionFacts says who sends a request, and what they may do. No secret is in it.
type SessionFacts struct {
	SignedIn   bool           `json:"signed_in" doc:"somebody or something showed who it is"`
	ID         string         `json:"id,omitempty" doc:"of the person or the key"`
	Name       string         `json:"name,omitempty" doc:"printed name"`
	Role       string         `json:"role,omitempty"`
	By         string         `json:"by" doc:"how they were identified, in the words of entries"`
	Session    string         `json:"session,omitempty" doc:"public id of the session"`
	Rights     []rights.Right `json:"rights" nullable:"false" doc:"what they may do"`
	Balances   []string       `json:"balances,omitempty" doc:"the balances that they are limited to; absent: all"`
	Until      *time.Time     `json:"until,omitempty" doc:"when the session ends at the latest, where it has just begun, UTC"`
	MustChange bool           `json:"must_change,omitempty" doc:"nothing but choosing another secret is allowed"`
	Ways       rights.Ways    `json:"ways" doc:"how people can sign in"`
}

// Asked is a request as a route sees it that has to do with cookies. It has a name that the API library may see.
type Asked struct{ r *http.Request }

// Resolve keeps the request.
func (a *Asked) Resolve(ctx huma.Context) []error {
	a.r, _ = humago.Unwrap(ctx)
	return nil
}

type sessionAnswer struct {
	SetCookie []http.Cookie `header:"Set-Cookie"`
	Body      SessionFacts
}

type signInRequest struct {
	Asked
	Body struct {
		Login   string `json:"login" minLength:"1" maxLength:"256" doc:"The account's id or login name."`
		Secret  string `json:"secret" minLength:"1" maxLength:"1024" doc:"The account's secret."`
		Balance string `json:"balance,omitempty" maxLength:"128" doc:"Id of the balance whose bench screen it is."`
	}
}

type badgeRequest struct {
	Asked
	Body struct {
		Code    string `json:"code" minLength:"1" maxLength:"256" doc:"What is on the badge, as it was scanned."`
		PIN     string `json:"pin,omitempty" maxLength:"64" doc:"The person's PIN, where one is asked for."`
		Balance string `json:"balance" minLength:"1" maxLength:"128" doc:"Id of the balance at which it was scanned."`
	}
}

type secretRequest struct {
	Asked
	Body struct {
		Old    string `json:"old" minLength:"1" maxLength:"1024" doc:"The secret as it is."`
		Secret string `json:"secret" minLength:"1" maxLength:"1024" doc:"The one that takes its place."`
	}
}

type setUpRequest struct {
	Asked
	Body struct {
		Token  string `json:"token" minLength:"1" maxLength:"512" doc:"What is in the file set-up.token in the journal's folder."`
		ID     string `json:"id" minLength:"1" maxLength:"63" doc:"Id of the first account: it never changes."`
		Name   string `json:"name" minLength:"1" maxLength:"120" doc:"Printed name."`
		Login  string `json:"login,omitempty" maxLength:"120" doc:"What they sign in with, where it is another than the id."`
		Secret string `json:"secret" minLength:"1" maxLength:"1024" doc:"Their secret."`
	}
}

type endedAnswer struct {
	SetCookie []http.Cookie `header:"Set-Cookie"`
	Body      struct {
		Ended int `json:"ended" doc:"How many sessions ended."`
	}
}

// unhurried lets a sign-in take its time.
func unhurried(ctx huma.Context, next func(huma.Context)) {
	withPatience(ctx, longestSignIn+writeTime, next)
}

func (s *Server) sessionRoutes(api huma.API) {
	if s.deps.Access == nil {
		return
	}
	op := func(id, method, path, summary, more string, right rights.Right) huma.Operation {
		o := huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more, Tags: []string{"signing in"},
			Middlewares: huma.Middlewares{unhurried}, Errors: refusals(http.StatusConflict, http.StatusServiceUnavailable)}
		if method == http.MethodGet {
			o.Errors = []int{http.StatusServiceUnavailable}
		}
		return needs(o, right)
	}
	huma.Register(api, op("who-am-i", http.MethodGet, sessionPath, "Who sends this request, and what they may do", "", Everybody),
		func(ctx context.Context, _ *struct{}) (*sessionAnswer, error) {
			return &sessionAnswer{Body: s.factsOf(rights.From(ctx))}, nil
		})
	huma.Register(api, op("sign-in", http.MethodPost, sessionPath, "Sign in with a name and a secret",
		"The session comes as a cookie. What is changed by it needs the header "+pageMark+": "+pageMarks+", and Origin or Sec-Fetch-Site as browsers send them; "+
			"programs use a key instead. 401: the two do not go together, or the account cannot be used; it is not said which. 429: too many attempts failed.",
		Everybody), s.signIn)
	huma.Register(api, op("sign-in-by-badge", http.MethodPost, badgePath, "Sign in at a balance with a badge",
		"A badge identifies and, with a PIN, authenticates at the bench: it is good for less than a secret.", Everybody), s.signInByBadge)
	huma.Register(api, op("set-up", http.MethodPost, setUpPath, "Make the first account, with the one-time token",
		"As long as nobody looks after accounts. The account may do what the role it may, and is signed in.", Everybody), s.setUp)
	huma.Register(api, op("sign-out", http.MethodDelete, sessionPath, "Sign out", "The session ends, and its cookie is taken away.", Everybody), s.signOut)
	huma.Register(api, op("change-secret", http.MethodPut, secretPath, "Choose another secret",
		"All other sessions of the person end, and this one goes on with another cookie. 409: the new secret is not good enough, with why.", rights.OwnAccount), s.changeSecret)
	huma.Register(api, op("sign-out-everywhere", http.MethodDelete, everywherePath, "Sign out everywhere", "All sessions of the person end, this one too.",
		rights.OwnAccount), s.signOutEverywhere)
	huma.Register(api, op("sign-out-others", http.MethodDelete, othersPath, "Sign out everywhere else", "All other sessions of the person end.",
		rights.OwnAccount), s.signOutOthers)
}

// factsOf is what somebody is told about themselves.
func (s *Server) factsOf(who rights.Who) SessionFacts {
	f := SessionFacts{SignedIn: who.Known, ID: who.Actor.ID, Name: who.Actor.Name, Role: who.Actor.Role, By: who.Actor.By, Session: who.Session,
		Rights: append([]rights.Right{}, who.Rights.List()...), Balances: who.Balances, Ways: s.deps.Access.Ways()}
	f.MustChange = who.MustChange
	return f
}

// begin answers with a session, which takes the place of the one that the request came with: whatever cookie a browser had
// before, what it has after a sign-in is new.
func (s *Server) begin(ctx context.Context, r *http.Request, session rights.Session) *sessionAnswer {
	if before := rights.From(ctx); before.Session != "" {
		if err := s.deps.Access.SignOut(ctx, before); err != nil {
			s.deps.Log.Warn("the session before this one was not ended", "err", err)
		}
	}
	return s.answerSession(r, session)
}

func (s *Server) answerSession(r *http.Request, session rights.Session) *sessionAnswer {
	a := &sessionAnswer{SetCookie: []http.Cookie{sessionCookie(r, session.Secret)}, Body: s.factsOf(session.Who)}
	until := session.Until.UTC()
	a.Body.Until, a.Body.MustChange = &until, session.MustChange
	return a
}

// benchOf says why nobody can sign in at a balance, or nil: only at one that there is. "": at none.
func (s *Server) benchOf(balance string) error {
	if balance == "" || slices.ContainsFunc(s.deps.Source.Balances(), func(b Balance) bool { return b.ID == balance }) {
		return nil
	}
	return &problemDocument{"about:blank", "There is no such balance", http.StatusUnprocessableEntity, "Sign in at a balance that is configured."}
}

func (s *Server) signIn(ctx context.Context, in *signInRequest) (*sessionAnswer, error) {
	if err := s.benchOf(in.Body.Balance); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, longestSignIn)
	defer cancel()
	session, err := s.deps.Access.SignIn(ctx, rights.SignIn{Login: in.Body.Login, Secret: in.Body.Secret, Balance: in.Body.Balance,
		Address: addressOf(in.r), Where: where(in.r.RemoteAddr)})
	if err != nil {
		return nil, notProved(err, "You are not signed in",
			"This name and password do not go together, or the account cannot be used: try again, or ask whoever looks after the accounts.")
	}
	return s.begin(ctx, in.r, session), nil
}

func (s *Server) signInByBadge(ctx context.Context, in *badgeRequest) (*sessionAnswer, error) {
	if err := s.benchOf(in.Body.Balance); err != nil {
		return nil, err
	}
	// Badges are no secrets, so that many wrong ones are somebody who tries out which there are.
	if wait := s.badges.waits(addressOf(in.r)); wait > 0 {
		return nil, notDone(&rights.Throttled{After: wait})
	}
	ctx, cancel := context.WithTimeout(ctx, longestSignIn)
	defer cancel()
	session, err := s.deps.Access.SignInBadge(ctx, rights.Badge{Code: in.Body.Code, PIN: in.Body.PIN, Balance: in.Body.Balance,
		Address: addressOf(in.r), Where: where(in.r.RemoteAddr)})
	if err != nil {
		if errors.Is(err, rights.ErrWrong) {
			s.badges.wrong(addressOf(in.r), s.deps.Log)
		}
		return nil, notSignedIn(err)
	}
	return s.begin(ctx, in.r, session), nil
}

func (s *Server) setUp(ctx context.Context, in *setUpRequest) (*sessionAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestSignIn)
	defer cancel()
	session, err := s.deps.Access.SetUp(ctx, in.Body.Token, rights.NewPerson{ID: in.Body.ID, Name: in.Body.Name, Login: in.Body.Login, Secret: in.Body.Secret},
		addressOf(in.r), where(in.r.RemoteAddr))
	if err != nil {
		return nil, notProved(err, "The first account was not made",
			"This is not the one-time token, or it was used already: copy all of the file set-up.token in the journal's folder.")
	}
	return s.begin(ctx, in.r, session), nil
}

func (s *Server) signOut(ctx context.Context, in *Asked) (*sessionAnswer, error) {
	who := rights.From(ctx)
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	if who.Session != "" {
		if err := s.deps.Access.SignOut(ctx, who); err != nil {
			return nil, notDone(err)
		}
	}
	nobody := s.deps.Access.Visitor(fromHere(in.r), where(in.r.RemoteAddr))
	return &sessionAnswer{SetCookie: []http.Cookie{sessionCookie(in.r, "")}, Body: s.factsOf(nobody)}, nil
}

func (s *Server) changeSecret(ctx context.Context, in *secretRequest) (*sessionAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestSignIn)
	defer cancel()
	if who := rights.From(ctx); who.Person == "" {
		return nil, notAPerson(who.Actor)
	}
	session, err := s.deps.Access.ChangeSecret(ctx, rights.From(ctx), in.Body.Old, in.Body.Secret, addressOf(in.r))
	if err != nil {
		return nil, notProved(err, "The password was not changed", "The present password is not right: type it again.")
	}
	return s.answerSession(in.r, session), nil
}

func (s *Server) signOutEverywhere(ctx context.Context, in *Asked) (*endedAnswer, error) {
	who := rights.From(ctx)
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	if who.Person == "" {
		return nil, notAPerson(who.Actor)
	}
	n, err := s.deps.Access.SignOutEverywhere(ctx, who, who.Person)
	if err != nil {
		return nil, notDone(err)
	}
	a := &endedAnswer{SetCookie: []http.Cookie{sessionCookie(in.r, "")}}
	a.Body.Ended = n
	return a, nil
}

func (s *Server) signOutOthers(ctx context.Context, _ *struct{}) (*endedAnswer, error) {
	who := rights.From(ctx)
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	if who.Person == "" {
		return nil, notAPerson(who.Actor)
	}
	n, err := s.deps.Access.SignOutOthers(ctx, who)
	if err != nil {
		return nil, notDone(err)
	}
	a := &endedAnswer{}
	a.Body.Ended = n
	return a, nil
}

// notAPerson says that a key or the host's token has no account of its own.
func notAPerson(a record.Actor) error {
	return &problemDocument{"about:blank", "This is for people", http.StatusConflict, "What this request shows belongs to no person's account (" + a.By + ")."}
}
