package screens

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// sums is what pages may ask of statistics.
type sums = console.Statistics

// added is statistics as a test has them.
type added struct {
	sums
	view  console.StatisticsView
	asked []console.StatisticsAsked
	fails error
}

func (a *added) Statistics(_ context.Context, q console.StatisticsAsked) (console.StatisticsView, error) {
	a.asked = append(a.asked, q)
	return a.view, a.fails
}

// TestStatisticsOfRuns: the page asks for what the form holds, shows each number as it was given, and draws every value at its own height.
func TestStatisticsOfRuns(t *testing.T) {
	point := func(run, digits, verdict string) console.StatisticPoint {
		return console.StatisticPoint{Run: run, Digits: digits, Verdict: verdict, UTC: record.UTC(time.Date(2026, 11, 30, 9, 0, 0, 0, time.UTC))}
	}
	f := &added{view: console.StatisticsView{Runs: 3, Abandoned: 1, Groups: []console.StatisticGroup{
		{Procedure: "thousand-seed-mass", Versions: []int{1, 2}, Result: "thousand", Label: "Mass of a thousand seeds", Unit: "g", Of: "LOT-1004", N: 3, Mean: "2.120", SD: "0.010", CV: "0.47", Least: "2.110", Most: "2.130",
			Passed: 2, Failed: 1, Outside: "33.3", Points: []console.StatisticPoint{point("r-a-000001", "2.110", record.CheckPassed), point("r-a-000002", "2.120", record.CheckFailed), point("r-a-000003", "2.130", record.CheckPassed)}},
		{Procedure: "thousand-seed-mass", Result: "variation", Unit: "%", N: 1, Mean: "3.8", Points: []console.StatisticPoint{point("r-a-000001", "3.8", "")}}}}}
	l := newLab(t, Deps{Statistics: f})
	reader := rights.Who{Known: true, Rights: rights.Of(rights.See, rights.ReadJournal)}
	status, body := l.get(t, "/statistics?by=sample&sample=LOT-1004&from=2026-11-01&to=2026-11-30&approved=yes", reader)
	if status != http.StatusOK {
		t.Fatalf("%d %s", status, body)
	}
	for _, want := range []string{"Mass of a thousand seeds", "2.120", "0.010", "0.47 %", "1, 33.3 %", "version 1, 2", "1 run not counted: abandoned", "translate(30 164)", "translate(320 90)", "translate(610 16)", `class="point failed"`,
		"/api/v1/statistics.csv?approved=true&amp;by=sample", `href="/runs/r-a-000002/review"`} {
		if !strings.Contains(body, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	if n := strings.Count(body, "<figure"); n != 1 {
		t.Errorf("%d groups are drawn: one value is no picture", n)
	}
	q := f.asked[0]
	if q.By != "sample" || q.Sample != "LOT-1004" || !q.Approved || q.From.Format(time.DateOnly) != "2026-11-01" || q.To.Format(time.DateOnly) != "2026-12-01" || q.Points != pointsDrawn {
		t.Errorf("asked for %+v", q)
	}
	for path, want := range map[string]string{"/statistics?from=yesterday": "A day is written YYYY-MM-DD", "/statistics?by=colour": "Results are not grouped by colour"} {
		if _, body := l.get(t, path, reader); !strings.Contains(body, want) || len(f.asked) != 1 {
			t.Errorf("%s: %d questions", path, len(f.asked))
		}
	}
	f.fails = errors.New("the journal is busy")
	if _, body := l.get(t, "/statistics", reader); !strings.Contains(body, "It cannot be worked out now: The journal is busy.") {
		t.Error("nothing says why there is no answer")
	}
}
