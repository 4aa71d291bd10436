package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"weighpost/gateway"
	"weighpost/gateway/bundle"
	"weighpost/gateway/index"
)

type journalBundle struct {
	Dir      string `arg:"" help:"The journal's folder, or its journal.db."`
	OfRun    string `name:"run" placeholder:"ID" help:"One run, with its signatures and all that it rests on."`
	From     string `placeholder:"TIME" help:"A span, from the first entry stamped at this time or later: 2026-11-25 (UTC) or 2026-11-25T10:04:05Z."`
	To       string `placeholder:"TIME" help:"A span, up to the last entry stamped before this time; a date means up to its end."`
	First    uint64 `placeholder:"SEQ" help:"A span, from this entry on."`
	Last     uint64 `placeholder:"SEQ" help:"A span, up to this entry."`
	All      bool   `help:"Everything that the newest checkpoint covers."`
	Out      string `short:"o" placeholder:"FILE" help:"The file to write. It must not be there yet. By default named by what it holds, in this folder."`
	JSON     bool   `help:"Print what the bundle is of as one JSON object."`
	Segments string `placeholder:"DIR" help:"A folder with copies of sealed segments, for those that are missing or damaged in the journal's own."`
}

// Help is what the command tells beyond its one line.
func (journalBundle) Help() string {
	return `Packs a run, a span or all of a journal into one file: the exact bytes of each entry, what shows that they were in the journal, signatures,
schemas, kept files and a report for people. Whoever has the journal's public key can verify it alone: weighpost validate bundle FILE --key KEY,
or with the program in another language that the page "bundle" of the manual tells of. Works also while a daemon writes the journal, and changes
nothing in it. The same entries give the same bytes.`
}

func (c journalBundle) Run(ctx context.Context, s streams) error {
	f, err := index.Flags{From: c.From, To: c.To}.Filter()
	if err != nil {
		return err
	}
	of := bundle.Of{Run: c.OfRun, From: f.From, To: f.To, First: c.First, Last: c.Last, All: c.All}
	plan, err := bundle.Open(ctx, bundle.Order{Dir: c.Dir, Segments: c.Segments, Of: of, Version: gateway.Version(), Progress: progress(s)})
	if err != nil {
		return err
	}
	out := cmp.Or(c.Out, plan.FileName())
	if err := errors.Join(plan.ToFile(ctx, out), plan.Close()); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(plan.About)
	}
	if _, err := fmt.Fprintf(s.out, "%s: %s\n", out, plain(plan.What())); err != nil {
		return err
	}
	for _, text := range plan.NotHeld {
		if _, err := fmt.Fprintln(s.out, "missing:", plain(text)); err != nil {
			return err
		}
	}
	_, err = fmt.Fprintf(s.out, "To verify it: weighpost validate bundle %s --key KEY\n", out)
	return err
}
