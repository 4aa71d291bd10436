package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"

	"weighpost/gateway/access"
	"weighpost/gateway/rights"
)

type peopleAdd struct {
	hostFlags
	ID       string   `arg:"" help:"Id of the account: letters, digits and . _ - @. It never changes and is never given to anybody else."`
	Name     string   `required:"" help:"Printed name."`
	Role     []string `required:"" placeholder:"ROLE" help:"What they may do: operator, reviewer, balance-keeper, it, auditor or one of the lab's own. Several: once for each."`
	Login    string   `help:"What they sign in with, where it is another than the id."`
	Expires  string   `placeholder:"DATE" help:"The account cannot be used after this day, or instant."`
	Reason   string   `placeholder:"TEXT" help:"Why. Needed where the roles join reviewing with looking after people or settings."`
	SecretIn bool     `name:"secret" help:"Read a first secret, from the terminal or one line of standard input, instead of making one."`
	NoSecret bool     `help:"No secret yet: they cannot sign in with one."`
	JSON     bool     `help:"Print the account, and the one-time secret, as JSON."`
}

// Help is what the command tells beyond its one line.
func (peopleAdd) Help() string {
	return `The one-time secret is printed this once, and can only be used to choose another. People of a directory need no account
beforehand: theirs is made when they first sign in. The first account that looks after others has the role it.`
}

// added is what is printed as JSON.
type added struct {
	rights.PersonView
	Secret string `json:"one_time_secret,omitempty"`
}

func (c peopleAdd) Run(ctx context.Context, s streams) error {
	p := rights.NewPerson{ID: c.ID, Name: c.Name, Roles: c.Role, Login: c.Login, Reason: c.Reason}
	if c.Expires != "" {
		at, err := parseDate(c.Expires)
		if err != nil {
			return err
		}
		p.Expires = &at
	}
	if c.SecretIn {
		var err error
		if p.Secret, err = newSecret(ctx, s, "Secret"); err != nil {
			return err
		}
	}
	var a added
	err := c.onBook(ctx, bookDeed{Method: "POST", Path: "/api/v1/people", Body: p, Answer: &a.PersonView,
		Here: func(ctx context.Context, book *access.Book, who rights.Who) (err error) {
			a.PersonView, err = book.AddPerson(ctx, who, p)
			return err
		}})
	if err == nil && !c.SecretIn && !c.NoSecret {
		a.Secret, err = c.reset(ctx, c.ID, "the account is new")
	}
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(a)
	}
	fmt.Fprintf(s.out, "added %s (%s): %s\n", plain(a.Person.ID), plain(a.Name), plain(strings.Join(a.Person.Roles, ", ")))
	if a.Secret != "" {
		_, err = fmt.Fprintf(s.out, "one-time secret, shown this once: %s\n", a.Secret)
	}
	return err
}

// reset has a one-time secret made.
func (h hostFlags) reset(ctx context.Context, id, reason string) (string, error) {
	var a struct{ Secret string }
	err := h.onBook(ctx, bookDeed{Method: "POST", Path: personPath(id, "/secret-reset"), Body: map[string]string{"reason": reason}, Answer: &a,
		Here: func(ctx context.Context, book *access.Book, who rights.Who) (err error) {
			a.Secret, err = book.ResetSecret(ctx, who, id, reason)
			return err
		}})
	return a.Secret, err
}
