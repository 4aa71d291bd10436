package demo

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"weighpost/gateway/record"
)

// The last scenes of the day: the run by which seeds were counted is submitted, returned once, corrected, submitted again, and approved with a
// signature; and its report is issued.

// spiltAt is the replicate, from 0, of which it turns out that seeds lay beside the dish.
const spiltAt = 2

// reviewSeen is of the review of a run what somebody before its page sees.
type reviewSeen struct {
	State     string
	Last      uint64
	Weighings []struct{ ID string }
}

// review has the run reviewed.
func (d *day) review(ctx context.Context) error {
	saw, err := d.acts(ctx, d.sorrel, reviewSeen{}, map[string]any{"act": record.ActSubmit})
	if err == nil {
		saw, err = d.acts(ctx, d.fennel, saw, map[string]any{"act": record.ActReturn, "reason": "the third replicate is not like the others: was anything spilt? (demo)"})
	}
	if err == nil {
		saw, err = d.excludes(ctx, saw)
	}
	if err == nil {
		saw, err = d.acts(ctx, d.sorrel, saw, map[string]any{"act": record.ActSubmit})
	}
	if err == nil {
		saw, err = d.signs(ctx, saw)
	}
	if err != nil {
		return err
	}
	if saw.State != record.RunApproved {
		return fmt.Errorf("%w: %s is %s, and was to be approved", errUnheard, d.counted, saw.State)
	}
	fmt.Fprintf(d.lab.o.Say, "  review: run %s was submitted, returned, corrected and approved with a signature: %sruns/%s/review\n", d.counted, d.lab.gateway.PageURL(), d.counted)
	fmt.Fprintf(d.lab.o.Say, "  to look at it as its reviewer, sign in as %s with the password %s (the demo's own)\n", d.fennel.id, d.fennel.secret)
	return nil
}

// acts has somebody do something to the run, as they saw it last.
func (d *day) acts(ctx context.Context, who *somebody, saw reviewSeen, act map[string]any) (reviewSeen, error) {
	path := "runs/" + d.counted + "/review"
	if saw.Last == 0 {
		if err := who.ask(ctx, http.MethodGet, path, nil, &saw); err != nil {
			return saw, err
		}
	}
	if !pause(ctx, glimpse) {
		return saw, ctx.Err()
	}
	act["seen"] = saw.Last
	err := who.ask(ctx, http.MethodPost, path, act, &saw)
	return saw, err
}

// excludes has whoever counted say that one replicate is not to be used.
func (d *day) excludes(ctx context.Context, saw reviewSeen) (reviewSeen, error) {
	if len(saw.Weighings) <= spiltAt {
		return saw, fmt.Errorf("%w: %s has %d weighings", errUnheard, d.counted, len(saw.Weighings))
	}
	err := d.sorrel.ask(ctx, http.MethodPost, "runs/"+d.counted+"/corrections", map[string]any{"change": record.CorrectExclude, "of": saw.Weighings[spiltAt].ID,
		"reason": "spilt", "comment": "two seeds lay beside the dish, found when the pan was cleaned (demo)", "seen": saw.Last}, &saw)
	return saw, err
}

// signs has the reviewer approve the run: what was shown is what is signed.
func (d *day) signs(ctx context.Context, saw reviewSeen) (reviewSeen, error) {
	var statement struct{ SHA256 string }
	if err := d.fennel.ask(ctx, http.MethodGet, "runs/"+d.counted+"/statement?meaning="+record.MeansReviewed, nil, &statement); err != nil {
		return saw, err
	}
	return d.acts(ctx, d.fennel, saw, map[string]any{"act": record.ActApprove,
		"signing": map[string]string{"id": d.fennel.id, "secret": d.fennel.secret, "statement_sha256": statement.SHA256}})
}

// reports has the reviewer issue the report of the run, and waits until it lies where the demo's reports go.
func (d *day) reports(ctx context.Context) error {
	var issued struct{ Report string }
	if err := d.fennel.ask(ctx, http.MethodPost, "reports", map[string]any{"of": "run", "about": d.counted}, &issued); err != nil {
		return err
	}
	file := filepath.Join(d.lab.at.reports, issued.Report+".pdf")
	for limit := time.Now().Add(patience); ; {
		if _, err := os.Stat(file); err == nil {
			break
		}
		switch {
		case !pause(ctx, glimpse):
			return ctx.Err()
		case time.Now().After(limit):
			return fmt.Errorf("%w: report %s was issued, and %s does not come", errUnheard, issued.Report, file)
		}
	}
	fmt.Fprintf(d.lab.o.Say, "  report: %s of that run, with its signature and what was excluded: %s\n", issued.Report, file)
	return nil
}
