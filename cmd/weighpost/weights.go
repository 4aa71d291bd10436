package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"text/tabwriter"
	"time"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

type weightsCommand struct {
	List     weightsList     `cmd:"" help:"List the register of reference weights."`
	Show     weightsShow     `cmd:"" help:"Show all that is known of a reference weight."`
	Register weightsRegister `cmd:"" help:"Register a reference weight, or change what is known of one; attach its certificate."`
	Withdraw weightsWithdraw `cmd:"" help:"Say that a reference weight is not to be used again."`
}

// askFitness asks the daemon about balances that are checked.
func (h hostFlags) askFitness(ctx context.Context, method, path string, body, answer any) error {
	return h.act(ctx, deed{Method: method, Path: "/api/v1/" + path, Body: body, Answer: answer, Here: noFitnessHere})
}

// errNoFitness says that a daemon has to run.
var errNoFitness = errors.New("no daemon has this journal, and only a running one looks after balances and reference weights: start it (weighpost run, or weighpost service start) and ask again")

func noFitnessHere(context.Context, *config.Config, *journal.Journal) error { return errNoFitness }

// noDaemon is errNoFitness where no daemon has the journal.
func noDaemon(cfg *config.Config) error {
	if !journal.InUse(cfg.Journal.Folder) {
		return errNoFitness
	}
	return nil
}

// stampText writes a time for people, in this computer's zone.
func stampText(t record.UTC) string { return t.Time().Local().Format(time.DateTime) }

type weightsList struct {
	hostFlags
	JSON bool `help:"Print one weight a line, as JSON."`
}

// Help is what the command tells beyond its one line.
func (weightsList) Help() string {
	return `Each weight with its nominal mass, class, until when its certificate is relied on, and why it is not to be relied on today. Withdrawn ones stay
in the register.`
}

func (c weightsList) Run(ctx context.Context, s streams) error {
	var a struct{ Weights []console.WeightView }
	if err := c.askFitness(ctx, http.MethodGet, "reference-weights", nil, &a); err != nil {
		return err
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if len(a.Weights) > 0 && !c.JSON {
		fmt.Fprintln(table, "ID\tNOMINAL\tCLASS\tDUE\tNOT TO BE RELIED ON")
	}
	for _, w := range a.Weights {
		if c.JSON {
			if err := json.NewEncoder(s.out).Encode(w); err != nil {
				return err
			}
			continue
		}
		due := "-"
		if w.Certificate != nil {
			due = cmp.Or(w.Certificate.Due, "-")
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\n", plain(w.ID), plain(string(w.Nominal)), plain(cmp.Or(w.Class, "-")), plain(due), plain(cmp.Or(w.Unfit, "-")))
	}
	if len(a.Weights) == 0 && !c.JSON {
		fmt.Fprintln(s.err, "no reference weight is registered")
	}
	return table.Flush()
}

type weightsWithdraw struct {
	hostFlags
	ID     string `arg:"" help:"Id of the weight."`
	Reason string `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that tells of it."`
	By     string `placeholder:"NAME" help:"Who says so; by default this system's user."`
}

// Help is what the command tells beyond its one line.
func (weightsWithdraw) Help() string {
	return `It was dropped, lost, worn. It stays in the register and in the checks that used it, and no other weight ever gets its id.`
}

func (c weightsWithdraw) Run(ctx context.Context, s streams) error {
	query := url.Values{"reason": {c.Reason}, "by": {by(c.By)}}
	var w console.WeightView
	if err := c.askFitness(ctx, http.MethodDelete, "reference-weights/"+pathPart(c.ID)+"?"+query.Encode(), nil, &w); err != nil {
		return err
	}
	_, err := fmt.Fprintf(s.out, "%s is withdrawn\n", plain(w.ID))
	return err
}
