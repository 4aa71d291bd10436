package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/rights"
	"weighpost/sinks/format"
)

type peopleRights struct {
	hostFlags
	On     string `placeholder:"DATE" help:"The day, whose end counts, or an instant as in RFC 3339. Left out: now."`
	Person string `placeholder:"ID" help:"Only of this person or key."`
	CSV    bool   `xor:"form" help:"Print comma-separated values (RFC 4180), safe for a spreadsheet."`
	JSON   bool   `xor:"form" help:"Print one JSON object a line."`
}

// Help is what the command tells beyond its one line.
func (peopleRights) Help() string {
	return `Who held which right, by which roles, since when and until when: as the accounts and the configuration were then. What the
journal tells begins with the first account; the lab's own roles count as of the start or reload that took them. Times are UTC.`
}

func (c peopleRights) Run(ctx context.Context, s streams) error {
	at := time.Now()
	if c.On != "" {
		var err error
		if at, err = parseDate(c.On); err != nil {
			return err
		}
	}
	var a struct{ Held []rights.Holding }
	err := c.onBook(ctx, bookDeed{Method: "GET", Path: "/api/v1/rights?" + query("on", at.UTC().Format(time.RFC3339Nano)), Answer: &a,
		Here: func(ctx context.Context, book *access.Book, who rights.Who) (err error) {
			a.Held, err = book.HeldOn(ctx, who, at)
			return err
		}})
	if err != nil {
		return err
	}
	if c.Person != "" {
		var some []rights.Holding
		for _, h := range a.Held {
			if h.Person == c.Person {
				some = append(some, h)
			}
		}
		a.Held = some
	}
	switch {
	case c.JSON:
		for _, h := range a.Held {
			if err := json.NewEncoder(s.out).Encode(h); err != nil {
				return err
			}
		}
		return nil
	case c.CSV:
		return heldCSV(s, a.Held)
	}
	return heldTable(s, a.Held, at)
}

var heldHead = []string{"person", "name", "kind", "right", "roles", "from", "to"}

func heldRow(h rights.Holding) []string {
	kind, to := "person", ""
	if h.Key {
		kind = "key"
	}
	if h.To != nil {
		to = h.To.Format(time.RFC3339)
	}
	return []string{h.Person, h.Name, kind, string(h.Right), strings.Join(h.Roles, " "), h.From.Format(time.RFC3339), to}
}

func heldCSV(s streams, list []rights.Holding) error {
	w := csv.NewWriter(s.out)
	w.UseCRLF = true // RFC 4180 section 2
	if err := w.Write(heldHead); err != nil {
		return err
	}
	for _, h := range list {
		row := heldRow(h)
		row[0], row[1] = format.ForSpreadsheet(row[0], false), format.ForSpreadsheet(row[1], false)
		if err := w.Write(row); err != nil {
			return err
		}
	}
	w.Flush()
	return w.Error()
}

func heldTable(s streams, list []rights.Holding, at time.Time) error {
	if len(list) == 0 {
		fmt.Fprintf(s.err, "nobody held a right at %s\n", at.UTC().Format(time.RFC3339))
		return nil
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, strings.ToUpper(strings.Join(heldHead, "\t")))
	for _, h := range list {
		row := heldRow(h)
		for i := range row {
			row[i] = plain(row[i])
		}
		fmt.Fprintln(table, strings.Join(row, "\t"))
	}
	return table.Flush()
}
