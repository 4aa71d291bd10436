package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

type journalSeal struct {
	hostFlags
	Before string `placeholder:"DATE" help:"Seal what was recorded before this day (2025-01-01, at midnight here) or instant (2025-01-01T00:00:00Z). By default as journal: retention: after says."`
	By     string `placeholder:"NAME" help:"Who asks for it; by default this system's user."`
	Reason string `placeholder:"TEXT" help:"Why; it becomes part of the entry that tells of it."`
	DryRun bool   `help:"Only say what would be sealed, and change nothing."`
	JSON   bool   `help:"Print the plan as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (journalSeal) Help() string {
	return `Moves the bytes of the oldest entries into segments: files that zcat reads, in the folder segments of the journal. Each is
written, read back, copied to every place that journal: retention: names and read back there; only then do the bytes leave
journal.db. Nothing is deleted: every entry is listed, exported, proved and verified as before.

Never sealed are entries younger than keep_at_least, what a sink has not had yet or has parked, and the last 1,000. A running
daemon does the work itself, and goes on recording. See: weighpost help retention.`
}

func (c journalSeal) Run(ctx context.Context, s streams) error {
	before, err := parseDay(c.Before)
	if err != nil {
		return err
	}
	r := record.SealRequest{By: c.By, Before: before, Reason: c.Reason, DryRun: true}
	if r.By == "" {
		r.By = hostActor("").ID
	}
	if c.Reason != "" && record.CheckContextID(c.Reason) != nil {
		return fmt.Errorf("the reason %w", record.CheckContextID(c.Reason))
	}
	var plan record.SealPlan
	here := false
	ask := deed{Method: http.MethodPost, Path: "/api/v1/journal/seal", Body: r, Answer: &plan,
		Here: func(ctx context.Context, cfg *config.Config, j *journal.Journal) error {
			here = true
			return c.here(ctx, s, cfg, j, r)
		}}
	if err := c.act(ctx, ask); err != nil || here {
		return err
	}
	if err := c.print(s.out, plan); err != nil || c.DryRun || plan.Last < plan.First && !plan.Resumes {
		return err
	}
	r.DryRun = false
	ask.Body = r
	if err := c.act(ctx, ask); err != nil || here || c.JSON {
		return err
	}
	_, err = fmt.Fprintln(s.out, "The daemon seals them now. What came of it: weighpost journal list --kind sealed")
	return err
}

// here seals with the journal that no daemon has.
func (c journalSeal) here(ctx context.Context, s streams, cfg *config.Config, j *journal.Journal, r record.SealRequest) (err error) {
	keepers := gateway.Storers{Config: cfg}
	defer func() { err = errors.Join(err, keepers.Close()) }()
	o, err := gateway.SealOptions(cfg, r, hostActor(c.By), func() record.Stamp { return clock.System{}.Stamp(time.Now()) }, keepers.Open)
	if err != nil {
		return err
	}
	plan, err := j.PlanSealing(ctx, o)
	if err == nil {
		err = c.print(s.out, plan)
	}
	if err != nil || c.DryRun || plan.Last < plan.First && !plan.Resumes {
		return err
	}
	if show := progress(s); show != nil {
		o.Progress = func(_ string, done, total uint64) { show(done, total) }
	}
	done, err := j.Seal(ctx, o)
	for _, x := range done.Segments {
		if !c.JSON {
			fmt.Fprintf(s.out, "sealed entries %d to %d: segments/%s, %d bytes\n", x.First, x.Last, x.File, x.Bytes)
		}
	}
	return err
}

// print tells a plan.
func (c journalSeal) print(w io.Writer, p record.SealPlan) error {
	if c.JSON {
		return json.NewEncoder(w).Encode(p)
	}
	line := func(name, format string, args ...any) {
		fmt.Fprintf(w, "%-10s"+format+"\n", append([]any{name}, args...)...)
	}
	if p.Resumes {
		line("first", "an earlier sealing that was cut short is finished")
	}
	if p.Last < p.First {
		line("entries", "none: %s", plain(p.Why))
		return nil
	}
	line("entries", "%d to %d, %d in %d segments", p.First, p.Last, p.Last+1-p.First, p.Segments)
	line("recorded", "%s to %s", p.From.UTC().Format(time.RFC3339), p.To.UTC().Format(time.RFC3339))
	line("bytes", "about %s become free in journal.db, for what comes; the file does not shrink", journal.Size(p.Bytes).About())
	for _, where := range p.Copies {
		line("copy", "%s", plain(where))
	}
	if len(p.Copies) == 0 {
		line("copy", "none: the segments are only in the journal's folder (journal: retention: folder, sinks)")
	}
	line("no more", "%s", plain(p.Why))
	return nil
}

// parseDay reads a day, which begins at midnight here, or an instant; the zero time for nothing.
func parseDay(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if at, err := time.ParseInLocation(time.DateOnly, text, time.Local); err == nil {
		return at, nil
	}
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return at, fmt.Errorf("%q is no day and no instant: write 2025-01-01 or 2025-01-01T00:00:00Z", text)
	}
	return at, nil
}
