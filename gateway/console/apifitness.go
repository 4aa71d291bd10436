package console

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	fitnessPath   = apiPrefix + "fitness"
	ofBalance     = apiPrefix + "balances/{id}/"
	inDoubtPath   = ofBalance + "failures/{check}/weighings"
	judgePath     = ofBalance + "failures/{check}/judge"
	closePath     = ofBalance + "failures/{check}/close"
	outPath       = ofBalance + "out-of-service"
	inPath        = ofBalance + "in-service"
	upkeepPath    = ofBalance + "upkeep"
	fitnessOfPath = ofBalance + "fitness"
)

// fitnessCaution is what every description of checks says of what they are worth.
const fitnessCaution = "What comes of checks supports calibration by a competent body, and never replaces it; duties under legal metrology and pharmacopoeias stay " +
	"with the lab. A balance cannot be kept from showing a weight."

type allFitnessAnswer struct {
	Body struct {
		Balances []FitnessView `json:"balances" nullable:"false" doc:"In the order of the configuration, without their checks and upkeep: ask for one balance to have them."`
	}
}

type fitnessAnswer struct{ Body FitnessView }

// CheckID names a check of a balance. It has a name that the API library may see.
type CheckID struct {
	BalanceID
	Check string `path:"check" maxLength:"63" doc:"The check's number at the balance, as it ends its id." example:"c000017"`
}

// id is the whole id of the check.
func (c *CheckID) id() string { return checkID(c.ID, c.Check) }

// checkID writes the whole id of a check of a balance, of which people may write the number alone.
func checkID(balance, check string) string {
	if check == "" || strings.Contains(check, "/") {
		return check
	}
	return balance + "/" + check
}

// ServiceOrder is why a balance is taken out of service, or put back, or a failed check closed.
type ServiceOrder struct {
	Reason string `json:"reason" minLength:"1" maxLength:"500" doc:"Why; it becomes part of the entry that says so."`
	By     string `json:"by,omitempty" maxLength:"128" doc:"Who decides, by name. Needed with the host's token. A person acts under their own name: left out, or that."`
}

type serviceRequest struct {
	BalanceID
	Body ServiceOrder
}

// UpkeepOrder is what was done to a balance.
type UpkeepOrder struct {
	Act         string              `json:"act" enum:"adjustment,move,repair,calibration,maintenance"`
	AsFound     string              `json:"as_found,omitempty" maxLength:"128" doc:"The check from before it: its id, or the number that ends it. An adjustment and a repair need it, or say in no_as_found_because why there is none."`
	AsLeft      string              `json:"as_left,omitempty" maxLength:"128" doc:"The check from after it."`
	Unfound     string              `json:"no_as_found_because,omitempty" maxLength:"500"`
	Calibration *record.Calibration `json:"calibration,omitempty" doc:"What the certificate of a calibration says."`
	Place       string              `json:"place,omitempty" maxLength:"200" doc:"Where it stands after a move."`
	Note        string              `json:"note,omitempty" maxLength:"500"`
	By          string              `json:"by,omitempty" maxLength:"128" doc:"Who did it, by name. Needed with the host's token. A person acts under their own name: left out, or that."`
}

type upkeepRequest struct {
	BalanceID
	Body UpkeepOrder
}

type doubtQuery struct {
	CheckID
	After uint64 `query:"after" doc:"The place in the journal that the page before ended with, as it said in next."`
	Limit int    `query:"limit" doc:"How many at most." minimum:"1" maximum:"1000" default:"100"`
}

type doubtAnswer struct{ Body Doubtful }

// JudgeOrder is a judgement on weighings that a failed check throws doubt on.
type JudgeOrder struct {
	Weighings []record.EntryRef `json:"weighings,omitempty" minItems:"1" maxItems:"1000" nullable:"false" doc:"Which. Left out: all that are not judged."`
	Effect    string            `json:"effect" enum:"no effect,affected"`
	Reason    string            `json:"reason" minLength:"1" maxLength:"500" doc:"Why; it becomes part of the entry that says so."`
	By        string            `json:"by,omitempty" maxLength:"128" doc:"Who judges, by name. Needed with the host's token. A person acts under their own name: left out, or that."`
}

type judgeRequest struct {
	CheckID
	Body JudgeOrder
}

type judgedAnswer struct {
	Body struct {
		Judged int `json:"judged" doc:"How many weighings were judged by this."`
	}
}

type closeRequest struct {
	CheckID
	Body ServiceOrder
}

func (s *Server) fitnessRoutes(api huma.API) {
	if s.deps.Fitness == nil {
		return
	}
	op := func(id, method, path, summary, more string, right rights.Right) huma.Operation {
		o := huma.Operation{OperationID: id, Method: method, Path: path, Summary: summary, Description: strings.TrimSpace(more + " " + fitnessCaution),
			Tags: []string{"fitness"}, Errors: refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)}
		if method == http.MethodGet {
			o.Errors = []int{http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}
		}
		return needs(o, right)
	}
	huma.Register(api, op("list-fitness", http.MethodGet, fitnessPath, "Whether each balance is fit to weigh, and which checks are due", "", rights.See), s.listFitness)
	huma.Register(api, op("get-fitness", http.MethodGet, fitnessOfPath, "The file of a balance: state, schedule, minimum weight, checks, upkeep, failures", "", rights.ReadJournal),
		s.getFitness)
	huma.Register(api, op("take-out-of-service", http.MethodPost, outPath, "Take a balance out of service", "", rights.Fitness),
		func(ctx context.Context, in *serviceRequest) (*fitnessAnswer, error) {
			return s.changeService(ctx, in, s.deps.Fitness.TakeOutOfService)
		})
	huma.Register(api, op("put-into-service", http.MethodPost, inPath, "Put a balance back into service without a check that passes",
		"Whoever does it answers for it. What a failed check throws doubt on stays to be judged.", rights.Fitness),
		func(ctx context.Context, in *serviceRequest) (*fitnessAnswer, error) {
			return s.changeService(ctx, in, s.deps.Fitness.PutIntoService)
		})
	huma.Register(api, op("note-upkeep", http.MethodPost, upkeepPath, "Note that a balance was adjusted, moved, repaired, calibrated or maintained",
		"Its charts begin a new phase. What its schedule names is due at once.", rights.Fitness), s.noteUpkeep)
	s.doubtRoutes(api, op)
	s.checkRoutes(api, op)
	s.weightRoutes(api, op)
}

// operations makes the operation of a route, as fitnessRoutes does.
type operations func(id, method, path, summary, more string, right rights.Right) huma.Operation

func (s *Server) doubtRoutes(api huma.API, op operations) {
	late := func(o huma.Operation) huma.Operation {
		o.Middlewares = huma.Middlewares{untilDecided}
		return o
	}
	huma.Register(api, late(op("list-in-doubt", http.MethodGet, inDoubtPath, "The weighings that a failed check throws doubt on, each with its judgement",
		"Those between the last check of the kind that passed and the one that failed, oldest first.", rights.ReadJournal)), s.listInDoubt)
	huma.Register(api, late(op("judge-in-doubt", http.MethodPost, judgePath, "Judge whether weighings are affected by a failed check",
		"One judgement may take the place of another, as long as the failure is not closed. Where all that are not judged are meant, and they are many, they become several entries.",
		rights.JudgeFailed)), s.judgeInDoubt)
	huma.Register(api, late(op("close-failure", http.MethodPost, closePath, "Close a failed check, once everything it throws doubt on is judged",
		"409: a weighing is not judged.", rights.JudgeFailed)), s.closeFailure)
}

func (s *Server) listFitness(context.Context, *struct{}) (*allFitnessAnswer, error) {
	a := &allFitnessAnswer{}
	a.Body.Balances = append([]FitnessView{}, s.deps.Fitness.AllFitness()...)
	for i := range a.Body.Balances {
		a.Body.Balances[i].Checks, a.Body.Balances[i].Upkeep = []*record.CheckEnded{}, []*record.Upkeep{}
	}
	return a, nil
}

func (s *Server) getFitness(_ context.Context, in *BalanceID) (*fitnessAnswer, error) {
	v, ok := s.deps.Fitness.FitnessOf(in.ID)
	if !ok {
		return nil, s.noBalance()
	}
	return &fitnessAnswer{v}, nil
}

func (s *Server) changeService(ctx context.Context, in *serviceRequest, do func(ctx context.Context, balance, reason string, by record.Actor) error) (*fitnessAnswer, error) {
	actor, reason, err := s.onFitness(ctx, in.ID, in.Body.By, in.Body.Reason, true)
	if err != nil {
		return nil, err
	}
	within, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	if err := do(within, in.ID, reason, actor); err != nil {
		return nil, s.fitnessNotDone(err)
	}
	return s.getFitness(ctx, &in.BalanceID)
}

func (s *Server) noteUpkeep(ctx context.Context, in *upkeepRequest) (*fitnessAnswer, error) {
	o := in.Body
	actor, _, err := s.onFitness(ctx, in.ID, o.By, "", false)
	if err != nil {
		return nil, err
	}
	if o.Calibration != nil && o.Calibration.File != nil {
		return nil, notTaken("the file of a certificate is only named once it is kept, and a calibration of a balance keeps none yet: leave it out")
	}
	for name, text := range map[string]string{"place": o.Place, "note": o.Note, "no_as_found_because": o.Unfound} {
		if text = strings.TrimSpace(text); text != "" && record.CheckReason(text) != nil {
			return nil, notTaken(name + " " + record.CheckReason(text).Error())
		}
	}
	within, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	err = s.deps.Fitness.NoteUpkeep(within, in.ID, record.Upkeep{Act: o.Act, AsFound: checkID(in.ID, o.AsFound), AsLeft: checkID(in.ID, o.AsLeft),
		Unfound: strings.TrimSpace(o.Unfound), Calibration: o.Calibration, Place: strings.TrimSpace(o.Place), Note: strings.TrimSpace(o.Note), By: actor})
	if err != nil {
		return nil, s.fitnessNotDone(err)
	}
	return s.getFitness(ctx, &in.BalanceID)
}

func (s *Server) listInDoubt(ctx context.Context, in *doubtQuery) (*doubtAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, decideTime)
	defer cancel()
	list, err := s.deps.Fitness.InDoubt(ctx, in.ID, in.id(), in.After, min(max(in.Limit, 1), 1000))
	if err != nil {
		return nil, s.fitnessUnread(err)
	}
	list.Weighings = append([]DoubtfulWeighing{}, list.Weighings...)
	return &doubtAnswer{list}, nil
}

func (s *Server) judgeInDoubt(ctx context.Context, in *judgeRequest) (*judgedAnswer, error) {
	actor, reason, err := s.onFitness(ctx, in.ID, in.Body.By, in.Body.Reason, true)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, decideTime)
	defer cancel()
	j := record.AffectedJudged{Balance: record.Balance{ID: in.ID}, Check: in.id(), Weighings: in.Body.Weighings, Effect: in.Body.Effect, Reason: reason, By: actor}
	n, err := s.deps.Fitness.JudgeAffected(ctx, j)
	switch {
	case err != nil && n > 0 && len(j.Weighings) == 0:
		return nil, notNow("Some were judged, and the rest not. " + sentence(err.Error()) + " Ask for those that are in doubt, and send the request again for the rest.")
	case err != nil:
		return nil, s.fitnessNotDone(err)
	}
	a := &judgedAnswer{}
	a.Body.Judged = n
	return a, nil
}

func (s *Server) closeFailure(ctx context.Context, in *closeRequest) (*fitnessAnswer, error) {
	actor, reason, err := s.onFitness(ctx, in.ID, in.Body.By, in.Body.Reason, true)
	if err != nil {
		return nil, err
	}
	within, cancel := context.WithTimeout(ctx, decideTime)
	defer cancel()
	if err := s.deps.Fitness.CloseFailure(within, in.ID, in.id(), reason, actor); err != nil {
		return nil, s.fitnessNotDone(err)
	}
	return s.getFitness(ctx, &in.BalanceID)
}

// onFitness says who acts on the fitness of a balance, or on the register where balance is "", and why; or why that cannot be now.
func (s *Server) onFitness(ctx context.Context, balance, by, reason string, needed bool) (actor record.Actor, why string, err error) {
	if balance != "" {
		if _, ok := s.deps.Fitness.FitnessOf(balance); !ok {
			return actor, "", s.noBalance()
		}
		if stopped := s.unrecorded(balance); stopped != "" {
			return actor, "", notNow("Nothing was done, since it could not be recorded. " + stopped)
		}
	}
	return s.deciding(ctx, by, reason, needed)
}

// fitnessNotDone turns what an act on the fitness of a balance says into an answer.
func (s *Server) fitnessNotDone(err error) error {
	var refused *record.NotDone
	switch {
	case errors.As(err, &refused):
		problem := &problemDocument{"about:blank", "That was not done", http.StatusConflict, sentence(refused.Why)}
		if refused.Field != "" {
			return &faultyDocument{problem, []FaultyPlace{{Location: refused.Field, Message: sentence(refused.Why)}}}
		}
		return problem
	case errors.Is(err, record.ErrNoBalance), errors.Is(err, record.ErrNoCheck), errors.Is(err, record.ErrNoWeight):
		return s.fitnessUnread(err)
	}
	return notNow(sentence(err.Error()) + " Ask how it stands before you send it again.")
}

// fitnessUnread turns what a question about fitness says into an answer.
func (s *Server) fitnessUnread(err error) error {
	switch {
	case errors.Is(err, record.ErrNoBalance):
		return s.noBalance()
	case errors.Is(err, record.ErrNoCheck):
		return &problemDocument{"about:blank", "There is no such check", http.StatusNotFound, sentence(err.Error())}
	case errors.Is(err, record.ErrNoWeight):
		return &problemDocument{"about:blank", "There is no such reference weight", http.StatusNotFound, sentence(err.Error())}
	}
	return unlisted(err)
}
