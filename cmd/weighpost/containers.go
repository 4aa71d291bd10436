package main

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"text/tabwriter"
	"time"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

type containersCommand struct {
	List     containersList     `cmd:"" help:"List the register of containers: crucibles, filters, pycnometers, vials."`
	Show     containersShow     `cmd:"" help:"Show what is known of a container, with its empty masses and runs."`
	Register containersRegister `cmd:"" help:"Register containers, or change what is known of them."`
	Withdraw containersWithdraw `cmd:"" help:"Say that a container is not to be used again."`
}

// askRuns asks the daemon about what belongs to runs of procedures.
func (h hostFlags) askRuns(ctx context.Context, method, path string, body, answer any) error {
	return h.act(ctx, deed{Method: method, Path: "/api/v1/" + path, Body: body, Answer: answer, Here: noRunsHere})
}

func noRunsHere(context.Context, *config.Config, *journal.Journal) error { return errNoRunsHere }

var errNoRunsHere = errors.New("no daemon has this journal, and only a running one looks after procedures, runs, their reviews, requests, containers and slips: " +
	"start it (weighpost run, or weighpost service start) and ask again")

type containersList struct {
	hostFlags
	Sort      string `placeholder:"SORT" help:"Of this sort alone: crucible."`
	Begin     string `placeholder:"TEXT" help:"Those alone whose id begins so."`
	Withdrawn bool   `help:"Those that are withdrawn too."`
	JSON      bool   `help:"Print one container a line, as JSON."`
}

// Help is what the command tells beyond its one line.
func (containersList) Help() string {
	return `By id, each with its last empty mass, and why it is not to be used where that is so. See: weighpost help containers`
}

func (c containersList) Run(ctx context.Context, s streams) error {
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	query, n := url.Values{"sort": {c.Sort}, "begin": {c.Begin}, "withdrawn": {fmt.Sprint(c.Withdrawn)}, "limit": {"1000"}}, 0
	for {
		var a struct {
			Containers []console.ContainerView
			Next       string
		}
		if err := c.askRuns(ctx, http.MethodGet, "containers?"+query.Encode(), nil, &a); err != nil {
			return err
		}
		for _, one := range a.Containers {
			if n++; n == 1 && !c.JSON {
				fmt.Fprintln(table, "ID\tSORT\tLOT\tEMPTY\tNOT TO BE USED")
			}
			if err := c.print(s.out, table, one); err != nil {
				return err
			}
		}
		if a.Next == "" {
			break
		}
		query.Set("after", a.Next)
	}
	if n == 0 && !c.JSON {
		fmt.Fprintln(s.err, "no such container is registered")
	}
	return table.Flush()
}

func (c containersList) print(out io.Writer, table *tabwriter.Writer, v console.ContainerView) error {
	if c.JSON {
		return json.NewEncoder(out).Encode(v)
	}
	empty := "-"
	if len(v.Empty) > 0 {
		empty = v.Empty[0].Digits + " " + v.Empty[0].Unit
	}
	_, err := fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\n", plain(v.ID), plain(v.Sort), plain(cmp.Or(v.Lot, "-")), plain(empty), plain(cmp.Or(v.Unfit, "-")))
	return err
}

type containersShow struct {
	hostFlags
	ID   string `arg:"" help:"Id of the container."`
	JSON bool   `help:"Print it as one JSON object."`
}

func (c containersShow) Run(ctx context.Context, s streams) error {
	var v console.ContainerView
	if err := c.askRuns(ctx, http.MethodGet, "containers/"+pathPart(c.ID), nil, &v); err != nil {
		return err
	}
	return printContainer(s.out, v, c.JSON)
}

// printContainer prints all that is known of a container; what is not known is left out.
func printContainer(out io.Writer, v console.ContainerView, asJSON bool) error {
	if asJSON {
		return json.NewEncoder(out).Encode(v)
	}
	all := known{out: out, wide: 15}
	line := all.line
	line("id", v.ID)
	line("sort", v.Sort)
	line("lot", v.Lot)
	if v.Expires != nil {
		line("expires", stampText(*v.Expires))
	}
	line("not to be used", v.Unfit)
	for _, e := range v.Empty {
		line("empty", strings.TrimSpace(fmt.Sprintf("%s %s, %s, run %s %s", e.Digits, e.Unit, stampText(e.At), e.Run, e.Balance)))
	}
	for _, u := range v.Usages {
		line("run", strings.TrimSpace(u.Run+", "+stampText(u.At)+" "+u.Sample))
	}
	line("as of", stampText(v.Since)+", "+actorText(v.By))
	return all.err()
}

type containersRegister struct {
	hostFlags
	IDs     []string `arg:"" optional:"" name:"id" help:"Ids, as they stand on the containers. Left out: one a line, from the input."`
	Sort    string   `required:"" placeholder:"SORT" help:"crucible, filter, pycnometer, vial, or your own word."`
	Lot     string   `placeholder:"TEXT" help:"Of those that came together."`
	Expires string   `placeholder:"YYYY-MM-DD" help:"From the beginning of that day, in UTC, they are not to be used."`
	Reason  string   `placeholder:"TEXT" help:"Why what is known of them changes; needed where one is registered already with other facts."`
	By      string   `placeholder:"NAME" help:"Who says so; by default this system's user."`
}

// Help is what the command tells beyond its one line.
func (containersRegister) Help() string {
	return `All are taken or none, up to 500 at once. The same again changes nothing, and an id is never given to another container. See: weighpost help containers`
}

func (c containersRegister) Run(ctx context.Context, s streams) error {
	ids := c.IDs
	if len(ids) == 0 {
		lines := bufio.NewScanner(io.LimitReader(s.in, 1<<20))
		for lines.Scan() {
			if id := strings.TrimSpace(lines.Text()); id != "" {
				ids = append(ids, id)
			}
		}
		if err := lines.Err(); err != nil {
			return fmt.Errorf("the ids cannot be read: %w", err)
		}
	}
	o := console.ContainersOrder{Sort: c.Sort, Lot: c.Lot, Reason: c.Reason, By: by(c.By)}
	if c.Expires != "" {
		day, err := time.Parse(time.DateOnly, c.Expires)
		if err != nil {
			return fmt.Errorf("--expires %s is no day such as 2027-06-30", plain(c.Expires))
		}
		at := record.UTC(day)
		o.Expires = &at
	}
	for _, id := range ids {
		o.Containers = append(o.Containers, console.ContainerOrder{ID: id})
	}
	if len(ids) == 0 {
		return errors.New("no container is named: give the ids, or one a line to the input")
	}
	var a struct{ Containers []console.ContainerView }
	if err := c.askRuns(ctx, http.MethodPost, "containers", o, &a); err != nil {
		return err
	}
	_, err := fmt.Fprintf(s.out, "%d in the register: %s to %s\n", len(a.Containers), plain(a.Containers[0].ID), plain(a.Containers[len(a.Containers)-1].ID))
	return err
}

type containersWithdraw struct {
	hostFlags
	ID     string `arg:"" help:"Id of the container."`
	Reason string `required:"" placeholder:"TEXT" help:"Why: cracked, lost, worn. It becomes part of the entry that tells of it."`
	By     string `placeholder:"NAME" help:"Who says so; by default this system's user."`
}

func (c containersWithdraw) Run(ctx context.Context, s streams) error {
	var v console.ContainerView
	if err := c.askRuns(ctx, http.MethodPost, "containers/"+pathPart(c.ID)+"/withdraw", console.ContainerEnd{Reason: c.Reason, By: by(c.By)}, &v); err != nil {
		return err
	}
	_, err := fmt.Fprintf(s.out, "%s is withdrawn\n", plain(v.ID))
	return err
}
