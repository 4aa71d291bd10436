package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/rights"
)

// oneAccount is what commands about one account have in common.
type oneAccount struct {
	hostFlags
	ID     string `arg:"" help:"Id of the account."`
	Reason string `required:"" placeholder:"TEXT" help:"Why."`
	JSON   bool   `help:"Print the account as JSON."`
}

type peopleChange struct {
	oneAccount
	Name    *string  `help:"Printed name."`
	Role    []string `placeholder:"ROLE" help:"All the roles that they have from now on. Several: once for each."`
	Login   *string  `help:"What they sign in with; empty: the id."`
	Expires string   `placeholder:"DATE|never" help:"The account cannot be used after this day, or instant; never: no end."`
	Unlock  bool     `help:"Attempts that failed no longer count."`
}

type peopleDisable struct{ oneAccount }

type peopleEnable struct{ oneAccount }

func (c peopleChange) Run(ctx context.Context, s streams) error {
	change := rights.PersonChange{Name: c.Name, Login: c.Login, Unlock: c.Unlock}
	if len(c.Role) > 0 {
		change.Roles = &c.Role
	}
	switch c.Expires {
	case "":
	case "never":
		change.Expires = &time.Time{}
	default:
		at, err := parseDate(c.Expires)
		if err != nil {
			return err
		}
		change.Expires = &at
	}
	return c.change(ctx, s, change, "changed")
}

func (c peopleDisable) Run(ctx context.Context, s streams) error {
	yes := true
	return c.change(ctx, s, rights.PersonChange{Disabled: &yes}, "disabled")
}

func (c peopleEnable) Run(ctx context.Context, s streams) error {
	no := false
	return c.change(ctx, s, rights.PersonChange{Disabled: &no}, "enabled")
}

// change changes the account as it is seen now.
func (c oneAccount) change(ctx context.Context, s streams, change rights.PersonChange, done string) error {
	var p rights.PersonView
	err := c.onBook(ctx, bookDeed{Method: "GET", Path: personPath(c.ID), Answer: &p,
		Here: func(_ context.Context, book *access.Book, who rights.Who) (err error) {
			p, err = book.Person(who, c.ID)
			return err
		}})
	if err != nil {
		return err
	}
	change.Seen, change.Reason = p.Seq, c.Reason
	var after rights.PersonView
	err = c.onBook(ctx, bookDeed{Method: "PATCH", Path: personPath(c.ID), Body: change, Answer: &after,
		Here: func(ctx context.Context, book *access.Book, who rights.Who) (err error) {
			after, err = book.ChangePerson(ctx, who, c.ID, change)
			return err
		}})
	if err != nil {
		return err
	}
	return c.print(s, after, done)
}

func (c oneAccount) print(s streams, p rights.PersonView, done string) error {
	if c.JSON {
		return json.NewEncoder(s.out).Encode(p)
	}
	_, err := fmt.Fprintf(s.out, "%s %s (%s): %s; %s\n", done, plain(p.Person.ID), plain(p.Name), plain(strings.Join(p.Person.Roles, ", ")), plain(stateOf(p, time.Now())))
	return err
}
