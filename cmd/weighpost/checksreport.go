package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"text/tabwriter"

	"weighpost/gateway/console"
)

type checksDefined struct {
	hostFlags
	JSON bool `help:"Print one check a line, as JSON."`
}

func (c checksDefined) Run(ctx context.Context, s streams) error {
	var a struct{ Checks []console.CheckDefinition }
	if err := c.askFitness(ctx, http.MethodGet, "checks", nil, &a); err != nil {
		return err
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if len(a.Checks) > 0 && !c.JSON {
		fmt.Fprintln(table, "CHECK\tMEASURES\tLOADS\tTIMES\tLIMIT")
	}
	for _, d := range a.Checks {
		if c.JSON {
			if err := json.NewEncoder(s.out).Encode(d); err != nil {
				return err
			}
			continue
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%d\t%s\n", plain(d.Name), plain(d.Measures), plain(strings.Join(d.Loads, ", ")), max(d.Times, 1), plain(d.Limit))
	}
	if len(a.Checks) == 0 && !c.JSON {
		fmt.Fprintln(s.err, "no check is defined in the settings: see weighpost help checks")
	}
	return table.Flush()
}

type checksReport struct {
	hostFlags
	Balance string `arg:"" help:"Id of the balance."`
	Check   string `arg:"" help:"The check's id, or the number that ends it: c000017."`
	Out     string `placeholder:"FILE" help:"Write the report as a PDF to this file, which must not be there yet."`
	JSON    bool   `help:"Print what the check found as one JSON object, with every attempt."`
}

// Help is what the command tells beyond its one line.
func (checksReport) Help() string {
	return `With --out the report that can be printed: every attempt, limits and where they come from, weights and their certificates, person, time, and where it
stands in the journal. Without, what was found.

` + checkCaution
}

func (c checksReport) Run(ctx context.Context, s streams) error {
	path := "balances/" + pathPart(c.Balance) + "/checks/" + pathPart(strings.TrimPrefix(c.Check, c.Balance+"/"))
	if c.Out == "" {
		var r console.CheckReport
		if err := c.askFitness(ctx, http.MethodGet, path, nil, &r); err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(s.out).Encode(r)
		}
		return printCheck(s.out, r)
	}
	var pdf []byte
	if err := c.askFitness(ctx, http.MethodGet, path+"/report.pdf", nil, &pdf); err != nil {
		return err
	}
	return writeReport(s.out, c.Out, pdf, c.JSON)
}

// writeReport writes a report to a file that must not be there yet, and says so.
func writeReport(out io.Writer, name string, pdf []byte, asJSON bool) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return fmt.Errorf("the report was not written: %w", err)
	}
	_, err = f.Write(pdf)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return errors.Join(fmt.Errorf("the report could not be written: %w", err), os.Remove(name))
	}
	if asJSON {
		return json.NewEncoder(out).Encode(map[string]any{"file": name, "bytes": len(pdf)})
	}
	_, err = fmt.Fprintf(out, "%s: %d bytes\n", name, len(pdf))
	return err
}

// printCheck prints what a check found.
func printCheck(out io.Writer, r console.CheckReport) error {
	e := r.Ended
	_, err := fmt.Fprintf(out, "%s %s: %s, %s, %s\n", plain(e.Check.ID), plain(e.Check.Definition), plain(e.Outcome), stampText(e.Stamp.UTC), plain(actorText(e.By)))
	all := []error{err}
	if e.Reason != "" {
		_, err := fmt.Fprintln(out, plain(e.Reason))
		all = append(all, err)
	}
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	if len(e.Results) > 0 {
		fmt.Fprintln(table, "RESULT\tVALUE\tLIMIT\tVERDICT\tLIMIT FROM")
	}
	for _, x := range e.Results {
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\n", plain(x.Name), plain(x.Value), plain(cmp.Or(x.Limit, "-")), plain(x.Verdict), plain(cmp.Or(x.From, "-")))
	}
	all = append(all, table.Flush())
	for _, w := range e.Weights {
		text := fmt.Sprintf("weight %s, %s", w.ID, w.Nominal)
		if w.Certificate != nil && w.Certificate.Number != "" {
			text += ", certificate " + w.Certificate.Number
		}
		if w.Doubt != "" {
			text += "; caution: " + w.Doubt
		}
		_, err := fmt.Fprintln(out, plain(text))
		all = append(all, err)
	}
	if m := e.MinimumWeight; m != nil {
		_, err := fmt.Fprintf(out, "minimum weight %s: %s\n", plain(string(m.Mass)), plain(m.Source))
		all = append(all, err)
	}
	return errors.Join(all...)
}
