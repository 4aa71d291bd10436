package console

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/rights"
)

const (
	statisticsPath    = apiPrefix + "statistics"
	statisticsCSVPath = apiPrefix + "statistics.csv"
)

// StatisticsQuery says which results are wanted. It has a name that the API library may see.
type StatisticsQuery struct {
	By        string    `query:"by" enum:"sample,lot,balance,day,month,year" doc:"What the results are grouped by, beside procedure, result and unit. Left out: nothing."`
	Procedure string    `query:"procedure" maxLength:"63" doc:"By the name of the procedure."`
	Version   int       `query:"version" minimum:"1" doc:"By its version."`
	Result    string    `query:"result" maxLength:"63" doc:"By the name of the result."`
	Sample    string    `query:"sample" maxLength:"128" doc:"Results of this sample: of an item of it, or of a run that is about nothing else."`
	Lot       string    `query:"lot" maxLength:"128" doc:"Likewise of this lot."`
	Balance   string    `query:"balance" maxLength:"63" doc:"Results of runs on this balance, and no other."`
	From      time.Time `query:"from" doc:"Of runs that ended at or after this time."`
	To        time.Time `query:"to" doc:"Of runs that ended before this time."`
	Approved  bool      `query:"approved" doc:"Of runs that are approved alone."`
	Points    int       `query:"points" minimum:"0" maximum:"2000" default:"200" doc:"How many values of each group are wanted, the last ones."`
}

type statisticsCSVQuery struct {
	StatisticsQuery
	Spreadsheet bool `query:"spreadsheet" doc:"For spreadsheet programs: a mark of the encoding in front, and an apostrophe before text that would run as a formula."`
}

type statisticsAnswer struct{ Body StatisticsView }

func (s *Server) statisticsRoutes(api huma.API) {
	if s.deps.Statistics == nil {
		return
	}
	const what = "Of results as they stand: after every correction, with the digits that were reported. Abandoned and replaced runs do not count, and their number is said; values outside " +
		"limits count. Nothing is converted: results of another unit are a group of their own. What a number is fit for is the lab's to say."
	op := func(id, path, summary string) huma.Operation {
		return needs(huma.Operation{OperationID: id, Method: http.MethodGet, Path: path, Tags: []string{"runs"}, Summary: summary, Description: what,
			Errors: []int{http.StatusUnprocessableEntity, http.StatusServiceUnavailable}}, rights.ReadJournal)
	}
	huma.Register(api, op("get-statistics", statisticsPath, "Count, mean, spread and share outside limits of the results of runs"), s.statistics)
	csv := op("export-statistics", statisticsCSVPath, "The same as CSV, a line for each group")
	csv.Responses = map[string]*huma.Response{"200": {Description: "The table (RFC 4180).", Content: map[string]*huma.MediaType{"text/csv": {Schema: &huma.Schema{Type: huma.TypeString}}}}}
	huma.Register(api, csv, s.statisticsCSV)
}

func (s *Server) statistics(ctx context.Context, in *StatisticsQuery) (*statisticsAnswer, error) {
	v, err := s.deps.Statistics.Statistics(ctx, StatisticsAsked(*in))
	if err != nil {
		return nil, notWorked(err)
	}
	return &statisticsAnswer{v}, nil
}

func (s *Server) statisticsCSV(ctx context.Context, in *statisticsCSVQuery) (*huma.StreamResponse, error) {
	table, err := s.deps.Statistics.StatisticsCSV(ctx, StatisticsAsked(in.StatisticsQuery), in.Spreadsheet)
	if err != nil {
		return nil, notWorked(err)
	}
	return &huma.StreamResponse{Body: func(ctx huma.Context) {
		_, w := humago.Unwrap(ctx)
		w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
		w.Header().Set("Content-Disposition", `attachment; filename="`+fileWord(s.deps.Site)+`-statistics.csv"`)
		w.Header().Set("Cache-Control", "no-store")
		w.Write(table)
	}}, nil
}

func notWorked(err error) error {
	var refused *ExportRefused
	if errors.As(err, &refused) {
		return &problemDocument{"about:blank", "That is more than can be answered at once", http.StatusUnprocessableEntity, sentence(refused.Why)}
	}
	return notNow(sentence(err.Error()))
}

// fileWord keeps letters, digits and - of a text.
func fileWord(text string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '-'
	}, text)
}
