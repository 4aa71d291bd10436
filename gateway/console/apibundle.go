package console

import (
	"context"
	"errors"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/rights"
)

const bundlePath = apiPrefix + "bundle"

// ErrNothing says that the journal holds nothing of what was asked for.
var ErrNothing = errors.New("the journal holds nothing of that")

// Bundles packs a run, a span or all of the journal with what shows that it is whole.
type Bundles interface {
	// Bundle finds what is asked for, and writes nothing yet. The error is an *ExportRefused, wraps ErrNothing, or says why it does
	// not work now.
	Bundle(ctx context.Context, asked BundleAsked) (Download, error)
}

// BundleAsked is a request for a bundle: one run, a span by time or by sequence, or all.
type BundleAsked struct {
	Run      string
	From, To time.Time
	First    uint64
	Last     uint64
	All      bool
}

type bundleRequest struct {
	Run   string    `query:"run" maxLength:"63" doc:"One run, with its signatures and all that it rests on." example:"r-7qx3-000017"`
	From  time.Time `query:"from" doc:"A span, from the first entry stamped at this time or later."`
	To    time.Time `query:"to" doc:"A span, up to the last entry stamped before this time."`
	First uint64    `query:"first" doc:"A span, from this entry on, by its place in the journal."`
	Last  uint64    `query:"last" doc:"A span, up to this entry."`
	All   bool      `query:"all" doc:"Everything that is recorded."`
}

func (s *Server) bundleRoute(api huma.API) {
	if s.deps.Bundles == nil {
		return
	}
	file := &huma.Schema{Type: huma.TypeString, Format: "binary"}
	op := huma.Operation{
		OperationID: "bundle-entries", Method: http.MethodGet, Path: bundlePath, Tags: []string{"journal"},
		Summary: "A run, a span or all of the journal in one archive that verifies alone",
		Description: "Exact bytes of each entry, what shows that they were in the journal, signatures, checkpoint, key, schemas, kept files, a report for people, and the " +
			"SHA-256 of each part. Sent while it is read: an answer that could not be finished is cut off, and an archive without SHA256SUMS is not whole.",
		Errors:    []int{http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable},
		Responses: map[string]*huma.Response{"200": {Description: "The bundle.", Content: map[string]*huma.MediaType{"application/zip": {Schema: file}}}},
	}
	huma.Register(api, needs(op, rights.Export), func(ctx context.Context, in *bundleRequest) (*huma.StreamResponse, error) {
		d, err := s.deps.Bundles.Bundle(ctx, BundleAsked(*in))
		var refused *ExportRefused
		switch {
		case errors.As(err, &refused):
			return nil, &problemDocument{"about:blank", "The bundle cannot be made as asked for", http.StatusUnprocessableEntity, sentence(refused.Why)}
		case errors.Is(err, ErrNothing):
			return nil, &problemDocument{"about:blank", "There is nothing to bundle", http.StatusNotFound, sentence(err.Error())}
		case err != nil:
			return nil, notNow(sentence(err.Error()))
		}
		return &huma.StreamResponse{Body: func(ctx huma.Context) {
			r, w := humago.Unwrap(ctx)
			s.sendExport(w, r, d)
		}}, nil
	})
}
