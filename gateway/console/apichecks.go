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
	definitionsPath = apiPrefix + "checks"
	checkPath       = ofBalance + "check"
	checkActPath    = ofBalance + "check/act"
	checkEndedPath  = ofBalance + "checks/{check}"
)

type definitionsAnswer struct {
	Body struct {
		Checks []CheckDefinition `json:"checks" nullable:"false" doc:"In the order of the settings."`
	}
}

// CheckBegin is a CheckOrder with who gives it.
type CheckBegin struct {
	CheckOrder
	By string `json:"by,omitempty" maxLength:"128" doc:"Who checks, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

type checkBeginRequest struct {
	BalanceID
	Body CheckBegin
}

// CheckDeed is a CheckAct with who does it.
type CheckDeed struct {
	CheckAct
	By string `json:"by,omitempty" maxLength:"128" doc:"Who checks, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

type checkDeedRequest struct {
	BalanceID
	Body CheckDeed
}

type checkViewAnswer struct{ Body CheckView }

type checkReportAnswer struct{ Body CheckReport }

func (s *Server) checkRoutes(api huma.API, op operations) {
	huma.Register(api, op("list-checks", http.MethodGet, definitionsPath, "The checks that balances can get", "", rights.See),
		func(context.Context, *struct{}) (*definitionsAnswer, error) {
			a := &definitionsAnswer{}
			a.Body.Checks = append([]CheckDefinition{}, s.deps.Fitness.CheckDefinitions()...)
			return a, nil
		})
	huma.Register(api, op("begin-check", http.MethodPost, checkPath, "Begin a check of a balance with reference weights",
		"Answered once that is in the journal, with the first instruction. From then on the check takes settled readings by itself. 409: one is under way, "+
			"or the weights cannot be used.", rights.Check), s.beginCheck)
	huma.Register(api, op("get-check", http.MethodGet, checkPath, "The check that runs on a balance, with the one instruction", "404: none runs.", rights.See), s.getCheck)
	huma.Register(api, op("act-on-check", http.MethodPost, checkActPath, "Answer a question of the check that runs, have a step done again, or end it",
		"One of answer, right, repeat and stop. Answered once that is in the journal.", rights.Check), s.actOnCheck)
	huma.Register(api, op("get-check-report", http.MethodGet, checkEndedPath, "A check that has ended, with every attempt", "", rights.ReadJournal), s.getCheckReport)
}

func (s *Server) beginCheck(ctx context.Context, in *checkBeginRequest) (*checkViewAnswer, error) {
	actor, _, err := s.onFitness(ctx, in.ID, in.Body.By, "", false)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	v, err := s.deps.Fitness.BeginCheck(ctx, in.ID, in.Body.CheckOrder, actor)
	if errors.Is(err, record.ErrNoWeight) {
		err = &record.NotDone{Why: "a reference weight that was named is not registered: see " + weightsPath}
	}
	if err != nil {
		return nil, s.fitnessNotDone(err)
	}
	return &checkViewAnswer{v}, nil
}

func (s *Server) getCheck(_ context.Context, in *BalanceID) (*checkViewAnswer, error) {
	if v, ok := s.deps.Fitness.CheckOn(in.ID); ok {
		return &checkViewAnswer{v}, nil
	}
	if _, ok := s.deps.Fitness.FitnessOf(in.ID); !ok {
		return nil, s.noBalance()
	}
	return nil, &problemDocument{"about:blank", "No check runs", http.StatusNotFound, "No check runs on balance " + in.ID + " now."}
}

func (s *Server) actOnCheck(ctx context.Context, in *checkDeedRequest) (*checkViewAnswer, error) {
	a := in.Body.CheckAct
	said := 0
	for _, there := range []bool{a.Answer != "", a.Right != nil, a.Repeat != "", a.Stop != ""} {
		if there {
			said++
		}
	}
	if said != 1 {
		return nil, notTaken("say one thing: answer, right, repeat or stop")
	}
	for _, reason := range []string{a.Repeat, a.Stop} {
		if reason != "" {
			if err := record.CheckReason(reason); err != nil {
				return nil, notTaken("the reason " + err.Error())
			}
		}
	}
	actor, _, err := s.onFitness(ctx, in.ID, in.Body.By, "", false)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	v, err := s.deps.Fitness.ActOnCheck(ctx, in.ID, a, actor)
	if err != nil {
		return nil, s.fitnessNotDone(err)
	}
	return &checkViewAnswer{v}, nil
}

func (s *Server) getCheckReport(ctx context.Context, in *CheckID) (*checkReportAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestList)
	defer cancel()
	r, err := s.deps.Fitness.CheckEnded(ctx, in.ID, in.id())
	if err != nil {
		return nil, s.fitnessUnread(err)
	}
	return &checkReportAnswer{r}, nil
}
