package console

import (
	"context"
	"errors"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// ClockCorrector records by how much stamps were wrong.
type ClockCorrector interface {
	// CorrectClock returns once the entry is in the journal. The error is a *record.RequestRefused, or one that the entry could
	// not be recorded.
	CorrectClock(ctx context.Context, c record.ClockCorrection) (record.ClockCorrectionAnswer, error)
}

const correctionsPath = apiPrefix + "journal/clock-corrections"

type correctionRequest struct {
	FromWhere
	RawBody []byte `contentType:"application/json"`
}

type correctionAnswer struct{ Body record.ClockCorrectionAnswer }

func (s *Server) timeRoutes(api huma.API) {
	huma.Register(api, needs(huma.Operation{
		OperationID: "correct-clock", Method: http.MethodPost, Path: correctionsPath, Tags: []string{"journal"},
		Summary: "Say by how much the stamps of a span of entries were wrong",
		Description: "An entry says so; the stamps stay as they were written. It is for what the clock could not find out itself: what it can, it " +
			"corrects on its own. Where several corrections cover an entry, the newest counts.",
		Errors:           refusals(http.StatusConflict, http.StatusServiceUnavailable),
		SkipValidateBody: true, Middlewares: huma.Middlewares{patient},
	}, rights.CorrectClock), s.correctClock)
	describeCorrections(api.OpenAPI())
}

func (s *Server) correctClock(ctx context.Context, in *correctionRequest) (*correctionAnswer, error) {
	c, err := record.ParseClockCorrection(in.RawBody)
	if err != nil {
		return nil, badBody(in.RawBody, `{"from": 12, "to": 40, "offset_s": "-3.2", "bound_s": 0.5, "reason": "…", "by": "…"}`, err)
	}
	if c.By, err = namedActor(ctx, c.By.ID); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, longestAsk)
	defer cancel()
	a, err := s.deps.Corrector.CorrectClock(ctx, c)
	var refused *record.RequestRefused
	switch {
	case errors.As(err, &refused):
		return nil, &problemDocument{"about:blank", "Nothing was corrected", http.StatusConflict, sentence(refused.Why)}
	case err != nil:
		return nil, notNow(sentence(err.Error()) + " See the journal for what became of it before it is sent again.")
	}
	return &correctionAnswer{a}, nil
}

// describeCorrections writes the body of the request into the description.
func describeCorrections(doc *huma.OpenAPI) {
	least, above, longest := 1.0, 0.0, float64(31*24*3600)
	body := doc.Paths[correctionsPath].Post.RequestBody
	body.Required = true
	body.Content = map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{
		Type: huma.TypeObject, AdditionalProperties: false, Required: []string{"from", "to", "offset_s", "bound_s", "reason"},
		Properties: map[string]*huma.Schema{
			"from": {Type: huma.TypeInteger, Minimum: &least, Description: "Sequence of the first entry."},
			"to":   {Type: huma.TypeInteger, Minimum: &least, Description: "Sequence of the last entry."},
			"offset_s": {Type: huma.TypeString, Pattern: `^[+-]?[0-9]+(\.[0-9]{0,9})?$`, Examples: []any{"-3.2"},
				Description: "What has to be added to the stamps, in seconds."},
			"bound_s": {Type: huma.TypeNumber, ExclusiveMinimum: &above, Maximum: &longest, Description: "How far a corrected stamp may still be off."},
			"reason":  words(500, "Why, for whoever reads the journal later."),
			"by":      words(128, "Who asks for it. "+byNote),
		},
	}}}
}
