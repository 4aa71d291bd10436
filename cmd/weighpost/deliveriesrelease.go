package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"text/tabwriter"

	"weighpost/gateway/console"
)

type deliveriesRelease struct {
	hostFlags
	Entry  []string `arg:"" help:"Which weighings or results: by their ids, or their places in the journal (SEQ of weighpost deliveries list SINK --held)."`
	Reason string   `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that tells of it."`
	By     string   `placeholder:"NAME" help:"Who decides; by default this system's user."`
	JSON   bool     `help:"Print what was done as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (deliveriesRelease) Help() string {
	return `Lets weighings go out that sinks hold back (hold: released, or their balance was out of service): each to every sink that holds it, marked as late. At most 1,000 at once: all of
them, or none where one cannot be released.`
}

func (c deliveriesRelease) Run(ctx context.Context, s streams) error {
	body := console.Release{Reason: strings.TrimSpace(c.Reason), By: by(c.By)}
	for _, one := range c.Entry {
		if seq, err := strconv.ParseUint(one, 10, 63); err == nil {
			body.Entries = append(body.Entries, seq)
		} else {
			body.IDs = append(body.IDs, one)
		}
	}
	var done console.ReleaseDone
	if err := c.askDeliveries(ctx, http.MethodPost, "/release", body, &done); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(done)
	}
	_, err := fmt.Fprintf(s.out, "%d released; they go out to: %s\n", done.Entries, plain(strings.Join(done.Sinks, ", ")))
	return err
}

// held lists what a sink holds back, the newest first.
func (c deliveriesList) held(ctx context.Context, s streams) error {
	if c.Sink == "" {
		return errors.New("say of which sink: weighpost deliveries list SINK --held")
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	listed := 0
	for before := uint64(0); ; {
		var a console.HeldList
		if err := c.askDeliveries(ctx, http.MethodGet, "/"+pathPart(c.Sink)+"/held?limit=500&before="+strconv.FormatUint(before, 10), nil, &a); err != nil {
			return err
		}
		for _, e := range a.Held {
			if c.JSON {
				if err := json.NewEncoder(s.out).Encode(e); err != nil {
					return err
				}
				continue
			}
			if listed++; listed == 1 {
				fmt.Fprintln(table, "SEQ\tID\tWHAT\tWHEN\tWHY")
			}
			fmt.Fprintf(table, "%d\t%s\t%s\t%s\t%s\n", e.Seq, plain(e.ID), plain(e.What), stampText(e.UTC), plain(e.Why))
		}
		if a.Next == 0 || before > 0 && a.Next >= before {
			if listed == 0 && !c.JSON {
				fmt.Fprintf(s.err, "sink %s holds nothing back\n", plain(c.Sink))
			}
			return table.Flush()
		}
		before = a.Next
	}
}
