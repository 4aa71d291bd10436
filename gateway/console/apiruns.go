package console

import (
	"context"
	"fmt"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	runsPath    = apiPrefix + "runs"
	runPath     = runsPath + "/{run}"
	runActPath  = runPath + "/act"
	runHerePath = ofBalance + "run"
)

// RunID names a run. It has a name that the API library may see.
type RunID struct {
	Run string `path:"run" maxLength:"63" doc:"The run's id." example:"r-7qx3-000017"`
}

type runsQuery struct {
	State     string `query:"state" enum:"open,complete,abandoned,in review,returned,reviewed,approved,needs review again,replaced,archived" doc:"Left out: any."`
	Procedure string `query:"procedure" maxLength:"63" doc:"By the name of its procedure."`
	Sample    string `query:"sample" maxLength:"128" doc:"That this sample or container is in."`
	Balance   string `query:"balance" maxLength:"63" doc:"That is at this balance, or ended there."`
	Person    string `query:"person" maxLength:"128" doc:"That somebody performed or confirmed, by id."`
	Request   string `query:"request" maxLength:"300" doc:"That answers a request: its id, or the sender and its id with / between them."`
	Before    string `query:"before" maxLength:"63" doc:"The run that the page before ended with, as it said in next."`
	Limit     int    `query:"limit" doc:"How many at most." minimum:"1" maximum:"1000" default:"100"`
}

type runsAnswer struct{ Body RunList }

type runAnswer struct{ Body RunView }

// RunBegin is a RunOrder with who gives it.
type RunBegin struct {
	RunOrder
	By string `json:"by,omitempty" maxLength:"128" doc:"Who performs the run, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

type runBeginRequest struct{ Body RunBegin }

// RunDeed is a RunAct with who does it.
type RunDeed struct {
	RunAct
	By string `json:"by,omitempty" maxLength:"128" doc:"Who acts, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

type runDeedRequest struct {
	RunID
	Body RunDeed
}

func (s *Server) runRoutes(api huma.API) {
	if s.deps.Runs == nil {
		return
	}
	op := func(id, method, path, summary, more string) huma.Operation {
		o := huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more + procedureCaution, Tags: []string{"runs"},
			Errors: refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)}
		if method == http.MethodGet {
			o.Errors = []int{http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}
		}
		return o
	}
	huma.Register(api, needs(op("list-runs", http.MethodGet, runsPath, "The runs of procedures, newest first",
		"Those that are open, and those that ended last; older ones are found by their id, and in the journal. "), rights.See), s.listRuns)
	huma.Register(api, needs(op("begin-run", http.MethodPost, runsPath, "Begin a run of a procedure",
		"Of the version that is adopted, or of what a request asks for. Answered once that is in the journal, with the first instruction. 409: it cannot begin now, and why. "),
		rights.Run), s.beginRun)
	huma.Register(api, needs(op("get-run", http.MethodGet, runPath, "One run with every attempt at every step", ""), rights.See), s.getRun)
	huma.Register(api, needs(op("get-run-at-balance", http.MethodGet, runHerePath, "The run that is at a balance now", "404: none is. "), rights.See), s.getRunHere)
	huma.Register(api, needsOne(op("act-on-run", http.MethodPost, runActPath, "Do the next step of a run, or something to the run itself",
		"One of scan, answer, read, done, yes, take, late, back, repeat, allow, leave, aside, at, over and abandon. A value outside its limits stays in the record in any case. "+
			"Answered once that is in the journal. 409: it cannot be done now, and why. yes needs the right second-person, allow the right allow-outside, all else run-procedures. "),
		rights.Run, rights.SecondPerson, rights.AllowOutside), s.actOnRun)
}

func (s *Server) listRuns(ctx context.Context, in *runsQuery) (*runsAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestList)
	defer cancel()
	list, err := s.deps.Runs.Runs(ctx, RunsAsked{State: in.State, Procedure: in.Procedure, Sample: in.Sample, Balance: in.Balance, Person: in.Person, Request: in.Request,
		Before: in.Before, Limit: min(max(in.Limit, 1), 1000)})
	if err != nil {
		return nil, unlisted(err)
	}
	list.Runs = append([]RunGlance{}, list.Runs...)
	return &runsAnswer{list}, nil
}

func (s *Server) getRun(ctx context.Context, in *RunID) (*runAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestList)
	defer cancel()
	v, err := s.deps.Runs.Run(ctx, in.Run)
	if err != nil {
		return nil, procedureNotDone(err)
	}
	return &runAnswer{v}, nil
}

func (s *Server) getRunHere(_ context.Context, in *BalanceID) (*runAnswer, error) {
	if v, ok := s.deps.Runs.RunAt(in.ID); ok {
		return &runAnswer{v}, nil
	}
	if !s.hasBalance(in.ID) {
		return nil, s.noBalance()
	}
	return nil, &problemDocument{"about:blank", "No run is here", http.StatusNotFound, "No run is at balance " + in.ID + " now."}
}

func (s *Server) beginRun(ctx context.Context, in *runBeginRequest) (*runAnswer, error) {
	o := in.Body.RunOrder
	if (o.Procedure == "") == (o.Request == nil) {
		return nil, notTaken("say which procedure, or which request it answers, and not both")
	}
	if o.Request != nil && (len(o.Items) > 0 || len(o.Parameters) > 0) {
		return nil, notTaken("items and parameters are those of the request: leave them out")
	}
	if o.Balance != "" {
		if !s.hasBalance(o.Balance) {
			return nil, s.noBalance()
		}
		if err := mayNow(ctx, rights.Run, o.Balance); err != nil {
			return nil, err
		}
	}
	actor, _, err := s.deciding(ctx, in.Body.By, "", false)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	v, err := s.deps.Runs.BeginRun(ctx, o, actor)
	if err != nil {
		return nil, procedureNotDone(err)
	}
	return &runAnswer{v}, nil
}

// hasBalance says whether a balance is configured.
func (s *Server) hasBalance(id string) bool {
	for _, b := range s.deps.Source.Balances() {
		if b.ID == id {
			return true
		}
	}
	return false
}

// actOnRun takes one deed.
func (s *Server) actOnRun(ctx context.Context, in *runDeedRequest) (*runAnswer, error) {
	a := in.Body.RunAct
	right, err := deedOf(&a)
	if err != nil {
		return nil, err
	}
	if err := mayNow(ctx, right, a.At); err != nil {
		return nil, err
	}
	actor, _, err := s.deciding(ctx, in.Body.By, "", false)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	v, err := s.deps.Runs.ActOnRun(ctx, in.Run, a, actor)
	if err != nil {
		return nil, procedureNotDone(err)
	}
	return &runAnswer{v}, nil
}

// deedOf says which right a deed needs, or why it is none.
func deedOf(a *RunAct) (right rights.Right, err error) {
	right = rights.Run
	said := 0
	for _, one := range []struct {
		there bool
		needs rights.Right
	}{{a.Scan != "", ""}, {a.Answer != "", ""}, {a.Read != nil, ""}, {a.Done, ""}, {a.Yes, rights.SecondPerson}, {a.Take, ""}, {a.Late != "", ""}, {a.Back != "", ""},
		{a.Repeat != "", ""}, {a.Allow != "", rights.AllowOutside}, {a.Leave != "", ""}, {a.Aside, ""}, {a.At != "", ""}, {a.Over, ""}, {a.Abandon != "", ""}} {
		if one.there {
			said++
			if one.needs != "" {
				right = one.needs
			}
		}
	}
	if said != 1 {
		return right, notTaken("say one thing: scan, answer, read, done, yes, take, late, back, repeat, allow, leave, aside, at, over or abandon")
	}
	if a.Unit != "" && a.Answer == "" || a.Ref != "" && a.Allow == "" {
		return right, notTaken("unit stands beside answer, and ref beside allow")
	}
	for name, reason := range map[string]string{"back": a.Back, "repeat": a.Repeat, "allow": a.Allow, "leave": a.Leave, "abandon": a.Abandon} {
		if reason != "" && record.CheckReason(reason) != nil {
			return right, notTaken(name + " " + record.CheckReason(reason).Error())
		}
	}
	for name, id := range map[string]string{"scan": a.Scan, "ref": a.Ref} {
		if id != "" && record.CheckContextID(id) != nil {
			return right, notTaken(fmt.Sprintf("%s %v", name, record.CheckContextID(id)))
		}
	}
	return right, nil
}
