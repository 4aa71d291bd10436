package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/gateway/timestamp"
	"weighpost/gateway/timestamp/authority"
)

type validateProofCommand struct {
	File  string `arg:"" help:"The proof; - reads standard input."`
	Key   string `required:"" placeholder:"KEY" help:"The journal's public key, as you have it from somebody you trust: a file, or its text NAME+HASH+BASE64. An earlier key will do where the proof leads from it to the one that signed."`
	TSACA string `name:"tsa-ca" placeholder:"FILE" help:"PEM file of the authorities that may vouch for the outside time-stamp of a proof that carries one."`
	JSON  bool   `help:"Print what is proved as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (validateProofCommand) Help() string {
	return `Says whether a proof holds, and what it shows. Needs no journal and no network. A proof holds for one key: take the key from
where you trust it, not from beside the proof. The page "proofs" of the manual tells how to do the same by hand.

Of a run's proof it says of each signature who gave it, when and with which meaning, whether it covers the entries that are there,
and whether it is still in force: the page "signatures".

Exit status: 0 it holds, 1 it or a signature does not, or it cannot be read.`
}

// proved is what a proof shows, as JSON.
type proved struct {
	Proved bool        `json:"proved"`
	Seq    uint64      `json:"seq"`
	ID     string      `json:"id"`
	Kind   record.Kind `json:"kind"`
	provedBy
	Entry json.RawMessage `json:"entry"`
}

// provedBy is what a proof rests on: the checkpoint, and who signed it.
type provedBy struct {
	Origin     string   `json:"origin"`
	Size       uint64   `json:"size"`
	Root       string   `json:"root"`
	Key        string   `json:"key"`       // id of the key that was given
	SignedBy   string   `json:"signed_by"` // id of the key that signed the checkpoint
	Through    []string `json:"through,omitempty"`
	Stamped    string   `json:"time_stamp,omitempty"` // instant of a verified outside time-stamp
	Authority  string   `json:"authority,omitempty"`
	Unexamined bool     `json:"time_stamp_unexamined,omitempty"` // it carries one, and no authority was named
}

func (c validateProofCommand) Run(s streams) error {
	file, err := readBounded(c.File, s, proof.MaxSeveral)
	if err != nil {
		return fmt.Errorf("the proof cannot be read: %w", err)
	}
	if proof.IsSeveral(file) {
		return c.runProof(s, file)
	}
	key, err := readPublicKey(c.Key)
	if err != nil {
		return err
	}
	p, err := proof.Parse(file)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	v, err := p.Verify(key)
	if err != nil {
		return fmt.Errorf("%s proves nothing: %w", c.File, err)
	}
	out := proved{Proved: true, Seq: v.Entry.Seq, ID: v.Entry.ID, Kind: v.Entry.Kind, Entry: v.Entry.JSON}
	out.provedBy = provedBy{Origin: v.Checkpoint.Origin, Size: v.Checkpoint.Size, Root: v.Checkpoint.Root.String(), Key: v.Key, SignedBy: v.SignedBy, Through: v.Through}
	if err := c.timeStamp(p.TimeStamp, p.Checkpoint, &out.provedBy); err != nil {
		return fmt.Errorf("%s: the entry is proved, and its outside time-stamp does not hold: %w", c.File, err)
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(out)
	}
	_, err = io.WriteString(s.out, out.text())
	return err
}

// timeStamp looks into the time-stamp that a proof carries, as far as an authority is named for it: nothing of it is believed
// otherwise.
func (c validateProofCommand) timeStamp(stamp, checkpoint []byte, out *provedBy) error {
	switch {
	case c.TSACA != "" && stamp == nil:
		return errors.New("there is none in it; leave out --tsa-ca")
	case stamp == nil:
		return nil
	case c.TSACA == "":
		out.Unexamined = true
		return nil
	}
	roots, err := authority.Roots(c.TSACA)
	if err != nil {
		return err
	}
	token, err := timestamp.Parse(stamp)
	if err == nil {
		err = token.Over(checkpoint)
	}
	if err == nil {
		err = token.Verify(roots)
	}
	if err != nil {
		return err
	}
	out.Stamped, out.Authority = token.GenTime.UTC().Format(time.RFC3339Nano), token.Authority()
	return nil
}

// readPublicKey takes the text of a key, or a file with it.
func readPublicKey(arg string) (note.Verifier, error) {
	if strings.Count(arg, "+") >= 2 {
		if key, err := proof.ParseKey(arg); err == nil {
			return key, nil
		}
	}
	text, err := readBounded(arg, streams{}, 1<<16)
	if err != nil {
		return nil, fmt.Errorf("--key: the public key cannot be read: %w", err)
	}
	key, err := proof.ParseKey(string(text))
	if err != nil {
		return nil, fmt.Errorf("--key %s: %w", arg, err)
	}
	return key, nil
}

// readBounded reads a file, or standard input for -, that is no longer than most.
func readBounded(name string, s streams, most int64) ([]byte, error) {
	in := s.in
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	} else if in == nil {
		return nil, errors.New("standard input cannot be read here")
	}
	b, err := io.ReadAll(io.LimitReader(in, most+1))
	if err == nil && int64(len(b)) > most {
		err = fmt.Errorf("%s has more than %d bytes", name, most)
	}
	return b, err
}

// text is what a proof shows, for people.
func (p *proved) text() string {
	var b strings.Builder
	line := func(name, format string, args ...any) {
		fmt.Fprintf(&b, "%-12s %s\n", name, plain(fmt.Sprintf(format, args...)))
	}
	line("entry", "%s (%s, number %d of its journal)", p.ID, p.Kind, p.Seq)
	p.entryText(line)
	p.provedBy.text(line)
	line("proved", "exactly these bytes were entry %d of this journal when that key signed the checkpoint", p.Seq)
	p.stampText(line)
	line("not proved", "that the stamp, the person and the sample are right, which is what weighpost recorded and not what the")
	line("", "key knows; when the checkpoint was signed, without an outside time-stamp; what else is in the journal")
	return b.String()
}

// text is what a proof rests on, for people.
func (p *provedBy) text(line func(name, format string, args ...any)) {
	line("checkpoint", "%s, %d entries, root %s", p.Origin, p.Size, p.Root)
	line("signed by", "%s", p.SignedBy)
	if len(p.Through) > 0 {
		line("key", "%s, which vouched for the next: %s", p.Key, strings.Join(p.Through, ", then "))
	}
	switch {
	case p.Stamped != "":
		line("time-stamp", "%s by %s, over this checkpoint", p.Stamped, p.Authority)
	case p.Unexamined:
		line("time-stamp", "the proof carries one that was not looked into: name its authority with --tsa-ca")
	}
}

func (p *provedBy) stampText(line func(name, format string, args ...any)) {
	if p.Stamped != "" {
		line("", "which was before the time-stamp")
	}
}

// entryText tells what a person looks for in an entry.
func (p *proved) entryText(line func(name, format string, args ...any)) {
	var w struct {
		Balance *record.About
		Value   *record.Value
		Context *record.Context
		Stamp   *struct {
			UTC   string
			Bound json.Number `json:"bound_s"`
			Clock string
		}
	}
	if json.Unmarshal(p.Entry, &w) != nil {
		return
	}
	if w.Balance != nil {
		line("balance", "%s", w.Balance.ID)
	}
	if v := w.Value; v != nil {
		unit := v.Unit
		if unit == "" {
			unit = v.PrintedUnit
		}
		line("value", "%s %s; kind %s, stability %s, range %s", v.Digits, unit, v.Kind, v.Stability, v.Range)
	}
	if st := w.Stamp; st != nil {
		bound := "error bound unknown"
		if st.Bound != "" {
			bound = "within " + st.Bound.String() + " s"
		}
		line("stamp", "%s, %s, clock %s", st.UTC, bound, st.Clock)
	}
	if c := w.Context; c != nil {
		for _, x := range []struct {
			name string
			is   *record.Learnt
		}{{"sample", c.Sample}, {"person", c.Person}, {"method", c.Method}, {"run", c.Run}, {"lot", c.Lot}} {
			if x.is != nil {
				line(x.name, "%s (%s)", x.is.ID, x.is.By)
			}
		}
	}
}
