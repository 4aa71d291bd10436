package console

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"regexp"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	checkPaperPath  = apiPrefix + "balances/{id}/checks/{check}/report.pdf"
	balanceFilePath = apiPrefix + "balances/{id}/file"
)

type checkPaperRequest struct {
	BalanceID
	Check string `path:"check" doc:"The part of the check's id behind the slash." example:"c000017" maxLength:"40"`
}

type balanceFileAnswer struct{ Body *BalanceFile }

func (s *Server) reportRoutes(api huma.API) {
	if s.deps.Fitness == nil {
		return
	}
	pdf := &huma.Schema{Type: huma.TypeString, Format: "binary"}
	huma.Register(api, needs(huma.Operation{OperationID: "print-check-report", Method: http.MethodGet, Path: checkPaperPath, Tags: []string{"fitness"},
		Summary: "The report of a check that has ended, as a PDF",
		Description: "The same check gives the same bytes. With every attempt, those that do not count too, the limits and where they come from, the reference weights and their certificates, and " +
			"where the check stands in the journal. It supports a calibration by a competent body and never replaces it.",
		Errors:    []int{http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable},
		Responses: map[string]*huma.Response{"200": {Description: "The report.", Content: map[string]*huma.MediaType{"application/pdf": {Schema: pdf}}}},
	}, rights.ReadJournal), s.checkPaper)
	huma.Register(api, needs(huma.Operation{OperationID: "get-balance-file", Method: http.MethodGet, Path: balanceFilePath, Tags: []string{"fitness"},
		Summary: "What the lab keeps of a balance: identity, certificate, due dates, repairs, weights",
		Description: "What is not known is listed under missing, and never taken for good: a certificate without a due date is unknown, and not relied on. " +
			"It supports a calibration by a competent body and never replaces it.",
		Errors: []int{http.StatusNotFound, http.StatusServiceUnavailable}}, rights.ReadJournal), s.balanceFile)
}

// ofCheck is the form of the part of a check's id behind the slash.
var ofCheck = regexp.MustCompile(`^c[0-9]{1,9}$`)

// IsCheckNumber says whether a text can be the part of a check's id behind the slash.
func IsCheckNumber(s string) bool { return ofCheck.MatchString(s) }

func (s *Server) checkPaper(ctx context.Context, in *checkPaperRequest) (*huma.StreamResponse, error) {
	if !IsCheckNumber(in.Check) {
		return nil, &problemDocument{"about:blank", "There is no such check", http.StatusNotFound, "The part of a check's id behind the slash is c and digits, such as c000017."}
	}
	c, err := s.deps.ReportOfCheck(ctx, in.ID, in.ID+"/"+in.Check)
	switch {
	case errors.Is(err, record.ErrNoBalance):
		return nil, &problemDocument{"about:blank", "There is no such balance", http.StatusNotFound, "No balance of that id is configured."}
	case errors.Is(err, record.ErrNoCheck):
		return nil, &problemDocument{"about:blank", "There is no such check", http.StatusNotFound, "No check of that id of this balance has ended."}
	case err != nil:
		return nil, notNow(sentence(err.Error()))
	}
	var b bytes.Buffer // a check has few steps; a fault has to be told before anything is sent
	if err := c.Document().Write(&b, c.Version, c.Made()); err != nil {
		return nil, notNow(sentence(err.Error()))
	}
	return &huma.StreamResponse{Body: func(ctx huma.Context) {
		_, w := humago.Unwrap(ctx)
		w.Header().Set("Content-Type", "application/pdf")
		w.Header().Set("Content-Disposition", `attachment; filename="check-`+in.Check+`.pdf"`)
		w.Header().Set("Cache-Control", "no-store")
		w.Write(b.Bytes())
	}}, nil
}

func (s *Server) balanceFile(_ context.Context, in *BalanceID) (*balanceFileAnswer, error) {
	now, clock := s.deps.Now()
	f, ok := s.deps.FileOfBalance(in.ID, now.Format(time.DateOnly))
	if !ok {
		return nil, &problemDocument{"about:blank", "There is no such balance", http.StatusNotFound, "No balance of that id is configured."}
	}
	f.Clock = clock
	return &balanceFileAnswer{f}, nil
}
