package console

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	proceduresPath       = apiPrefix + "procedures"
	procedureJudgePath   = proceduresPath + "/judge"
	procedurePath        = proceduresPath + "/{procedure}"
	procedureVersionPath = procedurePath + "/versions/{version}"
	procedureDecidePath  = procedureVersionPath + "/decide"
	readyProceduresPath  = apiPrefix + "ready-procedures"

	mostProcedure = 256 << 10 // bytes of one version
)

// procedureCaution is what every description of procedures says of what they are worth.
const procedureCaution = "A procedure is the lab's own: weighpost carries out what it says, and does not make a result fit for use. Local rules and qualified people decide."

// ProcedureID names a procedure. It has a name that the API library may see.
type ProcedureID struct {
	Procedure string `path:"procedure" maxLength:"63" doc:"The procedure's name." example:"thousand-seed-mass"`
}

// ProcedureVersionID names a version of a procedure.
type ProcedureVersionID struct {
	ProcedureID
	Version int `path:"version" minimum:"1" maximum:"100000" doc:"Which version, from 1." example:"1"`
}

// ProcedureText is the text of a procedure: as YAML, or as an object with the same keys.
type ProcedureText struct {
	Text string         `json:"text,omitempty" maxLength:"262144" doc:"The procedure in YAML."`
	Form map[string]any `json:"form,omitempty" doc:"The procedure as an object with the keys of the YAML, in place of text."`
}

type procedureJudge struct{ Body ProcedureText }

type procedureWrite struct {
	Body struct {
		ProcedureText
		Reason string `json:"reason" minLength:"1" maxLength:"500" doc:"What is new in it, and why; it becomes part of the entry that says so."`
		By     string `json:"by,omitempty" maxLength:"128" doc:"Who writes, by name. Needed with the host's token. A person acts under their own name: left out, or that."`
	}
}

type procedureDecide struct {
	ProcedureVersionID
	Body struct {
		Change string `json:"change" enum:"adopted,turned down,withdrawn" doc:"What becomes of the version."`
		Reason string `json:"reason" minLength:"1" maxLength:"500" doc:"Why; it becomes part of the entry that says so."`
		By     string `json:"by,omitempty" maxLength:"128" doc:"Who decides, by name. Needed with the host's token. A person acts under their own name: left out, or that."`
	}
}

type proceduresAnswer struct {
	Body struct {
		Procedures []ProcedureView `json:"procedures" nullable:"false" doc:"By name."`
	}
}

type procedureAnswer struct{ Body ProcedureView }

type procedureVersionAnswer struct{ Body ProcedureVersion }

type procedureTextAnswer struct {
	Body struct {
		ProcedureVersion
		Text string         `json:"text" doc:"The text, exactly as it was written: its hash is the version's."`
		Form map[string]any `json:"form,omitempty" doc:"The same as an object, where it can be read."`
	}
}

type procedureJudgedAnswer struct{ Body ProcedureJudged }

type readyProceduresAnswer struct {
	Body struct {
		Procedures []ReadyProcedure `json:"procedures" nullable:"false"`
	}
}

func (s *Server) procedureRoutes(api huma.API) {
	if s.deps.Procedures == nil {
		return
	}
	op := func(id, method, path, summary, more string) huma.Operation {
		o := huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: more + procedureCaution, Tags: []string{"procedures"},
			MaxBodyBytes: 2 * mostProcedure, Errors: refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)}
		if method == http.MethodGet {
			o.MaxBodyBytes, o.Errors = 0, []int{http.StatusNotFound, http.StatusUnprocessableEntity}
		}
		return o
	}
	huma.Register(api, needs(op("list-procedures", http.MethodGet, proceduresPath, "The procedures and their versions", ""), rights.See), s.listProcedures)
	huma.Register(api, needs(op("judge-procedure", http.MethodPost, procedureJudgePath, "Find every mistake in a procedure, without keeping it",
		"The answer is 200 also where there are mistakes: they are in faults, each with its line and column. "), rights.Procedures), s.judgeProcedure)
	huma.Register(api, needs(op("get-procedure", http.MethodGet, procedurePath, "One procedure with its versions", ""), rights.See), s.getProcedure)
	huma.Register(api, needs(op("write-procedure", http.MethodPost, proceduresPath, "Write a new version of a procedure",
		"It waits until it is adopted. 422: it has mistakes, which are in errors. 409: there is such a version already. "), rights.Procedures), s.writeProcedure)
	huma.Register(api, needs(op("get-procedure-version", http.MethodGet, procedureVersionPath, "One version with its text", ""), rights.See), s.getProcedureVersion)
	huma.Register(api, needsOne(op("decide-procedure", http.MethodPost, procedureDecidePath, "Adopt a version, turn it down, or withdraw it",
		"Runs begin with the version that was adopted last. Whoever wrote a version adopts it only where the settings allow one person to. Withdrawing needs the right "+
			"procedures, the rest adopt-procedures. "), rights.AdoptProcedures, rights.Procedures), s.decideProcedure)
	huma.Register(api, needs(op("list-ready-procedures", http.MethodGet, readyProceduresPath, "The procedures that come with weighpost, to begin with", ""), rights.See),
		func(context.Context, *struct{}) (*readyProceduresAnswer, error) {
			a := &readyProceduresAnswer{}
			a.Body.Procedures = append([]ReadyProcedure{}, s.deps.Procedures.ReadyProcedures()...)
			return a, nil
		})
}

func (s *Server) listProcedures(context.Context, *struct{}) (*proceduresAnswer, error) {
	a := &proceduresAnswer{}
	a.Body.Procedures = append([]ProcedureView{}, s.deps.Procedures.Procedures()...)
	return a, nil
}

func (s *Server) getProcedure(_ context.Context, in *ProcedureID) (*procedureAnswer, error) {
	v, ok := s.deps.Procedures.Procedure(in.Procedure)
	if !ok {
		return nil, procedureNotDone(record.ErrNoProcedure)
	}
	return &procedureAnswer{v}, nil
}

func (s *Server) getProcedureVersion(_ context.Context, in *ProcedureVersionID) (*procedureTextAnswer, error) {
	v, _ := s.deps.Procedures.Procedure(in.Procedure)
	text, err := s.deps.Procedures.ProcedureText(in.Procedure, in.Version)
	if err != nil {
		return nil, procedureNotDone(err)
	}
	a := &procedureTextAnswer{}
	for _, one := range v.Versions {
		if one.Version == in.Version {
			a.Body.ProcedureVersion = one
		}
	}
	a.Body.Text, a.Body.Form = text, s.deps.Procedures.JudgeProcedure(text).Form
	return a, nil
}

// textOf gives the text of a procedure that was sent as text, or as an object.
func textOf(p *ProcedureText) (string, error) {
	switch {
	case p.Text != "" && p.Form != nil:
		return "", notTaken("say text or form, and not both")
	case p.Text != "":
		return p.Text, nil
	case p.Form == nil:
		return "", notTaken("say the procedure, as text or as form")
	}
	text, err := json.Marshal(p.Form) // which is YAML too
	if err != nil {
		return "", notTaken("form is no procedure that can be written down")
	}
	return string(text), nil
}

func (s *Server) judgeProcedure(_ context.Context, in *procedureJudge) (*procedureJudgedAnswer, error) {
	text, err := textOf(&in.Body)
	if err != nil {
		return nil, err
	}
	j := s.deps.Procedures.JudgeProcedure(text)
	j.Faults = append([]ProcedureFault{}, j.Faults...)
	return &procedureJudgedAnswer{j}, nil
}

func (s *Server) writeProcedure(ctx context.Context, in *procedureWrite) (*procedureVersionAnswer, error) {
	text, err := textOf(&in.Body.ProcedureText)
	if err != nil {
		return nil, err
	}
	actor, reason, err := s.deciding(ctx, in.Body.By, in.Body.Reason, true)
	if err != nil {
		return nil, err
	}
	if faults := s.deps.Procedures.JudgeProcedure(text).Faults; len(faults) > 0 {
		return nil, faultyProcedure(faults)
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	v, err := s.deps.Procedures.WriteProcedure(ctx, text, reason, actor)
	if err != nil {
		return nil, procedureNotDone(err)
	}
	return &procedureVersionAnswer{v}, nil
}

// faultyProcedure answers a text with mistakes.
func faultyProcedure(faults []ProcedureFault) error {
	doc := &faultyDocument{&problemDocument{"about:blank", "The procedure has mistakes", http.StatusUnprocessableEntity, "It was not kept: see errors."}, nil}
	for _, f := range faults {
		said := f.What
		if f.Allowed != "" {
			said += ": " + f.Allowed
		}
		doc.Errors = append(doc.Errors, FaultyPlace{Location: f.Where, Message: sentence(said)})
	}
	return doc
}

func (s *Server) decideProcedure(ctx context.Context, in *procedureDecide) (*procedureVersionAnswer, error) {
	right := rights.AdoptProcedures
	if in.Body.Change == record.ProcedureWithdrawn {
		right = rights.Procedures
	}
	if err := mayNow(ctx, right, ""); err != nil {
		return nil, err
	}
	actor, reason, err := s.deciding(ctx, in.Body.By, in.Body.Reason, true)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	v, err := s.deps.Procedures.DecideProcedure(ctx, in.Procedure, in.Version, in.Body.Change, reason, actor)
	if err != nil {
		return nil, procedureNotDone(err)
	}
	return &procedureVersionAnswer{v}, nil
}

// mayNow refuses what needs one of the rights of a route and not another. balance "" is none.
func mayNow(ctx context.Context, right rights.Right, balance string) error {
	who := rights.From(ctx)
	err := who.May(right)
	if err == nil && balance != "" {
		err = who.MayAt(right, balance)
	}
	if err != nil {
		return &problemDocument{"about:blank", notAllowed, http.StatusForbidden, sentence(err.Error())}
	}
	return nil
}

// procedureNotDone turns what an act on procedures, runs and what belongs to them says into an answer.
func procedureNotDone(err error) error {
	var refused *record.NotDone
	missing := func(what string) error {
		return &problemDocument{"about:blank", "There is no such " + what, http.StatusNotFound, sentence(err.Error())}
	}
	switch {
	case errors.As(err, &refused):
		return &problemDocument{"about:blank", "That was not done", http.StatusConflict, sentence(refused.Why)}
	case errors.Is(err, record.ErrNoProcedure):
		return missing("procedure")
	case errors.Is(err, record.ErrNoRun):
		return missing("run")
	case errors.Is(err, record.ErrNoRequest):
		return missing("request")
	case errors.Is(err, record.ErrNoContainer):
		return missing("container")
	case errors.Is(err, record.ErrNoSlip):
		return missing("slip")
	case errors.Is(err, record.ErrNoBalance):
		return missing("balance")
	}
	return notNow(sentence(err.Error()) + " Ask how it stands before you send it again.")
}
