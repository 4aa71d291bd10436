package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"text/tabwriter"

	"weighpost/gateway/console"
)

type reviewsCommand struct {
	List      reviewsList      `cmd:"" help:"List runs whose steps are done, newest first, with their state and what a reviewer has to look at."`
	Show      reviewsShow      `cmd:"" help:"Show what is known of one run: results, weighings, corrections, signatures, acts."`
	Submit    reviewsSubmit    `cmd:"" help:"Submit a run that you had a part in, for others to review."`
	Return    reviewsReturn    `cmd:"" help:"Give a run back, with a reason."`
	Review    reviewsReview    `cmd:"" help:"Sign a run that another person is to approve."`
	Approve   reviewsApprove   `cmd:"" help:"Approve a run with your signature."`
	Look      reviewsLook      `cmd:"" help:"Note that you have looked a run over, up to an entry."`
	Exclude   reviewsExclude   `cmd:"" help:"Have a weighing not used; it stays in the record."`
	Include   reviewsInclude   `cmd:"" help:"Have a weighing that was excluded used again."`
	Amend     reviewsAmend     `cmd:"" help:"Say what a weighing was really tied to: sample, lot, person … Never what the balance said."`
	Reread    reviewsReread    `cmd:"" help:"Have the bytes of a weighing read by another layout that the lab has."`
	Replace   reviewsReplace   `cmd:"" help:"Have another run of the same procedure stand for a run."`
	Archive   reviewsArchive   `cmd:"" help:"Close a run: nothing of it is changed any more."`
	Unarchive reviewsUnarchive `cmd:"" help:"Take a run out of the archive again."`
}

// reviewsCaution stands in the help of each of them.
const reviewsCaution = "Which runs may be used for what is for the lab's own rules and its qualified people to say. See: weighpost help reviews"

type reviewsList struct {
	hostFlags
	State     []string `enum:"open,abandoned,complete,in review,returned,reviewed,approved,needs review again,replaced,archived" placeholder:"STATE" help:"Only those in one of these states, with commas between: ${enum}. Left out: all whose steps are done."`
	Procedure string   `placeholder:"NAME" help:"Only those of a procedure."`
	Sample    string   `placeholder:"ID" help:"Only those that a sample or a container is in."`
	Balance   string   `placeholder:"ID" help:"Only those that a balance weighed for."`
	Flag      string   `placeholder:"FLAG" help:"Only those with this flag, such as 'weighing excluded'; none: those without any."`
	Since     uint64   `placeholder:"SEQ" help:"Only those with an entry after this one."`
	JSON      bool     `help:"Print one run a line, as JSON."`
}

func (reviewsList) Help() string { return reviewsCaution }

func (c reviewsList) Run(ctx context.Context, s streams) error {
	q := url.Values{"limit": {"1000"}}
	for key, value := range map[string]string{"state": strings.Join(c.State, ","), "procedure": c.Procedure, "sample": c.Sample, "balance": c.Balance, "flag": c.Flag} {
		if value != "" {
			q.Set(key, value)
		}
	}
	if c.Since > 0 {
		q.Set("since", strconv.FormatUint(c.Since, 10))
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if !c.JSON {
		fmt.Fprintln(table, "RUN\tPROCEDURE\tSTATE\tVERDICT\tABOUT\tBY\tENDED\tLAST\tFLAGS")
	}
	for {
		var a console.ReviewList
		if err := c.askRuns(ctx, http.MethodGet, "reviews?"+q.Encode(), nil, &a); err != nil {
			return err
		}
		for _, r := range a.Runs {
			if c.JSON {
				if err := json.NewEncoder(s.out).Encode(r); err != nil {
					return err
				}
				continue
			}
			fmt.Fprintln(table, reviewRow(&r))
		}
		if a.Next == "" {
			return table.Flush()
		}
		q.Set("after", a.Next)
	}
}

// reviewRow is a run in the list.
func reviewRow(r *console.ReviewGlance) string {
	var about []string
	for _, i := range r.Items {
		about = append(about, itemText(&i))
	}
	ended := "-"
	if r.Ended != nil {
		ended = stampText(*r.Ended)
	}
	flags := strings.Join(r.Flags, ", ")
	return strings.Join([]string{plain(r.ID), plain(fmt.Sprintf("%s v%d", r.Procedure.Name, r.Procedure.Version)), r.State, cmp.Or(r.Verdict, "-"),
		plain(cmp.Or(strings.Join(about, ", "), "-")), plain(r.By.Shown()), ended, fmt.Sprint(r.Last), cmp.Or(flags, "-")}, "\t")
}
