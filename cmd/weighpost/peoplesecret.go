package main

import (
	"context"
	"encoding/json"
	"fmt"

	"weighpost/gateway/access"
	"weighpost/gateway/rights"
)

type peopleReset struct {
	hostFlags
	ID     string `arg:"" help:"Id of the account."`
	Reason string `required:"" placeholder:"TEXT" help:"Why: how you know that it is them who ask."`
	JSON   bool   `help:"Print it as JSON."`
}

// Help is what the command tells beyond its one line.
func (peopleReset) Help() string {
	return `Their sessions end, and attempts that failed no longer count. This is also how somebody who looks after accounts gets in again when
no other of them is left: on the computer of the journal, as weighpost's user.`
}

func (c peopleReset) Run(ctx context.Context, s streams) error {
	secret, err := c.reset(ctx, c.ID, c.Reason)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(map[string]string{"id": c.ID, "one_time_secret": secret})
	}
	_, err = fmt.Fprintf(s.out, "one-time secret of %s, shown this once: %s\n", plain(c.ID), secret)
	return err
}

type peoplePIN struct{ oneAccount }

// Help is what the command tells beyond its one line.
func (peoplePIN) Help() string {
	return `The PIN is typed at the terminal, twice, or is one line of standard input. It goes with a badge at a bench, and is good for
nothing else unless the configuration says so (people, pin, signs).`
}

func (c peoplePIN) Run(ctx context.Context, s streams) error {
	pin, err := newSecret(ctx, s, "PIN")
	if err != nil {
		return err
	}
	var p rights.PersonView
	err = c.onBook(ctx, bookDeed{Method: "PUT", Path: personPath(c.ID, "/pin"), Body: map[string]string{"pin": pin, "reason": c.Reason}, Answer: &p,
		Here: func(ctx context.Context, book *access.Book, who rights.Who) (err error) {
			p, err = book.SetPIN(ctx, who, c.ID, pin, c.Reason)
			return err
		}})
	if err != nil {
		return err
	}
	return c.print(s, p, "set the PIN of")
}

type peopleBadge struct {
	oneAccount
	Code string `arg:"" help:"What is on the badge, as it is scanned."`
	End  bool   `help:"Take the badge out of use, at once, instead of giving it to them."`
}

func (c peopleBadge) Run(ctx context.Context, s streams) error {
	var p rights.PersonView
	d := bookDeed{Method: "POST", Path: personPath(c.ID, "/badges"), Body: map[string]string{"code": c.Code, "reason": c.Reason}, Answer: &p,
		Here: func(ctx context.Context, book *access.Book, who rights.Who) (err error) {
			p, err = book.AddBadge(ctx, who, c.ID, c.Code, c.Reason)
			return err
		}}
	done := "gave a badge to"
	if c.End {
		done = "ended a badge of"
		d.Method, d.Body = "DELETE", nil
		d.Path += "?" + query("code", c.Code, "reason", c.Reason)
		d.Here = func(ctx context.Context, book *access.Book, who rights.Who) (err error) {
			p, err = book.EndBadge(ctx, who, c.ID, c.Code, c.Reason)
			return err
		}
	}
	if err := c.onBook(ctx, d); err != nil {
		return err
	}
	return c.print(s, p, done)
}
