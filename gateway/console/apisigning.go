package console

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/rights"
)

const (
	runProviderPath = runReviewPath + "/provider"
	toProviderPath  = "/runs/{run}/review/provider" // the same without scripts
)

// Elsewhere has acts signed by people whose accounts a provider keeps: they show there, at that moment, who they are. Errors are those of
// Reviews.
type Elsewhere interface {
	// BeginSigning says where to send the browser, which comes back to redirect, and the state by which it is known again.
	BeginSigning(ctx context.Context, run string, a ReviewAct, redirect string) (to, state string, err error)
	// ShownTo says whether a ticket came with a statement that was shown to whoever asks, in this session (Statement).
	ShownTo(ctx context.Context, statement, ticket string) bool
	// SigningBy says whether something is to be signed when a browser brings back this state; false: somebody signs in.
	SigningBy(state string) bool
	// FinishSigning does what was to be signed, as whoever began it, and gives its run, with an error too where that is known.
	FinishSigning(ctx context.Context, query url.Values) (run string, err error)
}

type providerRequest struct {
	RunID
	Asked
	Body struct {
		Act       string `json:"act" enum:"submit,review,approve"`
		Seen      uint64 `json:"seen" minimum:"1" doc:"The last entry of the run that was shown to whoever acts."`
		Reason    string `json:"reason,omitempty" maxLength:"500"`
		Ref       string `json:"ref,omitempty" maxLength:"128" doc:"The reference of an investigation."`
		Statement string `json:"statement_sha256" minLength:"64" maxLength:"64" doc:"SHA-256 of the statement that was shown, hexadecimal."`
		To        string `json:"to,omitempty" maxLength:"1024" doc:"The page of weighpost to go on to; any other address counts as none."`
	}
}

type providerAnswer struct {
	SetCookie []http.Cookie `header:"Set-Cookie"`
	Body      struct {
		GoTo string `json:"go_to" doc:"Address at the provider, to send the browser to."`
	}
}

func (s *Server) signingRoute(api huma.API) {
	if s.deps.Reviews == nil || s.deps.Access == nil {
		return
	}
	huma.Register(api, needsOne(huma.Operation{OperationID: "sign-at-provider", Method: http.MethodPost, Path: runProviderPath, Tags: []string{"reviews"},
		Summary: "Begin to sign an act of a review at the OpenID provider",
		Description: "For people whose accounts a provider keeps: there is no secret of theirs here. Says where to send the browser, which signs in there anew and comes back within ten " +
			"minutes with the cookie that it was given here; then the act is done and signed, or neither. Nothing is done before. " + reviewCaution,
		Errors: refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)}, rights.Run, rights.ReviewRuns, rights.ApproveRuns), s.signAtProvider)
}

func (s *Server) signAtProvider(ctx context.Context, in *providerRequest) (*providerAnswer, error) {
	b := &in.Body
	act := ReviewAct{Act: b.Act, Seen: b.Seen, Reason: b.Reason, Ref: b.Ref, Signing: &Signing{Statement: b.Statement, Address: addressOf(in.r)}}
	to, flow, err := s.beginSigning(ctx, in.r, in.Run, act, OwnPage(s.deps.Screens, b.To))
	if err != nil {
		return nil, reviewNotDone(err)
	}
	a := &providerAnswer{SetCookie: []http.Cookie{flow}}
	a.Body.GoTo = to
	return a, nil
}

// beginSigning says where to send a browser, with the cookie by which it is known again. From there it goes on to a page of ours.
func (s *Server) beginSigning(ctx context.Context, r *http.Request, run string, act ReviewAct, own string) (to string, flow http.Cookie, err error) {
	ctx, cancel := context.WithTimeout(ctx, longestSignIn)
	defer cancel()
	scheme := "http://"
	if r.TLS != nil {
		scheme = "https://"
	}
	to, state, err := s.deps.Reviews.BeginSigning(ctx, run, act, scheme+r.Host+backPath) // the guard has seen to it that the host is ours
	return to, flowCookie(r, flowValue(state, own)), err
}

// toProvider is signAtProvider for a browser without scripts, which follows a link. Whoever made the link could have come from anywhere, by
// mail too, and the provider shows nothing of what is signed: so it has to hold the ticket of a statement that this session was shown.
func (s *Server) toProvider(w http.ResponseWriter, r *http.Request) {
	run, q := r.PathValue("run"), r.URL.Query()
	own := cmp.Or(OwnPage(s.deps.Screens, "/runs/"+url.PathEscape(run)+"/review"), "/")
	if s.deps.Reviews == nil || s.deps.Access == nil {
		problem(w, http.StatusNotFound, "There is nothing at this address", "The page is at /.")
		return
	}
	seen, err := strconv.ParseUint(q.Get("seen"), 10, 64)
	if err != nil || !s.deps.Reviews.ShownTo(r.Context(), q.Get("statement_sha256"), q.Get("ticket")) {
		s.cameBack(w, r, http.StatusConflict, "Nothing was signed", "This link is not of the page of the review as it was shown to you, in this session. Look at the run, and sign from there.", own)
		return
	}
	act := ReviewAct{Act: q.Get("act"), Seen: seen, Signing: &Signing{Statement: q.Get("statement_sha256"), Address: addressOf(r)}}
	to, flow, err := s.beginSigning(r.Context(), r, run, act, own)
	if err != nil {
		s.cameBack(w, r, http.StatusConflict, "Nothing was signed", sentence(err.Error()), own)
		return
	}
	http.SetCookie(w, &flow)
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// signedElsewhere takes a browser that comes back from the provider to sign. Its own session does not come along (comeBack): who signs is known
// by the state, which only that browser has, and by what the provider says.
func (s *Server) signedElsewhere(w http.ResponseWriter, r *http.Request, to string) {
	ctx, cancel := context.WithTimeout(r.Context(), longestSignIn)
	defer cancel()
	run, err := s.deps.Reviews.FinishSigning(ctx, r.URL.Query())
	if err != nil {
		s.deps.Log.Info("nothing was signed by way of the provider", "run", run, "err", err)
		why := sentence(err.Error())
		if errors.Is(err, rights.ErrWrong) {
			why = "Whoever showed who they are at the provider is not who began to sign here, or has an account that cannot be used."
		}
		s.cameBack(w, r, http.StatusConflict, "Nothing was signed", why, to)
		return
	}
	s.cameBack(w, r, http.StatusOK, "It is signed", "The page opens by itself.", to)
}
