package gateway

import (
	"context"
	"errors"

	"weighpost/gateway/console"
	"weighpost/gateway/index"
	"weighpost/gateway/record"
	"weighpost/gateway/statistics"
)

// Statistics works over the results of runs, from their entries.
func (g *Gateway) Statistics(ctx context.Context, asked console.StatisticsAsked) (console.StatisticsView, error) {
	seq := g.journal.Head()
	t, err := g.resultsOf(ctx, &asked)
	if err != nil {
		return console.StatisticsView{}, err
	}
	v := console.StatisticsView{By: asked.By, Seq: seq, Runs: t.Runs, Abandoned: t.Abandoned, Replaced: t.Replaced, Unapproved: t.Unapproved, Groups: []console.StatisticGroup{}}
	for _, group := range t.Groups {
		v.Groups = append(v.Groups, groupView(group, asked.Points))
	}
	return v, nil
}

// StatisticsCSV gives the same as a table.
func (g *Gateway) StatisticsCSV(ctx context.Context, asked console.StatisticsAsked, spreadsheet bool) ([]byte, error) {
	t, err := g.resultsOf(ctx, &asked)
	if err != nil {
		return nil, err
	}
	return t.CSV(spreadsheet), nil
}

// resultsOf gathers the results that are wanted: first the runs that ended then, and then what became of them.
func (g *Gateway) resultsOf(ctx context.Context, asked *console.StatisticsAsked) (statistics.Table, error) {
	gather := statistics.New(statistics.Wanted{Procedure: asked.Procedure, Version: asked.Version, Result: asked.Result, Sample: asked.Sample, Lot: asked.Lot, Balance: asked.Balance,
		From: asked.From, To: asked.To, Approved: asked.Approved, By: asked.By})
	err := g.findEntries(ctx, index.Filter{From: asked.From, To: asked.To, Kinds: []record.Kind{record.KindRunEnded}}, gather.Add)
	if err == nil {
		err = g.findEntries(ctx, index.Filter{Kinds: []record.Kind{record.KindRunCorrected, record.KindRunReviewed}}, gather.Add)
	}
	if tooMany := (statistics.TooMany{}); errors.As(err, &tooMany) {
		return statistics.Table{}, &console.ExportRefused{Why: tooMany.Error()}
	}
	return gather.Table(), err
}

// groupView shows one group, with its last so many values.
func groupView(g *statistics.Group, points int) console.StatisticGroup {
	v := console.StatisticGroup{Procedure: g.Procedure, Versions: append([]int{}, g.Versions...), Result: g.Result, Label: g.Label, Unit: g.Unit, Of: g.Of, N: g.N(),
		Mean: g.Text(g.Mean()), SD: g.Text(g.SD()), CV: statistics.Percent(g.CV()), Least: g.Least(), Most: g.Most(),
		Passed: g.Count(statistics.Passed), Warned: g.Count(statistics.Warned), Failed: g.Count(statistics.Failed), Outside: statistics.Percent(g.Outside()),
		Allowed: g.Allowed(), Approved: g.Approved(), Without: g.Without, Excluded: g.Excluded, Points: []console.StatisticPoint{}}
	v.Before = max(0, g.N()-points)
	for _, p := range g.Points[v.Before:] {
		v.Points = append(v.Points, console.StatisticPoint{Run: p.Run, UTC: record.UTC(p.At), Digits: p.Digits, Verdict: p.Verdict, Approved: p.Approved})
	}
	return v
}
