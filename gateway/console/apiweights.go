package console

import (
	"context"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	weightsPath    = apiPrefix + "reference-weights"
	weightPath     = weightsPath + "/{weight}"
	weightFilePath = weightPath + "/file"
)

// WeightID names a reference weight. It has a name that the API library may see.
type WeightID struct {
	Weight string `path:"weight" maxLength:"63" doc:"Id of the reference weight." example:"f1-3-200a"`
}

// WeightOrder is what is to be known of a reference weight. It takes the place of all that was known of it, but for the file of its
// certificate, which stays as long as the certificate's number does.
type WeightOrder struct {
	ID                 string              `json:"id,omitempty" maxLength:"63" doc:"As in the address, or left out."`
	Set                string              `json:"set,omitempty" maxLength:"200"`
	Serial             string              `json:"serial,omitempty" maxLength:"200"`
	Nominal            record.Mass         `json:"nominal" minLength:"1" maxLength:"63" doc:"The nominal mass with its unit: 200 g."`
	Class              string              `json:"class,omitempty" maxLength:"20" doc:"E1 to M3 (OIML R 111-1), or ASTM 0 to ASTM 4."`
	Conventional       record.Mass         `json:"conventional,omitempty" maxLength:"63" doc:"The conventional mass of the certificate."`
	Uncertainty        record.Mass         `json:"uncertainty,omitempty" maxLength:"63" doc:"Its expanded uncertainty."`
	CoverageFactor     string              `json:"k,omitempty" maxLength:"20" doc:"The coverage factor of the uncertainty."`
	Density            string              `json:"density_kg_m3,omitempty" maxLength:"20"`
	DensityUncertainty string              `json:"density_uncertainty_kg_m3,omitempty" maxLength:"20" doc:"Expanded, k = 2."`
	Certificate        *record.Certificate `json:"certificate,omitempty"`
	Reason             string              `json:"reason,omitempty" maxLength:"500" doc:"Why what is known of it changes; needed where the weight is registered already."`
	By                 string              `json:"by,omitempty" maxLength:"128" doc:"Who says so, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

type weightRequest struct {
	WeightID
	Body WeightOrder
}

type weightAnswer struct{ Body WeightView }

type weightsAnswer struct {
	Body struct {
		Weights []WeightView `json:"weights" nullable:"false" doc:"By id, the withdrawn ones too."`
	}
}

type weightEnd struct {
	WeightID
	Reason string `query:"reason" maxLength:"500" doc:"Why it is not to be used again: dropped, lost, worn."`
	By     string `query:"by" maxLength:"128" doc:"Who says so, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

func (s *Server) weightRoutes(api huma.API, op operations) {
	huma.Register(api, op("list-reference-weights", http.MethodGet, weightsPath, "The register of reference weights, each with whether it can be relied on today", "", rights.See),
		func(context.Context, *struct{}) (*weightsAnswer, error) {
			a := &weightsAnswer{}
			a.Body.Weights = append([]WeightView{}, s.deps.Fitness.ReferenceWeights()...)
			return a, nil
		})
	huma.Register(api, op("get-reference-weight", http.MethodGet, weightPath, "One reference weight", "", rights.See),
		func(_ context.Context, in *WeightID) (*weightAnswer, error) {
			v, ok := s.deps.Fitness.ReferenceWeight(in.Weight)
			if !ok {
				return nil, s.fitnessUnread(record.ErrNoWeight)
			}
			return &weightAnswer{v}, nil
		})
	huma.Register(api, op("register-reference-weight", http.MethodPut, weightPath, "Register a reference weight, or change what is known of one",
		"An id is never given to another weight: one that was withdrawn stays so, and the nominal mass cannot change.", rights.Weights), s.registerWeight)
	huma.Register(api, op("withdraw-reference-weight", http.MethodDelete, weightPath, "Say that a reference weight is not to be used again", "It stays in the register.", rights.Weights),
		s.withdrawWeight)
	s.weightFileRoutes(api, op)
}

func (s *Server) registerWeight(ctx context.Context, in *weightRequest) (*weightAnswer, error) {
	o := in.Body
	if o.ID != "" && o.ID != in.Weight {
		return nil, notTaken("the body is about " + o.ID + ", and the address about " + in.Weight)
	}
	actor, reason, err := s.onFitness(ctx, "", o.By, o.Reason, false)
	if err != nil {
		return nil, err
	}
	w := record.ReferenceWeight{ID: in.Weight, Set: o.Set, Serial: o.Serial, Nominal: o.Nominal, Class: o.Class, Conventional: o.Conventional, Uncertainty: o.Uncertainty,
		CoverageFactor: o.CoverageFactor, Density: o.Density, DensityUncertainty: o.DensityUncertainty}
	if w.Certificate, err = s.certificateOf(in.Weight, o.Certificate); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	v, err := s.deps.Fitness.RegisterWeight(ctx, w, reason, actor)
	if err != nil {
		return nil, s.fitnessNotDone(err)
	}
	return &weightAnswer{v}, nil
}

// certificateOf gives a certificate with the file that is kept of it. A file cannot be named in a body: it is sent, and then its hash is known.
func (s *Server) certificateOf(weight string, c *record.Certificate) (*record.Certificate, error) {
	if c == nil {
		return nil, nil
	}
	var kept *record.KeptFile
	if was, ok := s.deps.Fitness.ReferenceWeight(weight); ok && was.Certificate != nil && was.Certificate.Number == c.Number {
		kept = was.Certificate.File
	}
	if c.File != nil && (kept == nil || *c.File != *kept) {
		return nil, notTaken("the file of a certificate is sent to " + weightFilePath + ", and cannot be named here")
	}
	now := *c
	now.File = kept
	return &now, nil
}

func (s *Server) withdrawWeight(ctx context.Context, in *weightEnd) (*weightAnswer, error) {
	actor, reason, err := s.onFitness(ctx, "", in.By, strings.TrimSpace(in.Reason), true)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	v, err := s.deps.Fitness.WithdrawWeight(ctx, in.Weight, reason, actor)
	if err != nil {
		return nil, s.fitnessNotDone(err)
	}
	return &weightAnswer{v}, nil
}
