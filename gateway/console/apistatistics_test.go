package console

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// Statistics answers in tests: what was asked for, as a group.
func (p *press) Statistics(_ context.Context, asked StatisticsAsked) (StatisticsView, error) {
	if asked.Procedure == "all" {
		return StatisticsView{}, &ExportRefused{"more runs are asked for than are held at once"}
	}
	point := StatisticPoint{Run: "r-7qx3-000017", UTC: record.UTC(time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)), Digits: "12.3", Verdict: "passed"}
	return StatisticsView{By: asked.By, Seq: 7, Runs: 1, Groups: []StatisticGroup{{Procedure: asked.Procedure, Versions: []int{2}, Result: "moisture", Unit: "%", N: asked.Points, Mean: "12.300",
		Points: []StatisticPoint{point}}}}, nil
}

func (p *press) StatisticsCSV(ctx context.Context, asked StatisticsAsked, spreadsheet bool) ([]byte, error) {
	_, err := p.Statistics(ctx, asked)
	return fmt.Appendf(nil, "%v", spreadsheet), err
}

// TestStatisticsAreAskedFor as JSON and as a table.
func TestStatisticsAreAskedFor(t *testing.T) {
	h := open(t)
	for query, want := range map[string]string{"?by=month&procedure=p": "200 application/json", "?by=colour": "422 application/problem+json", "?procedure=all": "422 application/problem+json",
		".csv?procedure=p&spreadsheet=true": "200 text/csv; charset=utf-8; header=present", ".csv?procedure=all": "422 application/problem+json", "?version=0": "422 application/problem+json"} {
		resp, err := http.Get(h.base + statisticsPath + query)
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(resp.Body)
		resp.Body.Close()
		if got := fmt.Sprint(resp.StatusCode, " ", resp.Header.Get("Content-Type")); got != want {
			t.Errorf("%s: %s %s", query, got, body)
		}
		if strings.HasPrefix(query, "?by=month") && !strings.Contains(string(body), `"n":200`) {
			t.Errorf("%s", body)
		}
	}
}
