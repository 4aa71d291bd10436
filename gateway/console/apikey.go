package console

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// KeyChanger puts another key in force, by which checkpoints are signed.
type KeyChanger interface {
	// ChangeKey returns once the entry is in the journal. The error says that it could not be recorded.
	ChangeKey(ctx context.Context, o record.KeyOrder) (record.KeyAnswer, error)
}

const keysPath = apiPrefix + "journal/keys"

type keyRequest struct {
	FromWhere
	RawBody []byte `contentType:"application/json"`
}

type keyAnswer struct{ Body record.KeyAnswer }

func (s *Server) keyRoutes(api huma.API) {
	huma.Register(api, needs(huma.Operation{
		OperationID: "change-key", Method: http.MethodPost, Path: keysPath, Tags: []string{"journal"},
		Summary: "Change the key that signs checkpoints",
		Description: "A new key is made on this computer, the old one signs for it, and an entry says so. Checkpoints that cover that entry are " +
			"signed by the new key. Keep its public half elsewhere, beside those of before.",
		Errors:           refusals(http.StatusServiceUnavailable),
		SkipValidateBody: true, Middlewares: huma.Middlewares{patient},
	}, rights.JournalKey), s.changeKey)
	describeKeys(api.OpenAPI())
}

func (s *Server) changeKey(ctx context.Context, in *keyRequest) (*keyAnswer, error) {
	o, err := record.ParseKeyOrder(in.RawBody)
	if err != nil {
		return nil, badBody(in.RawBody, `{"reason": "…", "by": "…"}`, err)
	}
	if o.By, err = namedActor(ctx, o.By.ID); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, longestAsk)
	defer cancel()
	a, err := s.deps.Keys.ChangeKey(ctx, o)
	if err != nil {
		return nil, notNow(sentence(err.Error()) + " See the journal for what became of it before it is sent again.")
	}
	return &keyAnswer{a}, nil
}

// describeKeys writes the body of the request into the description.
func describeKeys(doc *huma.OpenAPI) {
	body := doc.Paths[keysPath].Post.RequestBody
	body.Required = true
	body.Content = map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{
		Type: huma.TypeObject, AdditionalProperties: false, Required: []string{"reason"},
		Properties: map[string]*huma.Schema{
			"reason": words(500, "Why, for whoever reads the journal later."),
			"by":     words(128, "Who asks for it. "+byNote),
		},
	}}}
}
