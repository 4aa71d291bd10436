package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/proof"
	sealing "weighpost/gateway/segment"
)

type validateSegmentCommand struct {
	File        string `arg:"" help:"The segment: its .ndjson.gz or its .segment.json."`
	Description string `placeholder:"FILE" help:"The segment's description, where it does not lie beside it under its own name."`
	Key         string `placeholder:"KEY" help:"The journal's public key, as you have it from somebody you trust: a file, or its text NAME+HASH+BASE64."`
	JSON        bool   `help:"Print what was found as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (validateSegmentCommand) Help() string {
	return `Reads a sealed segment and holds it against the description beside it: whether every entry is there, in its place, and
whether their hashes lead to the root of the checkpoint that the description carries. Needs no journal and no network.

Whoever can change both files can make them agree: what shows more is a key that you have from elsewhere. After a change of keys
that is the key which signed the segment's checkpoint.

Exit status: 0 no fault was found, 1 there is one, or the files cannot be read.`
}

const (
	segmentEnd     = ".ndjson.gz"
	descriptionEnd = ".segment.json"
)

// names gives the names of the segment and of its description.
func (c validateSegmentCommand) names() (file, description string, err error) {
	base, isSegment := strings.CutSuffix(c.File, segmentEnd)
	if isSegment {
		if c.Description != "" {
			return c.File, c.Description, nil
		}
		return c.File, base + descriptionEnd, nil
	}
	if base, is := strings.CutSuffix(c.File, descriptionEnd); is && c.Description == "" {
		return base + segmentEnd, c.File, nil
	}
	if c.Description != "" {
		return c.File, c.Description, nil
	}
	return "", "", fmt.Errorf("%s ends neither in %s nor in %s: name its description with --description", c.File, segmentEnd, descriptionEnd)
}

// segmentFacts is what a segment shows, as JSON.
type segmentFacts struct {
	Valid    bool     `json:"valid"`
	File     string   `json:"file"`
	Site     string   `json:"site"`
	First    uint64   `json:"first"`
	Last     uint64   `json:"last"`
	SHA256   string   `json:"sha256"`
	Origin   string   `json:"origin"`
	Size     uint64   `json:"size"` // entries that the checkpoint covers
	Root     string   `json:"root"`
	SignedBy string   `json:"signed_by,omitempty"` // id of the key, where one was given
	Shown    []string `json:"shown"`
	NotShown []string `json:"not_shown"`
}

func (c validateSegmentCommand) Run(s streams) error {
	file, described, err := c.names()
	if err != nil {
		return err
	}
	text, err := readBounded(described, s, sealing.MaxDescription)
	if err != nil {
		return fmt.Errorf("the description of the segment cannot be read: %w", err)
	}
	d, err := sealing.ParseDescription(text)
	if err != nil {
		return fmt.Errorf("%s: %w", described, err)
	}
	at, key, err := c.checkpoint(&d)
	if err != nil {
		return fmt.Errorf("%s shows nothing: the checkpoint in its description does not hold: %w", file, err)
	}
	f, err := openPlain(file)
	if err != nil {
		return fmt.Errorf("the segment cannot be read: %w", err)
	}
	defer f.Close()
	if err := d.Verify(f, at.Size, at.Root); err != nil {
		return fmt.Errorf("%s is not the segment that was sealed: %w. Use another copy of it", file, err)
	}
	facts := segmentShown(file, &d, at, key)
	if c.JSON {
		return json.NewEncoder(s.out).Encode(facts)
	}
	return facts.tell(s.out)
}

// checkpoint reads what was signed, and holds it against the key if there is one.
func (c validateSegmentCommand) checkpoint(d *sealing.Description) (at proof.Checkpoint, key note.Verifier, err error) {
	if c.Key == "" {
		at, err = proof.Peek([]byte(d.Checkpoint))
		return at, nil, err
	}
	if key, err = readPublicKey(c.Key); err != nil {
		return at, nil, err
	}
	at, err = proof.Open([]byte(d.Checkpoint), key)
	if err == nil && at.Origin != key.Name() {
		err = fmt.Errorf("it is of %q, and the key is that of %q", at.Origin, key.Name())
	}
	return at, key, err
}

// openPlain opens an ordinary file. A pipe would keep whoever opens it waiting.
func openPlain(name string) (*os.File, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, errors.New(name + " is no ordinary file")
	}
	return os.Open(name)
}

// segmentShown says what is known now, and what is not.
func segmentShown(file string, d *sealing.Description, at proof.Checkpoint, key note.Verifier) segmentFacts {
	facts := segmentFacts{Valid: true, File: file, Site: d.Site, First: d.First, Last: d.Last, SHA256: d.SHA256, Origin: at.Origin,
		Size: at.Size, Root: at.Root.String(), Shown: []string{}, NotShown: []string{}}
	shown := func(format string, args ...any) { facts.Shown = append(facts.Shown, fmt.Sprintf(format, args...)) }
	not := func(format string, args ...any) {
		facts.NotShown = append(facts.NotShown, fmt.Sprintf(format, args...))
	}
	shown("the file is the one that %s describes, byte for byte (SHA-256)", filepath.Base(strings.TrimSuffix(file, segmentEnd))+descriptionEnd)
	shown("it holds all entries from %d to %d, in their order, and no others", d.First, d.Last)
	shown("their hashes lead to the root of the checkpoint in the description, over the first %d entries of %s", at.Size, at.Origin)
	if key != nil {
		facts.SignedBy = proof.KeyID(key)
		shown("that checkpoint is signed by %s, so that these were its entries when the key signed", facts.SignedBy)
	} else {
		not("that the checkpoint is the journal's: no key was given, and whoever changes both files can make them agree. Name one with --key")
	}
	not("that the journal of today goes on from this checkpoint: weighpost journal verify shows that")
	not("that stamps, persons and samples are right: they are what weighpost recorded")
	return facts
}

func (f *segmentFacts) tell(w io.Writer) error {
	_, err := fmt.Fprintf(w, "%s: entries %d to %d of %s\n", plain(f.File), f.First, f.Last, plain(f.Site))
	for _, part := range []struct {
		mark  string
		texts []string
	}{{"shown", f.Shown}, {"not shown", f.NotShown}} {
		for _, text := range part.texts {
			if err == nil {
				_, err = fmt.Fprintf(w, "%-10s %s\n", part.mark, plain(text))
			}
		}
	}
	return err
}
