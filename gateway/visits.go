package gateway

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/setup"
	"weighpost/gateway/visit"
	"weighpost/parsers/strict"
)

// openVisits has balances added from the page.
func (g *Gateway) openVisits(ctx context.Context) error {
	g.visits = visit.New(ctx, visit.Deps{Config: func() string { return g.now.Load().cfg.File() }, Taken: g.takenPorts, Check: g.checkAddition, Write: g.writeAddition, Log: g.log})
	g.life.onStop("balances that are being added", g.visits.Stop)
	return nil
}

// takenPorts are the ports of the configuration.
func (g *Gateway) takenPorts() (list []visit.Taken) {
	for _, b := range g.now.Load().cfg.Balances {
		list = append(list, visit.Taken{Address: b.Port.Address, Balance: b.ID})
		if b.Scanner.HasPort() {
			list = append(list, visit.Taken{Address: b.Scanner.Port.Address, Balance: b.ID, Scanner: true})
		}
	}
	return list
}

// checkAddition says what stands in the way of a balance. Its layout is there for as long as that takes.
func (g *Gateway) checkAddition(ctx context.Context, a setup.Addition) error {
	if err := g.idFree(ctx, a); err != nil {
		return err
	}
	_, undo, err := a.PutLayout()
	if err != nil {
		return &setup.Declined{Why: err.Error()}
	}
	defer undo()
	answer, err := g.ChangeSettings(ctx, g.adding(a, record.Actor{}, "", true))
	if err == nil && answer.Outcome == console.SettingsInvalid {
		var faults strict.Faults
		for _, m := range answer.Mistakes {
			faults = append(faults, strict.Fault{Path: m.Path, What: m.What, Allowed: m.Allowed})
		}
		err = faults
	}
	return notAdded(err)
}

// writeAddition makes a balance part of the configuration that holds, or has it wait for a person, as policy says.
func (g *Gateway) writeAddition(ctx context.Context, a setup.Addition, by record.Actor, reason string) (console.VisitResult, error) {
	if err := g.idFree(ctx, a); err != nil {
		return console.VisitResult{}, err
	}
	path, undo, err := a.PutLayout()
	if err != nil {
		return console.VisitResult{}, &setup.Declined{Why: err.Error()}
	}
	answer, err := g.ChangeSettings(ctx, g.adding(a, by, reason, false))
	if err != nil {
		undo()
		return console.VisitResult{}, notAdded(err)
	}
	r := console.VisitResult{Layout: path, Outcome: answer.Outcome, Pending: answer.Pending, Changes: append([]string{}, answer.Changes...), Notes: []string{}}
	if answer.Note != "" {
		r.Notes = append(r.Notes, answer.Note)
	}
	return r, nil
}

// adding is the change of settings that adds a balance.
func (g *Gateway) adding(a setup.Addition, by record.Actor, reason string, dry bool) console.SettingsChange {
	_, seen := g.Settings()
	return console.SettingsChange{Seen: []string{seen}, By: by, Reason: reason, DryRun: dry, List: "balances", ID: a.Balance.ID, Item: config.BalanceForm(a.Balance)}
}

// idFree says why an id cannot be that of a new balance.
func (g *Gateway) idFree(ctx context.Context, a setup.Addition) error {
	if err := g.takeTurn(ctx); err != nil {
		return err
	}
	defer g.giveTurn()
	for _, b := range g.now.Load().cfg.Balances {
		if b.ID == a.Balance.ID {
			return fmt.Errorf("%s is the id of another balance: %w", b.ID, setup.ErrIDUsed)
		}
	}
	serial, known := g.roster.Serial(a.Balance.ID)
	switch {
	case !known || serial != "" && serial == a.Balance.Serial:
		return nil
	case serial == "":
		return fmt.Errorf("the id %s was used before, for a balance whose serial number is not known: %w", a.Balance.ID, setup.ErrIDUsed)
	}
	return fmt.Errorf("the id %s belongs to the balance with the serial number %q: %w", a.Balance.ID, serial, setup.ErrIDUsed)
}

// notAdded turns what stands in the way into what the person is told: about the id another one is asked for, and whatever else
// they may see to and try again.
func notAdded(err error) error {
	var faults strict.Faults
	switch {
	case err == nil:
		return nil
	case errors.As(err, &faults) && len(faults) > 0 && strings.HasSuffix(faults[0].Path, ".id"):
		return err
	case errors.Is(err, console.ErrSettingsMoved):
		return &setup.Declined{Why: "Somebody changed the settings at this moment: try again"}
	case errors.As(err, &faults):
		return &setup.Declined{Why: "The balance cannot be added as it is: " + mistakesLine(faults)}
	}
	return &setup.Declined{Why: err.Error()}
}
