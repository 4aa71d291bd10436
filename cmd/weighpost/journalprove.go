package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"golang.org/x/term"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// looking shows how far a search is, when a person is looking.
func looking(s streams) func(done, total uint64) {
	f, ok := s.err.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return nil
	}
	return func(done, _ uint64) { fmt.Fprintf(f, "\r%d entries looked at\r", done) }
}

type journalProve struct {
	Dir      string `arg:"" help:"The journal's folder, or its journal.db."`
	ID       string `arg:"" help:"The entry: its id (site/incarnation/balance/number), or its sequence. Or a run: its id (r-…), for all its entries and signatures."`
	Out      string `placeholder:"FILE" help:"Where to write the proof. It must not be there yet. By default standard output."`
	Segments string `placeholder:"DIR" help:"A folder with copies of sealed segments, for those that are missing or damaged in the journal's own."`
	Stamped  bool   `help:"Prove it by the first checkpoint with an outside time-stamp, and put the time-stamp in."`
}

// Help is what the command tells beyond its one line.
func (journalProve) Help() string {
	return `Writes a small file by which anybody who has the journal's public key can see that this entry is in the journal, without
the journal: weighpost validate proof FILE --key KEY. Works while a daemon writes the journal, and changes nothing in it.

Of a run, the file holds all its entries: whoever has it sees what was signed, by whom, and whether it is still as it was.

The page "proofs" of the manual says what a proof shows, what it does not, and how to verify one by hand.`
}

func (c journalProve) Run(ctx context.Context, s streams) error {
	text, err := c.proof(ctx, s)
	if err != nil {
		return err
	}
	if c.Out == "" {
		_, err := s.out.Write(text)
		return err
	}
	f, err := os.OpenFile(c.Out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is already there, and nothing is put in its place: give another name", c.Out)
	}
	if err != nil {
		return fmt.Errorf("the proof cannot be written: %w", err)
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return errors.Join(fmt.Errorf("the proof cannot be written: %w", err), os.Remove(c.Out))
	}
	return nil
}

// proof makes the file, of one entry or of a run.
func (c journalProve) proof(ctx context.Context, s streams) ([]byte, error) {
	o := journal.ProveOptions{Stamped: c.Stamped, Segments: c.Segments, Progress: looking(s)}
	if !strings.HasPrefix(c.ID, "r-") || strings.Contains(c.ID, "/") {
		p, err := journal.Prove(ctx, c.Dir, c.ID, o)
		if err != nil {
			return nil, err
		}
		return p.Marshal()
	}
	covers := func(e record.Entry) (bool, error) { return signature.Covers(c.ID, e) }
	begins := func(e record.Entry) (bool, error) {
		if e.Kind != record.KindRunBegun {
			return false, nil
		}
		return covers(e)
	}
	p, err := journal.ProveRun(ctx, c.Dir, c.ID, begins, covers, o)
	if err != nil {
		return nil, err
	}
	return p.Marshal()
}
