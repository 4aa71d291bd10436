package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// failedCheck names a check that failed.
type failedCheck struct {
	hostFlags
	Balance string `arg:"" help:"Id of the balance."`
	Check   string `arg:"" help:"The check that failed: its id, or the number that ends it."`
}

func (c failedCheck) path(what string) string {
	return "balances/" + pathPart(c.Balance) + "/failures/" + pathPart(strings.TrimPrefix(c.Check, c.Balance+"/")) + "/" + what
}

// each gives every weighing that the check throws doubt on, and how many of them are not judged.
func (c failedCheck) each(ctx context.Context, do func(console.DoubtfulWeighing) error) (unjudged int, err error) {
	for after := uint64(0); ; {
		var page console.Doubtful
		if err := c.askFitness(ctx, http.MethodGet, c.path("weighings")+"?limit=1000&after="+strconv.FormatUint(after, 10), nil, &page); err != nil {
			return 0, err
		}
		for _, w := range page.Weighings {
			if err := do(w); err != nil {
				return 0, err
			}
		}
		if page.Next <= after {
			return page.Unjudged, nil
		}
		after = page.Next
	}
}

type checksDoubts struct {
	failedCheck
	JSON bool `help:"Print one weighing a line, as JSON."`
}

// Help is what the command tells beyond its one line.
func (checksDoubts) Help() string {
	return `The weighings since the last check of the same name that passed, oldest first, each with what was judged. What was delivered before is not called
back: tell whoever uses it.`
}

func (c checksDoubts) Run(ctx context.Context, s streams) error {
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	listed := 0
	unjudged, err := c.each(ctx, func(w console.DoubtfulWeighing) error {
		if c.JSON {
			return json.NewEncoder(s.out).Encode(w)
		}
		if listed++; listed == 1 {
			fmt.Fprintln(table, "SEQ\tID\tVALUE\tWHEN\tSAMPLE\tPERSON\tJUDGED")
		}
		_, err := fmt.Fprintf(table, "%d\t%s\t%s\t%s\t%s\t%s\t%s\n", w.Seq, plain(w.ID), plain(w.Value.Shown()), stampText(w.UTC),
			plain(cmp.Or(w.Sample, "-")), plain(cmp.Or(w.Person, "-")), plain(cmp.Or(w.Effect, "-")))
		return err
	})
	if err != nil {
		return err
	}
	if !c.JSON {
		fmt.Fprintf(s.err, "%d of them are not judged\n", unjudged)
	}
	return table.Flush()
}

type checksJudge struct {
	failedCheck
	Weighing []string `placeholder:"WHICH" help:"A weighing, by its id or its place in the journal (SEQ of weighpost checks doubts); may be given several times."`
	All      bool     `help:"All that are not judged yet."`
	Effect   string   `required:"" enum:"no-effect,affected" help:"What is judged of them: ${enum}."`
	Reason   string   `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that tells of it."`
	By       string   `placeholder:"NAME" help:"Who judges; by default this system's user."`
	JSON     bool     `help:"Print how many were judged as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (checksJudge) Help() string {
	return `One judgement may take the place of another as long as the failed check is not closed; all of them stay in the journal.`
}

func (c checksJudge) Run(ctx context.Context, s streams) error {
	if c.All == (len(c.Weighing) > 0) {
		return errors.New("say which weighings are judged: --weighing for each, or --all that are not judged yet")
	}
	o := console.JudgeOrder{Effect: strings.ReplaceAll(c.Effect, "-", " "), Reason: c.Reason, By: by(c.By)}
	if len(c.Weighing) > record.MostReleased {
		return fmt.Errorf("at most %d weighings are named at once: --all takes every one that is not judged", record.MostReleased)
	}
	wanted := slices.Clone(c.Weighing)
	if len(wanted) > 0 {
		if _, err := c.each(ctx, func(w console.DoubtfulWeighing) error {
			if i := slices.IndexFunc(wanted, func(one string) bool { return one == w.ID || one == strconv.FormatUint(w.Seq, 10) }); i >= 0 {
				o.Weighings, wanted = append(o.Weighings, w.EntryRef), slices.Delete(wanted, i, i+1)
			}
			return nil
		}); err != nil {
			return err
		}
		if len(wanted) > 0 {
			return fmt.Errorf("the check throws no doubt on %s, or it is named twice: weighpost checks doubts tells which ones it does", plain(wanted[0]))
		}
	}
	var done struct {
		Judged int `json:"judged"`
	}
	if err := c.askFitness(ctx, http.MethodPost, c.path("judge"), o, &done); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(done)
	}
	_, err := fmt.Fprintf(s.out, "%d judged: %s\n", done.Judged, o.Effect)
	return err
}

type checksClose struct {
	failedCheck
	Reason string `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that tells of it."`
	By     string `placeholder:"NAME" help:"Who decides; by default this system's user."`
	JSON   bool   `help:"Print the file of the balance as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (checksClose) Help() string {
	return `It is refused while one weighing is not judged. It puts no balance back into service: a check that passes does, or weighpost checks back.`
}

func (c checksClose) Run(ctx context.Context, s streams) error {
	var v console.FitnessView
	if err := c.askFitness(ctx, http.MethodPost, c.path("close"), console.ServiceOrder{Reason: c.Reason, By: by(c.By)}, &v); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(v)
	}
	_, err := fmt.Fprintf(s.out, "closed; balance %s is %s\n", plain(v.Balance.ID), plain(v.Fitness.State))
	return err
}
