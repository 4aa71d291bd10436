package console

import (
	"context"
	"errors"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Environment knows what instruments show of the air where balances stand. Its methods do not block.
type Environment interface {
	// Air lists what is known, by place.
	Air() []AirPlace
	// ShowAir takes what an instrument shows at a place. The error is a *record.NotDone; where what was sent is wrong, its Field says what of it.
	ShowAir(place string, s record.AirShown) (AirPlace, error)
}

// AirPlace is a place with what is known of the air there.
type AirPlace struct {
	Place    string     `json:"place" doc:"Where balances stand, as configured with them; of a balance without a place, its id."`
	Readings []AirKnown `json:"readings" nullable:"false" doc:"The newest of temperature, humidity and pressure."`
}

// AirKnown is a reading with its age.
type AirKnown struct {
	record.AirReading
	AgeS int64 `json:"age_s" doc:"How old it is, in whole seconds."`
}

const (
	environmentPath = apiPrefix + "environment"
	airAtPath       = environmentPath + "/{place}"
)

// AirAt names a place. It has a name that the API library may see.
type AirAt struct {
	Place string `path:"place" maxLength:"200" doc:"The place of balances as configured, or the id of a balance that has none; with / and other signs escaped (RFC 3986)." example:"seed store, bench 2"`
}

type airRequest struct {
	AirAt
	Body record.AirShown
}

type airAnswer struct{ Body AirPlace }

type environmentAnswer struct {
	Body struct {
		Places []AirPlace `json:"places" nullable:"false"`
	}
}

func (s *Server) environmentRoutes(api huma.API) {
	if s.deps.Environment == nil {
		return
	}
	huma.Register(api, needs(huma.Operation{OperationID: "list-environment", Method: http.MethodGet, Path: environmentPath, Tags: []string{"runs"},
		Summary: "What instruments show of the air where balances stand", Description: "The newest reading of each, for an hour. They are kept in memory alone."}, rights.See),
		func(context.Context, *struct{}) (*environmentAnswer, error) {
			a := &environmentAnswer{}
			a.Body.Places = append([]AirPlace{}, s.deps.Environment.Air()...)
			return a, nil
		})
	huma.Register(api, needs(huma.Operation{OperationID: "show-environment", Method: http.MethodPut, Path: airAtPath, Tags: []string{"runs"},
		Summary: "Say what an instrument shows of the air at a place",
		Description: "All that it shows, in place of what it showed there before. It leaves no entry: a reading is recorded where somebody takes it as the value of a step that is " +
			"about the air at the balance. The instrument and its calibration are the laboratory's business. 409: it is not newer than what is known, or of too many places.",
		Errors: refusals(http.StatusNotFound, http.StatusConflict)}, rights.Environment), s.showAir)
}

func (s *Server) showAir(ctx context.Context, in *airRequest) (*airAnswer, error) {
	there := false
	for _, b := range s.deps.Source.Balances() {
		if record.AirPlace(b.ID, b.Place) != in.Place {
			continue
		}
		if err := mayNow(ctx, rights.Environment, b.ID); err != nil {
			return nil, err // a key for some balances says nothing of the air at others
		}
		there = true
	}
	if !there {
		return nil, &problemDocument{"about:blank", "No balance is there", http.StatusNotFound,
			"No balance is configured at this place: it is written as in the place of a balance, or is the id of one that has no place."}
	}
	known, err := s.deps.Environment.ShowAir(in.Place, in.Body)
	var refused *record.NotDone
	switch {
	case err == nil:
		return &airAnswer{known}, nil
	case errors.As(err, &refused) && refused.Field != "":
		return nil, notTaken(refused.Why)
	}
	return nil, procedureNotDone(err)
}
