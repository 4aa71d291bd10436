package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

type checksUpkeep struct {
	hostFlags
	Balance    string `arg:"" help:"Id of the balance."`
	Act        string `arg:"" enum:"adjustment,move,repair,calibration,maintenance" help:"What was done to it: ${enum}."`
	AsFound    string `placeholder:"CHECK" help:"The check from before it: its id, or the number that ends it."`
	AsLeft     string `placeholder:"CHECK" help:"The check from after it."`
	NoAsFound  string `placeholder:"TEXT" help:"Why there is no check from before it."`
	Place      string `placeholder:"TEXT" help:"Where the balance stands after a move."`
	Note       string `placeholder:"TEXT" help:"What else is to be known."`
	Number     string `placeholder:"TEXT" help:"Number of the certificate of a calibration."`
	Laboratory string `placeholder:"TEXT" help:"Who calibrated it."`
	Date       string `placeholder:"YYYY-MM-DD" help:"Date of the certificate."`
	Due        string `placeholder:"YYYY-MM-DD" help:"The last day on which the certificate is relied on."`
	Alpha      string `placeholder:"MASS" help:"Alpha of U(W) = alpha + beta W, the expanded uncertainty in use: a mass with its unit (EURAMET Calibration Guide 18)."`
	Beta       string `placeholder:"DECIMAL" help:"Beta of it, without a unit."`
	Coverage   string `placeholder:"DECIMAL" help:"Its coverage factor k."`
	By         string `placeholder:"NAME" help:"Who did it; by default this system's user."`
	JSON       bool   `help:"Print the file of the balance as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (checksUpkeep) Help() string {
	return `An adjustment and a repair name the check from before them (weighpost checks begin … --why as-found), or say why there is none: whoever looks back goes by what was
found, and adjusting and then passing hides no error. The charts of the balance begin a new phase, but for maintenance, and what its schedule names is due at
once.

` + checkCaution
}

func (c checksUpkeep) Run(ctx context.Context, s streams) error {
	o := console.UpkeepOrder{Act: c.Act, AsFound: c.AsFound, AsLeft: c.AsLeft, Unfound: c.NoAsFound, Place: c.Place, Note: c.Note, By: by(c.By)}
	cal := record.Calibration{Certificate: record.Certificate{Number: c.Number, By: c.Laboratory, Date: c.Date, Due: c.Due}, Alpha: record.Mass(c.Alpha), Beta: c.Beta,
		CoverageFactor: c.Coverage}
	if cal != (record.Calibration{}) {
		o.Calibration = &cal
	}
	var v console.FitnessView
	if err := c.askFitness(ctx, http.MethodPost, "balances/"+pathPart(c.Balance)+"/upkeep", o, &v); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(v)
	}
	_, err := fmt.Fprintf(s.out, "%s noted; balance %s is %s now\n", c.Act, plain(v.Balance.ID), plain(v.Fitness.State))
	return err
}
