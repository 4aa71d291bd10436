package console

import (
	"context"
	"errors"
	"net/http"

	"weighpost/gateway/record"
)

type previewQuery struct {
	SinkID
	ID string `query:"id" required:"true" minLength:"1" maxLength:"300" doc:"Id of the entry, or its place in the journal (seq)." example:"north-lab/7qx3/b-12/000184"`
}

type previewAnswer struct{ Body DeliveryPreview }

func (s *Server) previewDelivery(ctx context.Context, in *previewQuery) (*previewAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, longestList)
	defer cancel()
	p, err := s.deps.Deliveries.Preview(ctx, in.Sink, in.ID)
	var refused *record.RequestRefused
	switch {
	case err == nil:
		return &previewAnswer{p}, nil
	case errors.Is(err, ErrNoSink):
		return nil, s.noSink()
	case errors.Is(err, ErrNoEntry):
		return nil, &problemDocument{"about:blank", "There is no such entry", http.StatusNotFound, sentence(err.Error())}
	case errors.As(err, &refused):
		return nil, &problemDocument{"about:blank", "It cannot be shown", http.StatusConflict, sentence(refused.Why)}
	}
	return nil, unlisted(err)
}
