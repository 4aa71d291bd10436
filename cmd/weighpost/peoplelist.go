package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/rights"
)

type peopleList struct {
	hostFlags
	JSON bool `help:"Print one account a line, as JSON."`
}

// everybody gives all accounts, and the sequence that the list is as of.
func (h hostFlags) everybody(ctx context.Context) (list []rights.PersonView, at uint64, err error) {
	var a struct {
		People []rights.PersonView
		At     uint64
	}
	err = h.onBook(ctx, bookDeed{Method: "GET", Path: "/api/v1/people", Answer: &a,
		Here: func(_ context.Context, book *access.Book, who rights.Who) (err error) {
			a.People, a.At, err = book.People(who)
			return err
		}})
	return a.People, a.At, err
}

func (c peopleList) Run(ctx context.Context, s streams) error {
	list, _, err := c.everybody(ctx)
	if err != nil {
		return err
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if !c.JSON && len(list) > 0 {
		fmt.Fprintln(table, "ID\tNAME\tROLES\tFROM\tSTATE")
	}
	for _, p := range list {
		if c.JSON {
			err = json.NewEncoder(s.out).Encode(p)
		} else {
			_, err = fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\n", plain(p.Person.ID), plain(p.Name), plain(strings.Join(p.Person.Roles, ", ")), plain(p.Source), plain(stateOf(p, time.Now())))
		}
		if err != nil {
			return err
		}
	}
	if len(list) == 0 && !c.JSON {
		fmt.Fprintln(s.err, "nobody has an account yet: weighpost people add")
	}
	return table.Flush()
}

// stateOf says in few words what there is to know of an account.
func stateOf(p rights.PersonView, now time.Time) string {
	var words []string
	say := func(holds bool, what string) {
		if holds {
			words = append(words, what)
		}
	}
	say(p.Disabled, "disabled")
	say(p.Locked, "locked")
	if p.Expires != nil {
		at := p.Expires.Time()
		say(!now.Before(at), "ended "+at.Local().Format("2006-01-02"))
		say(now.Before(at), "until "+at.Local().Format("2006-01-02"))
	}
	say(p.Source == "local" && !p.HasSecret, "no secret")
	say(p.Reset, "must choose a secret")
	say(p.HasPIN, "PIN")
	say(len(p.Badges) > 0, fmt.Sprintf("badges: %s", strings.Join(p.Badges, ", ")))
	say(len(p.Unknown) > 0, "unknown roles: "+strings.Join(p.Unknown, ", "))
	if len(words) == 0 {
		return "good"
	}
	return strings.Join(words, "; ")
}
