package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"text/tabwriter"

	"weighpost/gateway/console"
)

type checksCommand struct {
	List    checksList    `cmd:"" help:"List the state of every balance, and which checks are due."`
	Show    checksShow    `cmd:"" help:"Print the file of one balance as JSON: checks, failures, upkeep, minimum weight."`
	Defined checksDefined `cmd:"" help:"List the checks of the settings."`
	Begin   checksBegin   `cmd:"" help:"Begin a check, and lead through it in the terminal."`
	Follow  checksFollow  `cmd:"" help:"Go on with a check that runs."`
	Report  checksReport  `cmd:"" help:"Show what a check found, or write its report as a PDF."`
	Upkeep  checksUpkeep  `cmd:"" help:"Note that a balance was adjusted, moved, repaired, calibrated or maintained."`
	Doubts  checksDoubts  `cmd:"" help:"List the weighings that a failed check throws doubt on."`
	Judge   checksJudge   `cmd:"" help:"Judge whether weighings are affected by a failed check."`
	Close   checksClose   `cmd:"" help:"Close a failed check, once everything it throws doubt on is judged."`
	Out     checksOut     `cmd:"" help:"Take a balance out of service."`
	Back    checksBack    `cmd:"" help:"Put a balance back into service without a check that passes."`
}

type checksList struct {
	hostFlags
	JSON bool `help:"Print one balance a line, as JSON."`
}

// Help is what the command tells beyond its one line.
func (checksList) Help() string {
	return `Each balance with its state, and each check of its schedule with when it is due. What comes of checks supports calibration by a competent body, and
never replaces it. A check is made on the screen at the bench, or here: weighpost checks begin.`
}

func (c checksList) Run(ctx context.Context, s streams) error {
	var a struct{ Balances []console.FitnessView }
	if err := c.askFitness(ctx, http.MethodGet, "fitness", nil, &a); err != nil {
		return err
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if !c.JSON {
		fmt.Fprintln(table, "BALANCE\tSTATE\tCHECK\tDUE\tTHE CHECK IS")
	}
	for _, b := range a.Balances {
		if c.JSON {
			if err := json.NewEncoder(s.out).Encode(b); err != nil {
				return err
			}
			continue
		}
		if len(b.Schedule) == 0 {
			fmt.Fprintf(table, "%s\t%s\t-\t-\t-\n", plain(b.Balance.ID), plain(b.Fitness.State))
		}
		for _, d := range b.Schedule {
			state := d.State
			if state == "in service" {
				state = "not due"
			}
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\n", plain(b.Balance.ID), plain(b.Fitness.State), plain(d.Check), stampText(d.Due), plain(state))
		}
	}
	return table.Flush()
}

type checksShow struct {
	hostFlags
	Balance string `arg:"" help:"Id of the balance."`
}

func (c checksShow) Run(ctx context.Context, s streams) error {
	var v console.FitnessView
	if err := c.askFitness(ctx, http.MethodGet, "balances/"+pathPart(c.Balance)+"/fitness", nil, &v); err != nil {
		return err
	}
	return json.NewEncoder(s.out).Encode(v)
}

// serviceChange is what takes a balance out of service, or puts it back.
type serviceChange struct {
	Balance string `arg:"" help:"Id of the balance."`
	Reason  string `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that tells of it."`
	By      string `placeholder:"NAME" help:"Who decides; by default this system's user."`
}

func (c serviceChange) change(ctx context.Context, h hostFlags, s streams, what string) error {
	var v console.FitnessView
	if err := h.askFitness(ctx, http.MethodPost, "balances/"+pathPart(c.Balance)+"/"+what, console.ServiceOrder{Reason: c.Reason, By: by(c.By)}, &v); err != nil {
		return err
	}
	_, err := fmt.Fprintf(s.out, "balance %s is %s now\n", plain(v.Balance.ID), plain(v.Fitness.State))
	return err
}

type checksOut struct {
	hostFlags
	serviceChange
}

// Help is what the command tells beyond its one line.
func (checksOut) Help() string {
	return `Its weighings say so from then on, and become what the settings say (fitness, unfit). The balance itself cannot be kept from showing a weight.`
}

func (c checksOut) Run(ctx context.Context, s streams) error {
	return c.change(ctx, c.hostFlags, s, "out-of-service")
}

type checksBack struct {
	hostFlags
	serviceChange
}

// Help is what the command tells beyond its one line.
func (checksBack) Help() string {
	return `Whoever does it answers for it. What a failed check throws doubt on stays to be judged.`
}

func (c checksBack) Run(ctx context.Context, s streams) error {
	return c.change(ctx, c.hostFlags, s, "in-service")
}
