package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/term"

	"weighpost/gateway"
	"weighpost/gateway/export"
	"weighpost/gateway/index"
	"weighpost/gateway/proof"
)

type journalExport struct {
	Dir         string `arg:"" help:"The journal's folder, or its journal.db."`
	Format      string `required:"" enum:"csv,ndjson,parquet,pdf" placeholder:"FORMAT" help:"csv, ndjson, parquet or pdf."`
	Out         string `required:"" short:"o" placeholder:"FILE|-" help:"The file to write; - is standard output."`
	Manifest    string `placeholder:"FILE" help:"With --out -: the file for the manifest, which otherwise stands beside FILE."`
	Force       bool   `help:"Replace FILE and its manifest if they are there."`
	Spreadsheet bool   `help:"CSV for spreadsheets: a mark of the encoding in front, and an apostrophe before text that would run as a formula."`
	Key         string `placeholder:"FILE" help:"Export only if the journal's newest checkpoint is signed by this public key, kept elsewhere."`
	JSON        bool   `help:"Print the manifest when the file is written."`
	Segments    string `placeholder:"DIR" help:"A folder with copies of sealed segments, for those that are missing or damaged in the journal's own."`
	index.Flags
}

// Help is what the command tells beyond its one line.
func (journalExport) Help() string {
	return `Writes the entries that the filter asks for, in their order, up to the last one that was there when the export began.
Works also while a daemon writes the journal, and changes nothing in it.

FILE appears when it is whole, and after it FILE` + export.ManifestSuffix + `: which filter made it, how many entries of how
many, under which signed checkpoint, with hashes. weighpost validate export holds the one against the other, and both against
the journal. NDJSON has the exact bytes of each entry. See: weighpost help exports`
}

func (c journalExport) Run(ctx context.Context, s streams) error {
	r := export.Request{Format: export.Format(c.Format), Spreadsheet: c.Spreadsheet, Made: time.Now(), Version: gateway.Version()}
	var err error
	if r.Filter, err = c.Filter(); err != nil {
		return err
	}
	if r.Key, err = publicKey(c.Key); err != nil {
		return err
	}
	src, err := export.OpenWith(ctx, c.Dir, c.Segments)
	if err != nil {
		return err
	}
	if c.Out == "-" {
		return c.pipe(ctx, s, src, r)
	}
	if c.Manifest != "" {
		return errors.New("--manifest goes with --out - only: the manifest of a file stands beside it")
	}
	r.Progress = progress(s)
	m, err := export.ToFile(ctx, src, r, c.Out, c.Force)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(m)
	}
	_, err = fmt.Fprintf(s.out, "%s: %s\n%s\nmanifest: %s\n", c.Out, m.Counts(), m.Covered(), c.Out+export.ManifestSuffix)
	return err
}

// pipe writes to standard output, and the manifest, if one is asked for, to a file.
func (c journalExport) pipe(ctx context.Context, s streams, src export.Source, r export.Request) error {
	f, ok := s.out.(*os.File)
	seen := ok && term.IsTerminal(int(f.Fd()))
	switch {
	case c.JSON:
		return errors.New("--json would mix with what --out - writes: give the manifest a file with --manifest")
	case seen && (r.Format == export.PDF || r.Format == export.Parquet):
		return fmt.Errorf("a terminal cannot show %s: name a file with --out", c.Format)
	case !seen:
		r.Progress = progress(s)
	}
	if c.Manifest != "" && !c.Force {
		if _, err := os.Lstat(c.Manifest); err == nil {
			return fmt.Errorf("%s is there already: name another file, or say --force", c.Manifest)
		}
	}
	m, err := export.Write(ctx, s.out, src, r)
	if err != nil {
		return fmt.Errorf("what was written is not whole: %w", err)
	}
	if c.Manifest != "" {
		return export.WriteManifest(c.Manifest, &m)
	}
	return nil
}

// publicKey reads a public key that is kept somewhere else; no name, no key.
func publicKey(file string) (note.Verifier, error) {
	if file == "" {
		return nil, nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("the public key cannot be read: %w", err)
	}
	key, err := proof.ParseKey(string(text))
	if err != nil {
		return nil, fmt.Errorf("%s holds no public key of a journal: %w", file, err)
	}
	return key, nil
}
