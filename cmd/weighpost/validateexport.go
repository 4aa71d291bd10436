package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"

	"weighpost/gateway"
	"weighpost/gateway/export"
)

type validateExportCommand struct {
	Manifest string `arg:"" help:"The manifest: the file that ends in .manifest.json."`
	File     string `placeholder:"FILE" help:"The export, where it is not the file that the manifest names, beside it."`
	Journal  string `placeholder:"DIR" help:"The journal that it was made from, or a newer state of it: makes the export again, and compares."`
	Key      string `placeholder:"FILE" help:"The public key that the checkpoint has to be signed with, kept elsewhere."`
	JSON     bool   `help:"Print what was found as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (validateExportCommand) Help() string {
	return `Holds an export against its manifest: whether the file is the one, and whole. An NDJSON file is also held against the
hashes of its entries, and where it has all of them against the signed checkpoint, with no journal at hand. With --journal the
same request is put to the journal again, and has to give the same file, byte for byte.

Whoever can change a file can change its manifest too: what shows more is the journal, or a key and a checkpoint from elsewhere.

Exit status: 0 no fault was found, 1 there is one, or the files cannot be read.`
}

func (c validateExportCommand) Run(ctx context.Context, s streams) error {
	check := export.Check{Version: gateway.Version(), Progress: progress(s)}
	var err error
	if check.Key, err = publicKey(c.Key); err != nil {
		return err
	}
	if c.Journal != "" {
		if check.Journal, err = export.Open(ctx, c.Journal); err != nil {
			return err
		}
	}
	v, err := export.Validate(ctx, c.Manifest, c.File, check)
	if err != nil {
		return err
	}
	if c.JSON {
		err = json.NewEncoder(s.out).Encode(v)
	} else {
		err = tellValidation(s.out, &v)
	}
	if err == nil && !v.Valid {
		err = fmt.Errorf("%s is not to be relied on: %s", v.File, count(len(v.Faults), "fault"))
	}
	return err
}

// tellValidation prints what was found, for people.
func tellValidation(w io.Writer, v *export.Validation) error {
	_, err := fmt.Fprintf(w, "%s: %s, %d of the journal's first %d\n", plain(v.File), plain(v.Filter), v.Entries, v.Head)
	for _, part := range []struct {
		mark  string
		texts []string
	}{{"fault", v.Faults}, {"shown", v.Shown}, {"not shown", v.NotShown}} {
		for _, text := range part.texts {
			if err == nil {
				_, err = fmt.Fprintf(w, "%-10s %s\n", part.mark, plain(text))
			}
		}
	}
	return err
}
