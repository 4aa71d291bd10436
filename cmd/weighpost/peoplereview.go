package main

import (
	"context"
	"encoding/json"
	"fmt"

	"weighpost/gateway/access"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

type peopleReview struct {
	hostFlags
	At       uint64   `placeholder:"SEQ" help:"Sequence of the entry up to which what you saw counts; left out: all until now."`
	Findings string   `required:"" placeholder:"TEXT" help:"What was found, in words; also that all is as it should be."`
	Change   []string `placeholder:"ID" help:"An account or key that should be changed. Several: once for each."`
	JSON     bool     `help:"Print the entry."`
}

// Help is what the command tells beyond its one line.
func (peopleReview) Help() string {
	return `Look through weighpost people list, weighpost keys list and weighpost people rights first. How often that is to be done stands
in the configuration (people, review, every); when it is overdue, a condition says so. The review changes no account.`
}

func (c peopleReview) Run(ctx context.Context, s streams) error {
	r := rights.AccountReview{At: c.At, Findings: c.Findings, Changes: c.Change}
	if r.At == 0 {
		_, at, err := c.everybody(ctx)
		if err != nil {
			return err
		}
		r.At = at
	}
	var e record.AccountsReviewed
	err := c.onBook(ctx, bookDeed{Method: "POST", Path: "/api/v1/account-reviews", Body: r, Answer: &e,
		Here: func(ctx context.Context, book *access.Book, who rights.Who) error {
			done, err := book.ReviewAccounts(ctx, who, r)
			if err == nil {
				e = *done
			}
			return err
		}})
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(e)
	}
	fmt.Fprintf(s.out, "recorded as entry %d: %s and %s were looked over, as of entry %d\n", e.Seq, count(e.People, "account"), count(e.Keys, "key"), e.At)
	if e.Due != nil {
		fmt.Fprintf(s.out, "the next review is due by %s\n", e.Due.Time().Local().Format("2006-01-02"))
	}
	return nil
}
