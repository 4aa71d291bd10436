package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"text/tabwriter"

	"weighpost/gateway/console"
	"weighpost/gateway/tell"
)

type runsCommand struct {
	List runsList `cmd:"" help:"List runs of procedures, newest first: what each waits for, or what came of it."`
	Show runsShow `cmd:"" help:"Print one run as JSON, with every attempt at every step."`
}

type runsList struct {
	hostFlags
	State     string `enum:",open,abandoned,complete,in review,returned,reviewed,approved,needs review again,replaced,archived" default:"" help:"Only those in this state: ${enum}." placeholder:"STATE"`
	Procedure string `placeholder:"NAME" help:"Only those of a procedure."`
	Sample    string `placeholder:"ID" help:"Only those that a sample or a container is in."`
	JSON      bool   `help:"Print one run a line, as JSON."`
}

func (c runsList) Run(ctx context.Context, s streams) error {
	q := url.Values{}
	for key, value := range map[string]string{"state": c.State, "procedure": c.Procedure, "sample": c.Sample} {
		if value != "" {
			q.Set(key, value)
		}
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if !c.JSON {
		fmt.Fprintln(table, "RUN\tPROCEDURE\tSTATE\tBEGUN\tBY\tBALANCE\tWAITS FOR, OR VERDICT")
	}
	for {
		var a console.RunList
		if err := c.askRuns(ctx, http.MethodGet, "runs?"+q.Encode(), nil, &a); err != nil {
			return err
		}
		for _, r := range a.Runs {
			if c.JSON {
				if err := json.NewEncoder(s.out).Encode(r); err != nil {
					return err
				}
				continue
			}
			fmt.Fprintf(table, "%s\t%s v%d\t%s\t%s\t%s\t%s\t%s\n", plain(r.ID), plain(r.Procedure.Name), r.Procedure.Version, plain(r.State), stampText(r.Begun), plain(r.By.Shown()),
				plain(cmp.Or(r.Balance, "-")), plain(verdictText(r)))
		}
		if a.Next == "" {
			return table.Flush()
		}
		q.Set("before", a.Next)
	}
}

// verdictText is what a run came to, or waits for.
func verdictText(r console.RunGlance) string {
	if left := tell.LeftOut(r.LeftOut, len(r.Items)); r.Verdict != "" && left != "" {
		return r.Verdict + ", " + left
	}
	return cmp.Or(r.Verdict, r.Say, "-")
}

type runsShow struct {
	hostFlags
	ID string `arg:"" help:"Id of the run, such as r-7qx3-000017."`
}

func (c runsShow) Run(ctx context.Context, s streams) error {
	var v console.RunView
	if err := c.askRuns(ctx, http.MethodGet, "runs/"+pathPart(c.ID), nil, &v); err != nil {
		return err
	}
	return json.NewEncoder(s.out).Encode(v)
}
