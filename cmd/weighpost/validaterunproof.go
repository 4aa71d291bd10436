package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// provedRun is what a proof of a run shows, as JSON.
type provedRun struct {
	Proved bool `json:"proved"`
	provedBy
	Run        string            `json:"run"`
	First      uint64            `json:"first"` // sequences
	Last       uint64            `json:"last"`
	Entries    []json.RawMessage `json:"entries"` // exactly as they are
	Wrong      []string          `json:"wrong"`   // about the entries as a whole
	Signatures []provedSignature `json:"signatures"`
	// Covered is how many entries, from the first on, the last signature that holds covers: none of these is missing. After are those that
	// came after them, that signature included: whether others came, the file cannot show.
	Covered int `json:"covered"`
	After   int `json:"after"`
}

// provedSignature is what is found of one signature.
type provedSignature struct {
	record.EntryRef
	Name      string   `json:"name"`
	Role      string   `json:"role"`
	Person    string   `json:"person"`
	Meaning   string   `json:"meaning"`
	Says      string   `json:"says"`  // the meaning in a sentence
	Time      string   `json:"time"`  // with the offset of the place
	Zone      string   `json:"zone"`  // IANA name, "": unknown
	Clock     string   `json:"clock"` // state of the clock
	How       string   `json:"how"`   // by what they showed who they are
	Holds     bool     `json:"holds"`
	InForce   bool     `json:"in_force"`
	Over      string   `json:"over,omitempty"`
	Wrong     []string `json:"wrong,omitempty"`
	Between   int      `json:"between,omitempty"` // entries with weights that came while it was given, and that it does not cover
	Statement string   `json:"statement"`
}

// runProof says what the proof of a run shows.
func (c validateProofCommand) runProof(s streams, file []byte) error {
	key, err := readPublicKey(c.Key)
	if err != nil {
		return err
	}
	p, err := proof.ParseSeveral(file)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	v, err := p.Verify(key)
	if err != nil {
		return fmt.Errorf("%s proves nothing: %w", c.File, err)
	}
	found, err := signature.Verify(p.Run, texts(v.Entries))
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	out := &provedRun{Proved: found.Holds(), Run: p.Run, First: v.Entries[0].Seq, Last: v.Entries[len(v.Entries)-1].Seq, Wrong: append([]string{}, found.Wrong...),
		Covered: found.Entries - found.After, After: found.After, Signatures: []provedSignature{}}
	out.provedBy = provedBy{Origin: v.Checkpoint.Origin, Size: v.Checkpoint.Size, Root: v.Checkpoint.Root.String(), Key: v.Key, SignedBy: v.SignedBy, Through: v.Through}
	for _, e := range v.Entries {
		out.Entries = append(out.Entries, json.RawMessage(e.JSON))
	}
	for _, f := range found.Signatures {
		out.Signatures = append(out.Signatures, provedOf(f))
	}
	if err := c.timeStamp(p.TimeStamp, p.Checkpoint, &out.provedBy); err != nil {
		return fmt.Errorf("%s: the entries are proved, and their outside time-stamp does not hold: %w", c.File, err)
	}
	if c.JSON {
		err = json.NewEncoder(s.out).Encode(out)
	} else {
		_, err = io.WriteString(s.out, out.text())
	}
	if err == nil && !out.Proved {
		err = errors.New("the entries are those of the journal, and what is signed under them does not hold")
	}
	return err
}

func texts(entries []record.Entry) [][]byte {
	list := make([][]byte, len(entries))
	for i, e := range entries {
		list[i] = e.JSON
	}
	return list
}

func provedOf(f signature.Finding) provedSignature {
	s := &f.Signature
	return provedSignature{EntryRef: f.Entry, Name: s.Name, Role: s.Role, Person: s.By.ID, Meaning: s.Meaning, Says: signature.Meaning(s.Meaning),
		Time: signature.When(s.Stamp), Zone: s.Zone, Clock: s.Stamp.Clock, How: s.How, Holds: f.Holds(), InForce: f.InForce(), Over: f.Over, Wrong: f.Wrong,
		Between: f.Between, Statement: s.Statement}
}

// text is what a proof of a run shows, for people.
func (p *provedRun) text() string {
	var b strings.Builder
	line := func(name, format string, args ...any) {
		fmt.Fprintf(&b, "%-12s %s\n", name, plain(fmt.Sprintf(format, args...)))
	}
	line("run", "%s: %d entries, numbers %d to %d of its journal", p.Run, len(p.Entries), p.First, p.Last)
	for _, why := range p.Wrong {
		line("WRONG", "%s", why)
	}
	for _, s := range p.Signatures {
		s.text(line)
	}
	if len(p.Signatures) == 0 {
		line("signatures", "none")
	} else {
		line("whole", "the first %d entries are all that the run had when it was signed last; %d came then or after it", p.Covered, p.After)
	}
	p.provedBy.text(line)
	line("proved", "exactly these bytes were entries of this journal when that key signed the checkpoint")
	p.stampText(line)
	line("not proved", "that no entry of the run follows that is not in this file; that the stamps, the persons and the samples are right,")
	line("", "which is what weighpost recorded and not what the key knows; when the checkpoint was signed, without an outside time-stamp")
	return b.String()
}

func (s *provedSignature) text(line func(name, format string, args ...any)) {
	line("signature", "%s by %s (%s, %s) on %s, shown by %s", s.Meaning, s.Name, s.Role, s.Person, signature.Placed(s.Time, s.Zone), s.How)
	line("", "%s", s.Says)
	switch {
	case !s.Holds:
		for _, why := range s.Wrong {
			line("", "DOES NOT HOLD: %s", why)
		}
	case !s.InForce:
		line("", "it holds, and is no longer in force: %s", s.Over)
	default:
		line("", "it holds, and is in force")
	}
	if s.Between > 0 {
		line("", "%d weights reached the journal while it was given, and it does not cover them", s.Between)
	}
}
