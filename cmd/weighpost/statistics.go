package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"text/tabwriter"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/index"
)

type statisticsCommand struct {
	hostFlags
	By        string `enum:",sample,lot,balance,day,month,year" default:"" help:"Group by sample, lot, balance, day, month or year."`
	Procedure string `placeholder:"NAME" help:"Only results of a procedure."`
	Version   int    `placeholder:"N" help:"Only of this version of it."`
	Result    string `placeholder:"NAME" help:"Only the result of this name."`
	Sample    string `placeholder:"ID" help:"Only results of a sample."`
	Lot       string `placeholder:"ID" help:"Only results of a lot."`
	Balance   string `placeholder:"ID" help:"Only of runs on this balance, and no other."`
	From      string `placeholder:"TIME" help:"Only of runs that ended at this time or later: 2026-11-25 (UTC) or 2026-11-25T10:04:05Z."`
	To        string `placeholder:"TIME" help:"Only of runs that ended before this time; a date means up to its end."`
	Approved  bool   `help:"Only of runs that are approved."`
	CSV       bool   `help:"Print a table in CSV (RFC 4180)." xor:"form"`
	JSON      bool   `help:"Print one JSON object." xor:"form"`
}

// Help is what the command tells beyond its one line.
func (statisticsCommand) Help() string {
	return `Works over the results of runs as they stand: after every correction, with the digits that were reported. Runs that were abandoned or replaced do
not count, and their number is said; values outside their limits count. Units are never mixed. See: weighpost help statistics`
}

func (c statisticsCommand) Run(ctx context.Context, s streams) error {
	f, err := index.Flags{From: c.From, To: c.To}.Filter()
	if err != nil {
		return err
	}
	q := url.Values{}
	for name, value := range map[string]string{"by": c.By, "procedure": c.Procedure, "result": c.Result, "sample": c.Sample, "lot": c.Lot, "balance": c.Balance} {
		if value != "" {
			q.Set(name, value)
		}
	}
	for name, value := range map[string]time.Time{"from": f.From, "to": f.To} {
		if !value.IsZero() {
			q.Set(name, value.UTC().Format(time.RFC3339Nano))
		}
	}
	if c.Version != 0 {
		q.Set("version", strconv.Itoa(c.Version))
	}
	if c.Approved {
		q.Set("approved", "true")
	}
	if c.CSV {
		var table []byte
		if err := c.askRuns(ctx, http.MethodGet, "statistics.csv?"+q.Encode(), nil, &table); err != nil {
			return err
		}
		_, err := s.out.Write(table)
		return err
	}
	var v console.StatisticsView
	if err := c.askRuns(ctx, http.MethodGet, "statistics?"+q.Encode(), nil, &v); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(v)
	}
	return tellStatistics(s, &v)
}

// tellStatistics prints a table for people.
func tellStatistics(s streams, v *console.StatisticsView) error {
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "PROCEDURE\tRESULT\tUNIT\tOF\tN\tMEAN\tS\tCV %\tLEAST\tMOST\tOUTSIDE\tEXCLUDED")
	for i := range v.Groups {
		g := &v.Groups[i]
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%d\t%s\t%s\t%s\t%s\t%s\t%d\t%d\n", plain(g.Procedure), plain(g.Result), plain(cmp.Or(g.Unit, "-")), plain(cmp.Or(g.Of, "-")), g.N, cmp.Or(g.Mean, "-"),
			cmp.Or(g.SD, "-"), cmp.Or(g.CV, "-"), cmp.Or(plain(g.Least), "-"), cmp.Or(plain(g.Most), "-"), g.Failed, g.Excluded)
	}
	if err := table.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(s.out, "%s; not counted: %d abandoned, %d replaced, %d not approved\n", count(v.Runs, "run"), v.Abandoned, v.Replaced, v.Unapproved)
	return err
}
