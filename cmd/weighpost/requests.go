package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"text/tabwriter"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

type requestsCommand struct {
	List   requestsList   `cmd:"" help:"List what lab systems ask for, in the order in which it is to be done."`
	Show   requestsShow   `cmd:"" help:"Show one request, with what became of it."`
	Send   requestsSend   `cmd:"" help:"Send requests of a file, in a sender's name."`
	Change requestsChange `cmd:"" help:"Change when a request that waits is to be done, and where."`
	Cancel requestsCancel `cmd:"" help:"Cancel a request that waits."`
}

type requestsList struct {
	hostFlags
	State   string `placeholder:"STATE" help:"waiting, begun, complete, abandoned, cancelled, or all; by default waiting and begun."`
	Balance string `placeholder:"ID" help:"Those alone that this balance can do."`
	Sample  string `placeholder:"ID" help:"Those alone that this sample or container is in."`
	From    string `placeholder:"SENDER" help:"Those of this sender alone."`
	JSON    bool   `help:"Print one request a line, as JSON."`
}

// Help is what the command tells beyond its one line.
func (requestsList) Help() string {
	return `By priority, then when they are due, then as they came. See: weighpost help requests`
}

func (c requestsList) Run(ctx context.Context, s streams) error {
	query := url.Values{"limit": {"1000"}}
	for name, value := range map[string]string{"state": c.State, "balance": c.Balance, "sample": c.Sample, "from": c.From} {
		if value != "" {
			query.Set(name, value)
		}
	}
	var a struct{ Requests []console.RequestView }
	if err := c.askRuns(ctx, http.MethodGet, "requests?"+query.Encode(), nil, &a); err != nil {
		return err
	}
	if len(a.Requests) == 0 && !c.JSON {
		fmt.Fprintln(s.err, "no such request")
		return nil
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	for i, v := range a.Requests {
		if c.JSON {
			if err := json.NewEncoder(s.out).Encode(v); err != nil {
				return err
			}
			continue
		}
		if i == 0 {
			fmt.Fprintln(table, "FROM\tID\tSTATE\tPRIORITY\tDUE\tBALANCE\tPROCEDURE\tRUN\tCANNOT BEGIN")
		}
		due := "-"
		if v.Due != nil {
			due = stampText(*v.Due)
		}
		if v.Overdue {
			due += " overdue"
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%d\t%s\t%s\t%s\t%s\t%s\n", plain(v.From), plain(v.ID), v.State, v.Priority, due, plain(cmp.Or(v.Balance, "any")), plain(v.Procedure),
			plain(cmp.Or(v.Run, "-")), plain(cmp.Or(v.Cannot, "-")))
	}
	return table.Flush()
}

type requestRefArgs struct {
	From string `arg:"" help:"Who sent it."`
	ID   string `arg:"" help:"The sender's own id."`
}

func (r requestRefArgs) path() string { return "requests/" + pathPart(r.From) + "/" + pathPart(r.ID) }

type requestsShow struct {
	hostFlags
	requestRefArgs
	JSON bool `help:"Print it as one JSON object."`
}

func (c requestsShow) Run(ctx context.Context, s streams) error {
	var v console.RequestView
	if err := c.askRuns(ctx, http.MethodGet, c.path(), nil, &v); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(v)
	}
	return printRequest(s.out, &v)
}

// printRequest prints all that is known of a request; what is not known is left out.
func printRequest(out io.Writer, v *console.RequestView) error {
	all := known{out: out, wide: 12}
	line := all.line
	line("from", v.From)
	line("id", v.ID)
	line("state", v.State)
	line("cannot begin", v.Cannot)
	line("procedure", v.Procedure)
	line("priority", fmt.Sprint(v.Priority))
	if v.Due != nil {
		line("due", stampText(*v.Due)+map[bool]string{true: ", overdue"}[v.Overdue])
	}
	line("balance", cmp.Or(v.Balance, "any fit one"))
	for _, name := range slices.Sorted(maps.Keys(v.Parameters)) {
		line("parameter", name+": "+v.Parameters[name])
	}
	for _, i := range v.Items {
		line("item", itemText(&i))
	}
	line("job", v.Job)
	line("task", v.Task)
	for _, name := range slices.Sorted(maps.Keys(v.Fields)) {
		line("field", name+": "+v.Fields[name])
	}
	line("came", stampText(v.Received))
	line("run", v.Run)
	line("verdict", v.Verdict)
	for _, r := range v.Results {
		text := cmp.Or(r.Label, r.Name) + ": " + cmp.Or(strings.TrimSpace(r.Digits+" "+r.Unit), r.Text, "no value") + ", " + r.Verdict
		if r.Item != nil {
			text += ", " + itemText(r.Item)
		}
		if r.Missing != "" {
			text += " (" + r.Missing + ")"
		}
		line("result", text)
	}
	for _, l := range v.LeftOut {
		line("left out", itemText(&l.Item)+": "+l.Reason)
	}
	line("reason", v.Reason)
	return all.err()
}

func itemText(i *record.RunItem) string {
	if i.Sample != "" && i.Container != "" {
		return i.Sample + " in " + i.Container
	}
	return cmp.Or(i.Sample, i.Container)
}

type requestsSend struct {
	hostFlags
	File string `arg:"" optional:"" help:"A file with one request, or a list, as JSON. Left out: from the input."`
	From string `required:"" placeholder:"SENDER" help:"In whose name, where a request says no from."`
}

// Help is what the command tells beyond its one line.
func (requestsSend) Help() string {
	return `What came before just as it is changes nothing. One that is refused says why, and the command fails. See: weighpost help requests`
}

func (c requestsSend) Run(ctx context.Context, s streams) error {
	in := io.Reader(s.in)
	if c.File != "" {
		f, err := os.Open(c.File)
		if err != nil {
			return err
		}
		defer f.Close()
		in = f
	}
	b, err := io.ReadAll(io.LimitReader(in, 1<<20+1))
	if err != nil {
		return err
	}
	list, err := named(b, c.From)
	if err != nil {
		return err
	}
	var a struct{ Requests []console.RequestOutcome }
	if err := c.askRuns(ctx, http.MethodPost, "requests", list, &a); err != nil {
		return err
	}
	refused := 0
	for _, o := range a.Requests {
		switch {
		case !o.OK:
			refused++
			fmt.Fprintf(s.out, "%s of %s was refused: %s\n", plain(o.ID), plain(o.From), plain(o.Why))
		case o.Again:
			fmt.Fprintf(s.out, "%s of %s came before, and is %s\n", plain(o.ID), plain(o.From), o.State)
		default:
			fmt.Fprintf(s.out, "%s of %s is %s\n", plain(o.ID), plain(o.From), o.State)
		}
	}
	if refused > 0 {
		return fmt.Errorf("%d of %d were refused", refused, len(a.Requests))
	}
	return nil
}

// named gives the requests of a file as a list, each with the name of its sender.
func named(b []byte, from string) (list []map[string]json.RawMessage, err error) {
	if _, _, err := record.ParseLabRequests(b, from); err != nil {
		return nil, fmt.Errorf("this holds no requests: %w", err)
	}
	if json.Unmarshal(b, &list) != nil {
		list = make([]map[string]json.RawMessage, 1)
		if err := json.Unmarshal(b, &list[0]); err != nil {
			return nil, err
		}
	}
	sender, err := json.Marshal(from)
	for _, one := range list {
		if one["from"] == nil {
			one["from"] = sender
		}
	}
	return list, err
}

type requestsChange struct {
	hostFlags
	requestRefArgs
	Priority int    `placeholder:"1-9" help:"1 is first, 9 last."`
	Due      string `placeholder:"TIME" help:"As in RFC 3339; none: it is not due any more."`
	Balance  string `placeholder:"ID" help:"Where it begins; any: at any fit one."`
	Reason   string `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that says so."`
}

func (c requestsChange) Run(ctx context.Context, s streams) error {
	change := map[string]any{"reason": c.Reason}
	if c.Priority != 0 {
		change["priority"] = c.Priority
	}
	for name, value := range map[string]string{"due": c.Due, "balance": c.Balance} {
		switch {
		case name == "due" && value == "none", name == "balance" && value == "any":
			change[name] = nil
		case value != "":
			change[name] = value
		}
	}
	if len(change) == 1 {
		return errors.New("say what changes: --priority, --due or --balance")
	}
	return c.changeRequest(ctx, s, http.MethodPatch, c.path(), change)
}

type requestsCancel struct {
	hostFlags
	requestRefArgs
	Reason string `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that says so."`
	By     string `placeholder:"NAME" help:"Who cancels it; by default this system's user."`
}

func (c requestsCancel) Run(ctx context.Context, s streams) error {
	return c.changeRequest(ctx, s, http.MethodPost, c.path()+"/cancel", map[string]any{"reason": c.Reason, "by": by(c.By)})
}

func (h hostFlags) changeRequest(ctx context.Context, s streams, method, path string, body any) error {
	var v console.RequestView
	if err := h.askRuns(ctx, method, path, body, &v); err != nil {
		return err
	}
	_, err := fmt.Fprintf(s.out, "%s of %s is %s, with the priority %d\n", plain(v.ID), plain(v.From), v.State, v.Priority)
	return err
}
