package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"

	"weighpost/gateway/console"
)

type deliveriesPause struct {
	hostFlags
	Sink   string `arg:"" help:"Id of the sink."`
	Reason string `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that tells of it."`
	By     string `placeholder:"NAME" help:"Who decides; by default this system's user."`
	JSON   bool   `help:"Print what was done as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (deliveriesPause) Help() string {
	return `Nothing goes to the sink until weighpost deliveries continue SINK, over restarts too. Nothing is lost: entries wait in the journal.`
}

func (c deliveriesPause) Run(ctx context.Context, s streams) error {
	return c.hostFlags.pausing(ctx, s, c.Sink, "pause", c.Reason, c.By, c.JSON, "deliveries to sink %s are paused\n")
}

type deliveriesContinue struct {
	hostFlags
	Sink   string `arg:"" help:"Id of the sink."`
	Reason string `placeholder:"TEXT" help:"Why; it becomes part of the entry that tells of it."`
	By     string `placeholder:"NAME" help:"Who decides; by default this system's user."`
	JSON   bool   `help:"Print what was done as one JSON object."`
}

func (c deliveriesContinue) Run(ctx context.Context, s streams) error {
	return c.hostFlags.pausing(ctx, s, c.Sink, "continue", c.Reason, c.By, c.JSON, "deliveries to sink %s go on\n")
}

func (h hostFlags) pausing(ctx context.Context, s streams, sink, what, reason, name string, asJSON bool, said string) error {
	done, err := h.decided(ctx, sink, what, console.PauseRequest{Reason: strings.TrimSpace(reason), By: by(name)})
	if err != nil {
		return err
	}
	if asJSON {
		return json.NewEncoder(s.out).Encode(done)
	}
	_, err = fmt.Fprintf(s.out, said, plain(done.Sink))
	return err
}
