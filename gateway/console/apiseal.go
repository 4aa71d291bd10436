package console

import (
	"context"
	"net/http"
	"reflect"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const sealPath = apiPrefix + "journal/seal"

// sealTime is how long working out what would be sealed may take: it reads what is old enough.
const sealTime = 5 * time.Minute

// Sealer moves the bytes of old entries into segments.
type Sealer interface {
	// Seal says what would be sealed and, unless the request asks for no more, begins it without waiting for its end. The error
	// says in a sentence why not.
	Seal(ctx context.Context, r record.SealRequest, by record.Actor) (record.SealPlan, error)
}

type sealRequest struct {
	FromWhere
	RawBody []byte `contentType:"application/json"`
}

type sealAnswer struct{ Body record.SealPlan }

func (s *Server) sealRoute(api huma.API) {
	if s.deps.Sealer == nil {
		return
	}
	huma.Register(api, needs(huma.Operation{OperationID: "seal-entries", Method: http.MethodPost, Path: sealPath, Tags: []string{"journal"},
		Summary: "Move the bytes of old entries into segments",
		Description: "Nothing is deleted: every entry is read as before. With dry_run it is only said what would be done. Otherwise it begins, and " +
			"what comes of it is told by entries of the kind sealed, and by the condition sealing-failed. 409: it may not be done, or is being done.",
		Errors:      refusals(http.StatusConflict, http.StatusServiceUnavailable),
		Middlewares: huma.Middlewares{untilSealed}, SkipValidateBody: true, // record.ParseSealRequest reads it
	}, rights.Seal), func(ctx context.Context, in *sealRequest) (*sealAnswer, error) {
		r, err := record.ParseSealRequest(in.RawBody)
		if err != nil {
			return nil, badBody(in.RawBody, `{"by": "p-07", "dry_run": true}`, err)
		}
		if why := s.unrecorded(""); why != "" && !r.DryRun {
			return nil, notNow("Nothing was sealed, since it could not be recorded. " + why)
		}
		actor, err := namedActor(ctx, r.By)
		if err != nil {
			return nil, err
		}
		ctx, cancel := context.WithTimeout(ctx, sealTime)
		defer cancel()
		plan, err := s.deps.Sealer.Seal(ctx, r, actor)
		if err != nil {
			return nil, &problemDocument{"about:blank", "Nothing was sealed", http.StatusConflict, sentence(err.Error())}
		}
		return &sealAnswer{plan}, nil
	})
	doc := api.OpenAPI()
	doc.Paths[sealPath].Post.RequestBody = &huma.RequestBody{Required: true, Content: map[string]*huma.MediaType{"application/json": {
		Schema: huma.SchemaFromType(doc.Components.Schemas, reflect.TypeFor[record.SealRequest]())}}}
}

// untilSealed lets the answer take as long as working it out may.
func untilSealed(ctx huma.Context, next func(huma.Context)) {
	withPatience(ctx, sealTime+writeTime, next)
}
