package console

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Scans takes codes that were scanned somewhere else than at a balance's own scanner.
type Scans interface {
	// Scan returns once the act is in the journal; errors as of Contexts.SetContext.
	Scan(ctx context.Context, balance string, r record.ScanRequest) (record.ContextView, error)
}

const scanPath = apiPrefix + "balances/{id}/scan"

type scanRequest struct {
	ToBalance
	RawBody []byte `contentType:"application/json"`
}

func (s *Server) scanRoute(api huma.API) {
	if s.deps.Scans == nil {
		return
	}
	huma.Register(api, needs(huma.Operation{OperationID: "scan", Method: http.MethodPost, Path: scanPath, Tags: []string{"context"},
		Summary: "Take a code that was scanned for a balance",
		Description: "By the rules of the balance's scanner in the configuration, whether it has one on a port or not: what the code says is set, a " +
			"badge signs somebody in, a balance's label confirms which balance is connected. The code is kept in the entry exactly as it came. " +
			"409: it was refused, or the policy for samples asks: then detail says what is unusual, and the same request with \"confirm\": true " +
			"within 30 seconds carries it out.",
		Errors:           refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable),
		SkipValidateBody: true}, rights.Weigh), s.takeScan)
	body := api.OpenAPI().Paths[scanPath].Post.RequestBody
	body.Required = true
	body.Content = map[string]*huma.MediaType{"application/json": {Schema: scanSchema()}}
}

func scanSchema() *huma.Schema {
	one, most, mark := 1, 512, 64
	return &huma.Schema{Type: huma.TypeObject, AdditionalProperties: false, Required: []string{"raw"}, Properties: map[string]*huma.Schema{
		"raw": {Type: huma.TypeString, MinLength: &one, MaxLength: &most, Description: "The code as it was scanned, without what the scanner sends at its end. " +
			"Where a GS1 code has a separator it holds the character U+001D."},
		"symbology": {Type: huma.TypeString, Pattern: `^\][A-Za-z][A-Za-z0-9]$`,
			Description: "The symbology identifier (ISO/IEC 15424), where it is known and does not stand at the beginning of raw."},
		"typed":   {Type: huma.TypeBoolean, Description: "It was typed by hand: GS1 codes may have the form for people, with brackets."},
		"confirm": {Type: huma.TypeBoolean, Description: "It was asked about, and is meant."},
		"request": {Type: huma.TypeString, MaxLength: &mark, Description: "The sender's own mark, which the entry carries."},
	}, Examples: []any{map[string]any{"raw": "10ABC123\u001d17261231", "symbology": "]C1"}}}
}

// takeScan reads the one form that a scan has. A person's code may name them to whoever may weigh; to tie weighings to another person
// takes a right of its own.
func (s *Server) takeScan(ctx context.Context, in *scanRequest) (*contextAnswer, error) {
	r, err := record.ParseScanRequest(in.RawBody)
	if err != nil {
		return nil, badBody(in.RawBody, `{"raw": "LOT-1003"}`, err)
	}
	if _, err := s.deps.Contexts.ContextOf(in.ID); err != nil {
		return s.contextOf(record.ContextView{}, err)
	}
	if why := s.unrecorded(in.ID); why != "" {
		return nil, notNow("The scan was not taken, since it could not be recorded. " + why)
	}
	actor, err := actorOf(ctx, "")
	if err != nil {
		return nil, err
	}
	r.Actor, r.Where, r.At = &actor, where(in.From), time.Now()
	r.Others = rights.From(ctx).May(rights.SendContext) == nil
	ctx, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	view, err := s.deps.Scans.Scan(ctx, in.ID, r)
	return s.contextOf(view, err)
}
