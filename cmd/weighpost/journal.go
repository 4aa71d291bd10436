package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"unicode"

	"golang.org/x/term"

	"weighpost/gateway/journal"
	"weighpost/gateway/proof"
	"weighpost/gateway/timestamp/authority"
)

type journalCommand struct {
	Verify journalVerify `cmd:"" help:"Find every alteration and damage in a journal."`
	List   journalList   `cmd:"" help:"Print entries of a journal."`
	Review journalReview `cmd:"" help:"Record that the audit trail was looked over up to an entry, and what was found."`
	Export journalExport `cmd:"" help:"Write entries to a file, for people and other programs, with what shows that it is whole."`
	Bundle journalBundle `cmd:"" help:"Pack a run, a span or all of a journal into one file that verifies alone."`
	Prove  journalProve  `cmd:"" help:"Write a file that proves one entry to whoever has the journal's public key."`

	RotateKey    journalRotateKey    `cmd:"" help:"Change the key that signs checkpoints: the old one signs for the new one."`
	ReplaceKey   journalReplaceKey   `cmd:"" help:"Put another signing key in the place of one that is lost, as two people say."`
	CorrectClock journalCorrectClock `cmd:"" help:"Say by how much the stamps of a span of entries were wrong."`
	Seal         journalSeal         `cmd:"" help:"Move the bytes of old entries into segments, which are read as before."`
}

type journalVerify struct {
	Dir   string `arg:"" help:"The journal's folder, or its journal.db."`
	Key   string `placeholder:"FILE" help:"The public key to check signatures with, kept elsewhere. By default the one beside the journal."`
	TSACA string `name:"tsa-ca" placeholder:"FILE" help:"PEM file of the authorities that may vouch for outside time-stamps. Without it, only what they are over is verified."`
	// Against is taken as it is: a file's name may hold a comma.
	Against  []string `sep:"none" placeholder:"FILE" help:"A checkpoint that was kept elsewhere, which this journal has to extend: a signed note, a proof, or lines that the files sink wrote below _checkpoints; - reads standard input. May be given several times."`
	JSON     bool     `help:"Print the report as one JSON object."`
	Segments string   `placeholder:"DIR" help:"A folder with copies of sealed segments, for those that are missing or damaged in the journal's own."`
}

// Help is what the command tells beyond its one line.
func (journalVerify) Help() string {
	return `Reads the whole journal, also while a daemon writes it, and changes nothing. Names the first 20 faults, each with its
entry and kind: file, missing, edited, tree, identity, head, checkpoint, time-stamp, key, state or segment. Exit status 1 if there is one.

Who can write the folder can replace the key in it as well: keep a copy of key.pub and of checkpoints elsewhere. With --against
a checkpoint that you kept, a cut tail and an older copy that was put back are found too (weighpost help proofs).`
}

func (c journalVerify) Run(ctx context.Context, s streams) error {
	var more []journal.VerifyOption
	if c.TSACA != "" {
		roots, err := authority.Roots(c.TSACA)
		if err != nil {
			return err
		}
		more = append(more, journal.TrustTimestamps(roots))
	}
	for _, name := range c.Against {
		held, err := readHeld(name, s)
		if err != nil {
			return err
		}
		more = append(more, journal.Against(held...))
	}
	if c.Segments != "" {
		more = append(more, journal.SegmentsFrom(c.Segments))
	}
	report, err := journal.Verify(ctx, c.Dir, c.Key, progress(s), more...)
	if err != nil {
		return err
	}
	if c.JSON {
		err = json.NewEncoder(s.out).Encode(report)
	} else {
		_, err = fmt.Fprint(s.out, report.Text())
	}
	if err != nil {
		return err
	}
	if !report.Verified {
		return fmt.Errorf("the journal in %s has faults: keep it as it is, and restore the newest backup into another folder", c.Dir)
	}
	return nil
}

// readHeld reads checkpoints that somebody kept.
func readHeld(name string, s streams) ([]journal.Held, error) {
	const most = 1 << 30
	content, err := readBounded(name, s, most)
	if err != nil {
		return nil, fmt.Errorf("--against: the checkpoint cannot be read: %w", err)
	}
	notes, err := proof.Checkpoints(content)
	if err != nil {
		return nil, fmt.Errorf("--against %s: %w", name, err)
	}
	held := make([]journal.Held, len(notes))
	for i, n := range notes {
		held[i] = journal.Held{Where: name, Note: n}
	}
	return held, nil
}

// progress shows how far long work is, when a person is looking.
func progress(s streams) func(done, total uint64) {
	f, ok := s.err.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return nil
	}
	return func(done, total uint64) {
		fmt.Fprintf(f, "\r%d of %d entries", done, total)
		if done == total {
			fmt.Fprint(f, "\r\033[K")
		}
	}
}

// plain keeps what a balance or a scan sent from steering the terminal.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '\uFFFD'
		}
		return r
	}, s)
}
