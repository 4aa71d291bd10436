package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"text/tabwriter"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

type slipsCommand struct {
	List     slipsList     `cmd:"" help:"List weighings that were typed in from their slips, newest first."`
	Show     slipsShow     `cmd:"" help:"Show one, with what became of it."`
	Confirm  slipsConfirm  `cmd:"" help:"Confirm one, as a second person who has held it against the slip."`
	TurnDown slipsTurnDown `cmd:"" help:"Turn one down, with a reason."`
}

type slipsList struct {
	hostFlags
	State string `placeholder:"STATE" help:"waiting, confirmed or 'turned down'; left out: all."`
	JSON  bool   `help:"Print one slip a line, as JSON."`
}

// Help is what the command tells beyond its one line.
func (slipsList) Help() string {
	return `A slip is typed in on the page 'Slips that were typed in', and counts once another person has confirmed it. See: weighpost help late-entry`
}

func (c slipsList) Run(ctx context.Context, s streams) error {
	query := url.Values{"limit": {"500"}}
	if c.State != "" {
		query.Set("state", c.State)
	}
	var a struct{ Slips []console.SlipView }
	if err := c.askRuns(ctx, http.MethodGet, "slips?"+query.Encode(), nil, &a); err != nil {
		return err
	}
	if len(a.Slips) == 0 && !c.JSON {
		fmt.Fprintln(s.err, "no such slip was typed in")
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	for i, one := range a.Slips {
		if c.JSON {
			if err := json.NewEncoder(s.out).Encode(one); err != nil {
				return err
			}
			continue
		}
		if i == 0 {
			fmt.Fprintln(table, "ENTRY\tBALANCE\tVALUE\tWEIGHED\tTYPED IN BY\tSTATE")
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\n", plain(one.ID), plain(one.Balance.ID), plain(one.Value.Shown()), stampText(one.Weighed), plain(actorText(one.By)), one.State)
	}
	return table.Flush()
}

// slipPart is the place of a slip below the API, by the id of its entry.
func slipPart(entry string) (string, error) {
	parts := strings.Split(entry, "/")
	if len(parts) != 4 {
		return "", fmt.Errorf("%s is no id of an entry, such as seed-bank/7qx3a/@/000184: weighpost slips list has them", plain(entry))
	}
	for i := range parts {
		parts[i] = pathPart(parts[i])
	}
	return "slips/" + strings.Join(parts, "/"), nil
}

type slipsShow struct {
	hostFlags
	Entry string `arg:"" help:"Id of its entry, as the list has it."`
	JSON  bool   `help:"Print it as one JSON object."`
}

func (c slipsShow) Run(ctx context.Context, s streams) error {
	path, err := slipPart(c.Entry)
	if err != nil {
		return err
	}
	var v console.SlipView
	if err := c.askRuns(ctx, http.MethodGet, path, nil, &v); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(v)
	}
	return printSlip(s.out, v)
}

// printSlip prints all that is known of a slip; what is not known is left out.
func printSlip(out io.Writer, v console.SlipView) error {
	all := known{out: out, wide: 13}
	line := all.line
	line("entry", v.ID)
	line("state", v.State)
	line("balance", v.Balance.ID)
	line("value", v.Value.Shown()+", "+v.Value.Kind)
	line("weighed", stampText(v.Weighed))
	line("slip's clock", v.Slip)
	line("note", v.Note)
	for _, one := range []struct {
		name string
		is   *record.Learnt
	}{{"sample", v.Context.Sample}, {"lot", v.Context.Lot}, {"method", v.Context.Method}, {"weighed by", v.Context.Person}} {
		if one.is != nil {
			line(one.name, one.is.ID)
		}
	}
	if v.Picture != nil {
		line("picture", fmt.Sprintf("%s, %d bytes, SHA-256 %s", v.Picture.Name, v.Picture.Bytes, v.Picture.SHA256))
	}
	for _, e := range v.Alike {
		line("alike", e.ID)
	}
	line("typed in", stampText(v.Stamp.UTC)+", "+actorText(v.By))
	line("reason", v.Reason)
	line("original", v.Origin)
	if d := v.Decided; d != nil {
		line("decided", strings.TrimSuffix(stampText(d.Stamp.UTC)+", "+actorText(d.By)+": "+d.Reason, ": "))
	}
	line("used in", v.UsedIn)
	return all.err()
}

type slipsConfirm struct {
	hostFlags
	Entry string `arg:"" help:"Id of its entry, as the list has it."`
	By    string `placeholder:"NAME" help:"Who confirms: neither who typed it in nor who weighed it. By default this system's user."`
}

func (c slipsConfirm) Run(ctx context.Context, s streams) error {
	return c.decideSlip(ctx, s, c.Entry, console.SlipDecision{Confirmed: true, By: by(c.By)})
}

type slipsTurnDown struct {
	hostFlags
	Entry  string `arg:"" help:"Id of its entry, as the list has it."`
	Reason string `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that says so."`
	By     string `placeholder:"NAME" help:"Who turns it down: neither who typed it in nor who weighed it. By default this system's user."`
}

func (c slipsTurnDown) Run(ctx context.Context, s streams) error {
	return c.decideSlip(ctx, s, c.Entry, console.SlipDecision{Reason: c.Reason, By: by(c.By)})
}

func (h hostFlags) decideSlip(ctx context.Context, s streams, entry string, d console.SlipDecision) error {
	path, err := slipPart(entry)
	if err != nil {
		return err
	}
	var v console.SlipView
	if err := h.askRuns(ctx, http.MethodPost, path+"/decide", d, &v); err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%s of balance %s is %s\n", plain(v.Value.Shown()), plain(v.Balance.ID), v.State)
	return err
}
