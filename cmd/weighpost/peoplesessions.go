package main

import (
	"context"
	"encoding/json"
	"fmt"
	"text/tabwriter"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/rights"
)

type peopleSessions struct {
	hostFlags
	ID   string `arg:"" optional:"" help:"Id of the account; left out: everybody."`
	JSON bool   `help:"Print one session a line, as JSON."`
}

func (c peopleSessions) Run(ctx context.Context, s streams) error {
	ids := []string{c.ID}
	if c.ID == "" {
		people, _, err := c.everybody(ctx)
		if err != nil {
			return err
		}
		ids = nil
		for _, p := range people {
			ids = append(ids, p.Person.ID)
		}
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	n := 0
	for _, id := range ids {
		list, err := c.sessionsOf(ctx, id)
		if err != nil {
			return err
		}
		for _, v := range list {
			if n++; n == 1 && !c.JSON {
				fmt.Fprintln(table, "PERSON\tSESSION\tBY\tBALANCE\tFROM\tSINCE\tUNTIL")
			}
			if c.JSON {
				err = json.NewEncoder(s.out).Encode(v)
			} else {
				_, err = fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", plain(v.Person), plain(v.ID), v.By, plain(v.Balance), plain(v.Where),
					v.Since.Local().Format(time.DateTime), v.Until.Local().Format(time.DateTime))
			}
			if err != nil {
				return err
			}
		}
	}
	if n == 0 && !c.JSON {
		fmt.Fprintln(s.err, "nobody is signed in")
	}
	return table.Flush()
}

func (h hostFlags) sessionsOf(ctx context.Context, id string) ([]rights.SessionView, error) {
	var a struct{ Sessions []rights.SessionView }
	err := h.onBook(ctx, bookDeed{Method: "GET", Path: personPath(id, "/sessions"), Answer: &a,
		Here: func(_ context.Context, book *access.Book, who rights.Who) (err error) {
			a.Sessions, err = book.Sessions(who, id)
			return err
		}})
	return a.Sessions, err
}

type peopleSignOut struct {
	hostFlags
	ID   string `arg:"" help:"Id of the account."`
	JSON bool   `help:"Print how many sessions ended, as JSON."`
}

func (c peopleSignOut) Run(ctx context.Context, s streams) error {
	var a struct {
		Ended int `json:"ended"`
	}
	err := c.onBook(ctx, bookDeed{Method: "DELETE", Path: personPath(c.ID, "/sessions"), Answer: &a,
		Here: func(ctx context.Context, book *access.Book, who rights.Who) (err error) {
			a.Ended, err = book.SignOutEverywhere(ctx, who, c.ID)
			return err
		}})
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(a)
	}
	_, err = fmt.Fprintf(s.out, "ended %d sessions of %s\n", a.Ended, plain(c.ID))
	return err
}
