package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"text/tabwriter"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/journal"
)

type deliveriesCommand struct {
	List  deliveriesList  `cmd:"" help:"Show how far each sink is, or what one of them refused."`
	Retry deliveriesRetry `cmd:"" help:"Have refused entries delivered again."`
	Drop  deliveriesDrop  `cmd:"" help:"Have refused entries never delivered."`
	Try   deliveriesTry   `cmd:"" help:"Have a sink that waits or is stopped try at once."`

	Pause    deliveriesPause    `cmd:"" help:"Stop the deliveries of a sink until they are let go on."`
	Continue deliveriesContinue `cmd:"" help:"Let the deliveries of a paused sink go on."`
	Release  deliveriesRelease  `cmd:"" help:"Let weighings go out that sinks hold back."`

	Preview deliveriesPreview `cmd:"" help:"Show exactly what a sink would send for one entry."`
}

// errNotRunning says that only a running daemon delivers.
var errNotRunning = errors.New("no daemon has this journal, and only a running one delivers: start it (weighpost run, or weighpost service start) and ask again")

// askDeliveries asks the daemon.
func (h hostFlags) askDeliveries(ctx context.Context, method, path string, body, answer any) error {
	return h.act(ctx, deed{Method: method, Path: "/api/v1/deliveries" + path, Body: body, Answer: answer,
		Here: func(context.Context, *config.Config, *journal.Journal) error { return errNotRunning }})
}

type deliveriesList struct {
	hostFlags
	Sink string `arg:"" optional:"" help:"List what is parked for this sink, and why. Left out: how far each sink is."`
	Held bool   `help:"List what the sink holds back until somebody releases it, the newest first, in place of what is parked."`
	JSON bool   `help:"Print one sink, or one entry, a line, as JSON."`
}

// Help is what the command tells beyond its one line.
func (deliveriesList) Help() string {
	return `Without a sink: each sink with its state, how many entries that it wants it has not had and since when, how many it refused, and
what went wrong last, or who paused it. With one: each entry that it refused, by its place in the journal, with what its destination said.
See: weighpost help deliveries`
}

func (c deliveriesList) Run(ctx context.Context, s streams) error {
	switch {
	case c.Held:
		return c.held(ctx, s)
	case c.Sink != "":
		return c.parked(ctx, s)
	}
	var a struct {
		Sinks []console.Sink
		Gone  []console.GoneSink
	}
	if err := c.askDeliveries(ctx, http.MethodGet, "", nil, &a); err != nil {
		return err
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if len(a.Sinks) > 0 && !c.JSON {
		fmt.Fprintln(table, "SINK\tKIND\tSTATE\tBEHIND BY\tSINCE\tPARKED\tWHY")
	}
	for _, k := range a.Sinks {
		if c.JSON {
			if err := json.NewEncoder(s.out).Encode(k); err != nil {
				return err
			}
			continue
		}
		since := "-"
		if k.BehindSince != nil {
			since = stampText(*k.BehindSince)
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%d\t%s\n", plain(k.ID), plain(k.Kind), plain(k.State), behindBy(k), since, k.Parked, plain(cmp.Or(k.Why, "-")))
	}
	for _, k := range a.Gone {
		fmt.Fprintf(s.err, "sink %s is not configured any more, and %d entries are parked for it: weighpost deliveries list %[1]s\n", plain(k.ID), k.Parked)
	}
	if len(a.Sinks) == 0 && !c.JSON {
		fmt.Fprintln(s.err, "no sink is configured: nothing is delivered anywhere")
	}
	return table.Flush()
}

// behindBy says how many entries that a sink wants it has not had.
func behindBy(k console.Sink) string {
	if k.AtLeast || k.Waiting == 0 && k.BehindSince != nil {
		return fmt.Sprintf("%d or more", max(k.Waiting, 1))
	}
	return strconv.FormatUint(k.Waiting, 10)
}

// parked lists what a sink refused, all of it.
func (c deliveriesList) parked(ctx context.Context, s streams) error {
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	for after, first := uint64(0), true; ; first = false {
		var a struct {
			Parked []console.ParkedEntry
			Next   uint64
		}
		if err := c.askDeliveries(ctx, http.MethodGet, "/"+pathPart(c.Sink)+"/parked?limit=1000&after="+strconv.FormatUint(after, 10), nil, &a); err != nil {
			return err
		}
		switch {
		case first && len(a.Parked) == 0 && !c.JSON:
			fmt.Fprintf(s.err, "nothing is parked for sink %s\n", plain(c.Sink))
		case first && !c.JSON:
			fmt.Fprintln(table, "SEQ\tID\tWHAT\tSINCE\tWHY")
		}
		for _, p := range a.Parked {
			if c.JSON {
				if err := json.NewEncoder(s.out).Encode(p); err != nil {
					return err
				}
				continue
			}
			what, why := p.What, p.Why
			if what == "" {
				what = string(p.Kind)
			}
			if p.Retried != nil {
				why += " (asked for again " + stampText(*p.Retried) + ")"
			}
			fmt.Fprintf(table, "%d\t%s\t%s\t%s\t%s\n", p.Seq, plain(p.ID), plain(what), stampText(p.Since), plain(why))
		}
		if a.Next <= after {
			return table.Flush()
		}
		after = a.Next
	}
}

// parkedChoice is which parked entries an act is about.
type parkedChoice struct {
	Sink  string   `arg:"" help:"Id of the sink."`
	Entry []uint64 `arg:"" optional:"" help:"Which entries, by their place in the journal (SEQ of the list)."`
	All   bool     `help:"All that is parked for the sink, in place of entries."`
	By    string   `placeholder:"NAME" help:"Who decides; by default this system's user."`
	JSON  bool     `help:"Print what was done as one JSON object."`
}

func (c parkedChoice) decide(ctx context.Context, h hostFlags, s streams, what, reason, said string) error {
	if c.All == (len(c.Entry) > 0) {
		return errors.New("say which: either entries, by the SEQ that weighpost deliveries list prints, or --all")
	}
	done, err := h.decided(ctx, c.Sink, what, console.Decision{Entries: c.Entry, All: c.All, Reason: strings.TrimSpace(reason), By: by(c.By)})
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(done)
	}
	_, err = fmt.Fprintf(s.out, said+"; %d are parked for sink %s now\n", done.Entries, done.Left, plain(done.Sink))
	return err
}

func by(name string) string {
	if name != "" {
		return name
	}
	return hostActor("").ID
}

func (h hostFlags) decided(ctx context.Context, sink, what string, body any) (done console.DeliveryDone, err error) {
	err = h.askDeliveries(ctx, http.MethodPost, "/"+pathPart(sink)+"/"+what, body, &done)
	return done, err
}

type deliveriesRetry struct {
	hostFlags
	parkedChoice
	Reason string `placeholder:"TEXT" help:"Why; it becomes part of the entry that tells of it."`
}

// Help is what the command tells beyond its one line.
func (deliveriesRetry) Help() string {
	return `Each goes out with the id that it has always had. What the destination takes is no longer parked; what it refuses again stays so,
with the new reason: look with weighpost deliveries list SINK. A restart forgets nothing of it.`
}

func (c deliveriesRetry) Run(ctx context.Context, s streams) error {
	return c.decide(ctx, c.hostFlags, s, "retry", c.Reason, "%d go out again")
}

type deliveriesDrop struct {
	hostFlags
	parkedChoice
	Reason string `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that tells of it."`
}

// Help is what the command tells beyond its one line.
func (deliveriesDrop) Help() string {
	return `The sink never gets these entries. They stay in the journal, with an entry that says who decided so and why.`
}

func (c deliveriesDrop) Run(ctx context.Context, s streams) error {
	return c.decide(ctx, c.hostFlags, s, "drop", c.Reason, "%d will not be delivered")
}

type deliveriesTry struct {
	hostFlags
	Sink   string `arg:"" help:"Id of the sink."`
	Reason string `placeholder:"TEXT" help:"Why."`
	By     string `placeholder:"NAME" help:"Who asks; by default this system's user."`
	JSON   bool   `help:"Print what was done as one JSON object."`
}

func (c deliveriesTry) Run(ctx context.Context, s streams) error {
	body := map[string]string{"by": by(c.By)}
	if c.Reason != "" {
		body["reason"] = c.Reason
	}
	done, err := c.decided(ctx, c.Sink, "try-now", body)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(done)
	}
	_, err = fmt.Fprintf(s.out, "sink %s is tried now; what came of it: weighpost deliveries list\n", plain(done.Sink))
	return err
}
