package main

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"weighpost/gateway/demo"
)

type demoCommand struct {
	For      time.Duration `placeholder:"DURATION" help:"Stop by itself after this time, such as 20s. Without it the demo runs until it is interrupted."`
	JSON     bool          `name:"json" help:"Print one JSON object with the outcome, and nothing else, on standard output."`
	Listen   string        `placeholder:"ADDR" help:"Where the page is found. By default a loopback port, or the next free one."`
	Balances int           `default:"6" help:"How many balances."`
	Rate     float64       `default:"1" help:"Lines a second of each balance that prints on its print key; where samples are scanned or sent, two at most."`
	Dir      string        `placeholder:"DIR" help:"Keep journal, files and configuration in this folder."`
}

// Help is what the command tells beyond its one line.
func (demoCommand) Help() string {
	return `Simulates the balances of a seed bank on pseudo-terminals (on Windows: on TCP ports), reads them with the very code that
reads real ones, journals every weighing and delivers it to a broker, a folder and a URL of the demo's own. At the end,
receivers behind each of the three are held against what the balances printed. Exit status 1 if anything is missing.

One balance has a simulated scanner beside it, another gets its people and samples from a simulated lab system over the HTTP
API; now and then something is weighed without. What each weighing carries is held against that too. Stamps stay unchecked:
time servers that the demo simulated could only repeat this computer's own clock, and nothing would have been checked.

Two more balances stand at a check corner. The daemon checks them while the demo runs, with a reference weight that is invented and says so: one
has charts, and a check that is due; the other fails, is out of service, and what it weighed before is in doubt. Checks made on the page find
the simulated weight on the pan by itself; an adjustment that is noted mends the balance that fails.

At a seed testing bench with two balances a day's work is done by procedures, in ten to thirty seconds: one person writes them and another adopts them;
a lab system asks for results with its own key; lots are weighed; one value is out of its limits, is weighed again, and is let go on by the
reviewer; dishes dry over a night of three seconds, and are weighed back at the other balance by another person; a dish that is mixed up is
stopped; results go back to the lab system; one run is reviewed, returned, corrected and signed, and its report comes into a folder as a PDF.
All of it goes over the API, with accounts that end with the demo. One request waits for you.`
}

func (c demoCommand) Run(ctx context.Context, s streams) error {
	o := demo.Options{For: c.For, Listen: c.Listen, Balances: c.Balances, Rate: c.Rate, Dir: c.Dir, Say: s.out}
	if c.JSON {
		o.Say = s.err
	}
	report, err := demo.Run(ctx, o)
	if err != nil {
		return err
	}
	if c.JSON {
		if err := json.NewEncoder(s.out).Encode(report); err != nil {
			return err
		}
	} else {
		fmt.Fprint(s.out, report.Text())
	}
	return report.Verdict()
}
