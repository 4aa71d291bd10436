package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"

	"weighpost/gateway"
	"weighpost/gateway/bundle"
)

type validateBundleCommand struct {
	File string `arg:"" help:"The bundle."`
	Key  string `required:"" placeholder:"KEY" help:"The journal's public key, as you have it from somebody you trust: a file, or its text NAME+HASH+BASE64. An earlier key will do where the bundle leads from it to the one that signed."`
	JSON bool   `help:"Print what was found as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (validateBundleCommand) Help() string {
	return `Says whether a bundle is whole, whether its entries are those of the journal that the key signed for, and whether the signatures under its runs
hold. Needs no journal and no network. The key inside the bundle is only a name tag: take it from where you trust it.

Exit status: 0 no fault was found, 1 there is one, or the file cannot be read.`
}

func (c validateBundleCommand) Run(ctx context.Context, s streams) error {
	key, err := readPublicKey(c.Key)
	if err != nil {
		return err
	}
	f, err := os.Open(c.File)
	if err != nil {
		return fmt.Errorf("the bundle cannot be read: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("the bundle cannot be read: %w", err)
	}
	found, err := bundle.Verify(ctx, f, info.Size(), key, gateway.Version())
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	if c.JSON {
		err = json.NewEncoder(s.out).Encode(found)
	} else {
		err = tellBundle(s, c.File, &found)
	}
	if err == nil && !found.Valid {
		err = fmt.Errorf("%s is not to be relied on: %s", c.File, count(len(found.Faults), "fault"))
	}
	return err
}

// tellBundle prints what was found, for people.
func tellBundle(s streams, file string, f *bundle.Found) error {
	_, err := fmt.Fprintf(s.out, "%s: %s\n", plain(file), plain(f.What))
	for _, part := range []struct {
		mark  string
		texts []string
	}{{"fault", f.Faults}, {"shown", f.Shown}, {"not shown", f.NotShown}} {
		for _, text := range part.texts {
			_, bad := fmt.Fprintf(s.out, "%-10s %s\n", part.mark, plain(text))
			err = errors.Join(err, bad)
		}
	}
	return err
}
