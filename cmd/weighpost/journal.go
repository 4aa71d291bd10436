package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strings"
	"text/tabwriter"
	"unicode"

	"golang.org/x/term"

	"weighpost/gateway/journal"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/gateway/timestamp/authority"
)

type journalCommand struct {
	Verify journalVerify `cmd:"" help:"Find every alteration and damage in a journal."`
	List   journalList   `cmd:"" help:"Print entries of a journal."`
	Export journalExport `cmd:"" help:"Write entries to a file, for people and other programs, with what shows that it is whole."`
	Prove  journalProve  `cmd:"" help:"Write a file that proves one entry to whoever has the journal's public key."`

	ReplaceKey   journalReplaceKey   `cmd:"" help:"Put another signing key in the place of one that is lost, as two people say."`
	CorrectClock journalCorrectClock `cmd:"" help:"Say by how much the stamps of a span of entries were wrong."`
}

type journalVerify struct {
	Dir   string `arg:"" help:"The journal's folder, or its journal.db."`
	Key   string `placeholder:"FILE" help:"The public key to check signatures with, kept elsewhere. By default the one beside the journal."`
	TSACA string `name:"tsa-ca" placeholder:"FILE" help:"PEM file of the authorities that may vouch for outside time-stamps. Without it, only what they are over is verified."`
	// Against is taken as it is: a file's name may hold a comma.
	Against []string `sep:"none" placeholder:"FILE" help:"A checkpoint that was kept elsewhere, which this journal has to extend: a signed note, a proof, or lines that the files sink wrote below _checkpoints; - reads standard input. May be given several times."`
	JSON    bool     `help:"Print the report as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (journalVerify) Help() string {
	return `Reads the whole journal, also while a daemon writes it, and changes nothing. Names the first 20 faults, each with its
entry and kind: file, missing, edited, tree, identity, head, checkpoint, time-stamp, key or state. Exit status 1 if there is one.

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

type journalList struct {
	Dir     string `arg:"" help:"The journal's folder, or its journal.db."`
	After   uint64 `placeholder:"SEQ" help:"Begin after this entry."`
	Kind    string `help:"Only entries of this kind: weighing, result, unread …"`
	Balance string `placeholder:"ID" help:"Only entries about this balance."`
	Limit   uint64 `placeholder:"N" help:"Stop after so many entries."`
	JSON    bool   `help:"Print the exact bytes of each entry, one a line."`
}

var errEnough = errors.New("enough entries")

func (c journalList) Run(ctx context.Context, s streams) error {
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if !c.JSON {
		fmt.Fprintln(table, "SEQ\tUTC\tKIND\tBALANCE\tWHAT")
	}
	var fixed record.Corrections
	if !c.JSON {
		if err := corrections(ctx, c.Dir, &fixed); err != nil {
			return err
		}
	}
	printed := uint64(0)
	err := journal.Scan(ctx, c.Dir, c.After, func(e record.Entry) (err error) {
		if c.Kind != "" && string(e.Kind) != c.Kind || c.Balance != "" && e.Balance != c.Balance {
			return nil
		}
		if c.JSON {
			_, err = fmt.Fprintf(s.out, "%s\n", e.JSON)
		} else {
			utc, what := summary(e)
			if at, ok := fixed.OfEntry(e); ok {
				utc += fmt.Sprintf(" (%s within %s s, corrected by entry %d)", at.UTC, seconds(at.Bound), at.By)
			}
			_, err = fmt.Fprintf(table, "%d\t%s\t%s\t%s\t%s\n", e.Seq, utc, e.Kind, e.Balance, what)
		}
		if printed++; err == nil && printed == c.Limit {
			err = errEnough
		}
		return err
	})
	if err != nil && !errors.Is(err, errEnough) {
		return err
	}
	return table.Flush()
}

// corrections finds what entries say of the stamps of others. It reads them all: a correction comes after what it corrects.
func corrections(ctx context.Context, dir string, into *record.Corrections) error {
	return journal.Scan(ctx, dir, 0, func(e record.Entry) error { return into.Add(e) })
}

func seconds(s record.Span) string {
	b, err := s.MarshalJSON()
	if err != nil {
		return "?"
	}
	return string(b)
}

// instant is the stamp under a key. What is none stays empty: "to" of some kinds of entry is a configuration or a layout.
type instant struct{ UTC string }

func (i *instant) UnmarshalJSON(b []byte) error {
	if len(b) == 0 || b[0] != '{' {
		return nil
	}
	var stamp struct{ UTC string }
	err := json.Unmarshal(b, &stamp)
	i.UTC = stamp.UTC
	return err
}

// summary gives the time of an entry and one line of what it says, as far as a person needs it to find an entry.
func summary(e record.Entry) (utc, what string) {
	var x struct {
		Stamp, To *instant
		Value     *record.Value
		Context   *record.Context
		Reason    string
		Why       string
		Port      string
		Sink      string
		EntryID   string `json:"entry_id"`
		Frames    uint64
		Readings  uint64
		Authority string
		Size      uint64
		Offset    string `json:"offset_s"`
		What      string
		Address   string
		Times     uint64
	}
	if err := json.Unmarshal(e.JSON, &x); err != nil {
		return "", "cannot be read: " + plain(err.Error())
	}
	switch {
	case x.Stamp != nil:
		utc = x.Stamp.UTC
	case x.To != nil:
		utc = x.To.UTC
	}
	var parts []string
	add := func(format string, given bool, args ...any) {
		if given {
			parts = append(parts, plain(fmt.Sprintf(format, args...)))
		}
	}
	if v := x.Value; v != nil {
		add("%s %s", v.Digits != "", v.Digits, v.PrintedUnit)
		add("%s range", v.Range != "in", v.Range)
		add("%s", v.Kind != "unknown", v.Kind)
		add("%s", v.Stability != "unknown", v.Stability)
	}
	if x.Context != nil && x.Context.Sample != nil {
		add("sample %s", true, x.Context.Sample.ID)
	}
	add("sink %s", x.Sink != "", x.Sink)
	add("%s", x.EntryID != "", x.EntryID)
	add("%d frames", x.Frames > 0, x.Frames)
	add("%d readings", x.Readings > 0, x.Readings)
	add("%d entries, by %s", x.Authority != "", x.Size, x.Authority)
	add("by %s s", x.Offset != "", x.Offset)
	add("%s from %s, %d times", x.What != "" && x.Address != "", x.What, x.Address, x.Times)
	add("%s", x.Reason+x.Why != "", x.Reason+x.Why)
	add("%s", x.Value == nil && x.Port != "", x.Port)
	return plain(utc), strings.Join(parts, ", ")
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
