package console

import (
	"context"
	"errors"
	"net"
	"net/http"
	"slices"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	runReviewsPath   = apiPrefix + "reviews"
	runTogetherPath  = runReviewsPath + "/together"
	runReviewPath    = runPath + "/review"
	runCorrectPath   = runPath + "/corrections"
	runReadingsPath  = runPath + "/readings"
	runStatementPath = runPath + "/statement"
)

const reviewCaution = "Which runs may be used for what is for the lab's own rules and its qualified people to say."

type runReviewsQuery struct {
	State     []string `query:"state" enum:"open,abandoned,complete,in review,returned,reviewed,approved,needs review again,replaced,archived" doc:"Those in one of these states. Left out: all whose steps are done."`
	Procedure string   `query:"procedure" maxLength:"63" doc:"By the name of its procedure."`
	Sample    string   `query:"sample" maxLength:"128" doc:"That this sample or container is in."`
	Balance   string   `query:"balance" maxLength:"63" doc:"That this balance weighed for."`
	Flag      string   `query:"flag" maxLength:"63" doc:"That has this flag; none: that has none."`
	Since     uint64   `query:"since" doc:"With an entry after this sequence."`
	After     string   `query:"after" maxLength:"63" doc:"The run that the page before ended with, as it said in next."`
	Limit     int      `query:"limit" doc:"How many at most." minimum:"1" maximum:"1000" default:"100"`
}

type runReviewsAnswer struct{ Body ReviewList }

type runReviewAnswer struct{ Body ReviewView }

// ReviewDeed is a ReviewAct with who does it.
type ReviewDeed struct {
	ReviewAct
	By string `json:"by,omitempty" maxLength:"128" doc:"Who acts, by name. Needed with the host's token. A person acts under their own name: left out, or that."`
}

type runReviewRequest struct {
	RunID
	FromWhere
	Body ReviewDeed
}

// CorrectionDeed is a RunCorrection with who does it.
type CorrectionDeed struct {
	RunCorrection
	By string `json:"by,omitempty" maxLength:"128" doc:"Who corrects, by name. Needed with the host's token. A person acts under their own name: left out, or that."`
}

type runCorrectRequest struct {
	RunID
	Body CorrectionDeed
}

type runStatementQuery struct {
	RunID
	Meaning string `query:"meaning" enum:"performed,reviewed,approved" required:"true" doc:"What the signature is to mean."`
}

type runStatementAnswer struct{ Body Statement }

type runReadingsQuery struct {
	RunID
	Of string `query:"of" maxLength:"200" required:"true" minLength:"1" doc:"The id of the weighing's entry."`
}

type runReadingsAnswer struct{ Body FrameReadings }

type runTogetherRequest struct {
	FromWhere
	Body struct {
		Runs    []TogetherRun `json:"runs" minItems:"1" maxItems:"100" nullable:"false"`
		Signing Signing       `json:"signing"`
		By      string        `json:"by,omitempty" maxLength:"128" doc:"Who approves them, by name. A person acts under their own name: left out, or that."`
	}
}

type runTogetherAnswer struct {
	Body struct {
		Runs []TogetherOutcome `json:"runs" nullable:"false" doc:"In the order in which they were named."`
	}
}

func (s *Server) reviewRoutes(api huma.API) {
	if s.deps.Reviews == nil {
		return
	}
	op := func(id, method, path, summary, more string) huma.Operation {
		o := huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more + reviewCaution, Tags: []string{"reviews"},
			Errors: append(refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable), http.StatusUnauthorized, http.StatusTooManyRequests)}
		if method == http.MethodGet {
			o.Errors = []int{http.StatusNotFound, http.StatusConflict, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}
		}
		slices.Sort(o.Errors)
		o.Errors = slices.Compact(o.Errors)
		return o
	}
	huma.Register(api, needs(op("list-run-reviews", http.MethodGet, runReviewsPath, "Runs whose steps are done, with their state and flags", ""), rights.See), s.listRunReviews)
	huma.Register(api, needs(op("get-run-review", http.MethodGet, runReviewPath, "Everything that is known of a run, on one page",
		"Values, bytes, verdicts, how the balances were, every entry about it, corrections, signatures, deliveries, and what whoever asks could do to it. "),
		rights.ReadJournal), s.getReview)
	huma.Register(api, needs(op("get-run-statement", http.MethodGet, runStatementPath, "What somebody would sign", "409: its steps are not done. "),
		rights.ReadJournal), s.getStatement)
	huma.Register(api, needs(op("list-frame-readings", http.MethodGet, runReadingsPath, "What each layout that the lab has or had makes of the frame of a weighing",
		"To choose from before it is read anew (corrections, reread). Which of them is right is for whoever reviews to know. 409: it is no weighing of the run. "),
		rights.ReadJournal), s.getReadings)
	huma.Register(api, needsOne(op("act-on-run-review", http.MethodPost, runReviewPath, "Submit, return, review, approve, replace, archive a run, or note that it was looked over",
		"Which right it needs depends on the act and on the state of the run, and allowed of the run says it. 409: it is not done in that state, or not by whoever performed the run, "+
			"or the run changed meanwhile: nothing was changed, and an entry says that it was refused. Answered once it is in the journal. "),
		rights.Run, rights.ReviewRuns, rights.ApproveRuns), s.actOnReview)
	huma.Register(api, needsOne(op("correct-run", http.MethodPost, runCorrectPath, "Exclude a weighing of a run, include it again, amend its context, or have it read anew",
		"What was recorded stays; the results are worked out anew, and both are in the entry. A run that was signed needs review again after it. "),
		rights.Run, rights.ReviewRuns), s.correctRun)
	huma.Register(api, needsOne(op("approve-runs-together", http.MethodPost, runTogetherPath, "Approve several runs that have no flag",
		"Where the rules of the lab allow it. Each is an act and a signature of its own, and each says what became of it. "),
		rights.ReviewRuns, rights.ApproveRuns), s.approveTogether)
	s.signingRoute(api)
}

func (s *Server) listRunReviews(_ context.Context, in *runReviewsQuery) (*runReviewsAnswer, error) {
	return &runReviewsAnswer{s.deps.Reviews.RunReviews(ReviewsAsked{States: in.State, Procedure: in.Procedure, Sample: in.Sample, Balance: in.Balance, Flag: in.Flag,
		Since: in.Since, After: in.After, Limit: min(max(in.Limit, 1), 1000)})}, nil
}

func (s *Server) getReview(ctx context.Context, in *RunID) (*runReviewAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestList)
	defer cancel()
	v, err := s.deps.Reviews.RunReview(ctx, in.Run)
	if err != nil {
		return nil, procedureNotDone(err)
	}
	return &runReviewAnswer{v}, nil
}

func (s *Server) getStatement(ctx context.Context, in *runStatementQuery) (*runStatementAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestList)
	defer cancel()
	v, err := s.deps.Reviews.RunStatement(ctx, in.Run, in.Meaning)
	if err != nil {
		return nil, procedureNotDone(err)
	}
	return &runStatementAnswer{v}, nil
}

func (s *Server) getReadings(ctx context.Context, in *runReadingsQuery) (*runReadingsAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestList)
	defer cancel()
	v, err := s.deps.Reviews.RunReadings(ctx, in.Run, in.Of)
	if err != nil {
		return nil, procedureNotDone(err)
	}
	return &runReadingsAnswer{v}, nil
}

func (s *Server) actOnReview(ctx context.Context, in *runReviewRequest) (*runReviewAnswer, error) {
	actor, _, err := s.deciding(ctx, in.Body.By, "", false)
	if err != nil {
		return nil, err
	}
	a := in.Body.ReviewAct
	if a.Signing != nil {
		a.Signing.Address = hostOf(in.From)
	}
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	v, err := s.deps.Reviews.ActOnReview(ctx, in.Run, a, actor)
	if err != nil {
		return nil, reviewNotDone(err)
	}
	return &runReviewAnswer{v}, nil
}

// hostOf is an address without its port.
func hostOf(address string) string {
	if host, _, err := net.SplitHostPort(address); err == nil {
		return host
	}
	return address
}

func (s *Server) correctRun(ctx context.Context, in *runCorrectRequest) (*runReviewAnswer, error) {
	actor, _, err := s.deciding(ctx, in.Body.By, "", false)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	v, err := s.deps.Reviews.CorrectRun(ctx, in.Run, in.Body.RunCorrection, actor)
	if err != nil {
		return nil, reviewNotDone(err)
	}
	return &runReviewAnswer{v}, nil
}

func (s *Server) approveTogether(ctx context.Context, in *runTogetherRequest) (*runTogetherAnswer, error) {
	actor, _, err := s.deciding(ctx, in.Body.By, "", false)
	if err != nil {
		return nil, err
	}
	in.Body.Signing.Address = hostOf(in.From)
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	a := &runTogetherAnswer{}
	a.Body.Runs = append([]TogetherOutcome{}, s.deps.Reviews.ApproveTogether(ctx, in.Body.Runs, &in.Body.Signing, actor)...)
	return a, nil
}

// reviewNotDone turns what a review says into an answer. What was refused as an act is an entry already.
func reviewNotDone(err error) error {
	var not *record.NotDone
	var denied *rights.Denied
	noted := http.Header{selfNoted: {"review"}}
	switch {
	case errors.As(err, &not):
		return huma.ErrorWithHeaders(procedureNotDone(err), noted)
	case errors.As(err, &denied):
		return huma.ErrorWithHeaders(notDone(err), noted)
	case errors.Is(err, record.ErrNoRun):
		return procedureNotDone(err)
	}
	return notProved(err, "It was not signed", sentence(rights.ErrWrong.Error()))
}
