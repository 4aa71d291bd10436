package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/index"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

type journalReview struct {
	hostFlags
	By       string `required:"" placeholder:"NAME" help:"Who looked the entries over."`
	UpTo     string `name:"to" required:"" placeholder:"SEQ|now" help:"The last entry that was looked over; now: the last that there is."`
	Findings string `required:"" placeholder:"TEXT" help:"What was found, in words; also that nothing was."`
	Reason   string `placeholder:"TEXT" help:"Why, or with which meaning: monthly review."`
	Filter   string `placeholder:"QUERY" help:"Which entries were looked over, if not all: kind=configured&balance=b-12, by the names that journal list has."`
	JSON     bool   `help:"Print the entry."`
}

// Help is what the command tells beyond its one line.
func (journalReview) Help() string {
	return `Records that somebody looked over the audit trail from where the last review ended up to an entry, and what they found.
What is new since then: weighpost journal list DIR --since-review`
}

func (c journalReview) Run(ctx context.Context, s streams) error {
	r := record.ReviewRequest{By: c.By, Findings: c.Findings, Reason: c.Reason, Filter: c.Filter}
	body := map[string]any{"by": c.By, "findings": c.Findings}
	if c.UpTo != "now" {
		n, err := strconv.ParseUint(c.UpTo, 10, 63)
		if err != nil || n == 0 {
			return fmt.Errorf("--to is %.40q: write the sequence of an entry, or now", c.UpTo)
		}
		r.To, body["to"] = n, n
	}
	if c.Reason != "" {
		body["reason"] = c.Reason
	}
	if c.Filter != "" {
		body["filter"] = c.Filter
	}
	if err := r.Check(); err != nil {
		return err
	}
	var answer json.RawMessage
	err := c.act(ctx, deed{Method: "POST", Path: "/api/v1/trail/reviews", Body: body, Answer: &answer,
		Here: func(ctx context.Context, _ *config.Config, j *journal.Journal) error {
			v := index.Reviewer{Lister: index.Lister{Source: j}, Journal: j, Stamp: func() record.Stamp { return clock.System{}.Stamp(time.Now()) }}
			e, err := v.Review(ctx, r, hostActor(c.By))
			answer = json.RawMessage(e.JSON)
			return err
		}})
	if err != nil {
		return err
	}
	if c.JSON {
		_, err := fmt.Fprintf(s.out, "%s\n", answer)
		return err
	}
	var e record.TrailReviewed
	if err := json.Unmarshal(answer, &e); err != nil {
		return fmt.Errorf("the review is recorded, and the answer cannot be read: %w", err)
	}
	_, err = fmt.Fprintf(s.out, "recorded as entry %d: entries %d to %d were reviewed by %s\n", e.Seq, e.From, e.To, plain(c.By))
	return err
}
