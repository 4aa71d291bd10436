package signature

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"unicode"

	"weighpost/gateway/record"
)

// meanings are what a signature says, in a sentence (21 CFR 11.50(a)(3)).
var meanings = map[string]string{
	record.MeansPerformed: "I have performed this run and looked it over: what is recorded of it is what was done and found.",
	record.MeansReviewed:  "I have reviewed this run, its weighings and its audit trail, and have found it in order.",
	record.MeansApproved:  "I approve this run and its results.",
}

// Meaning is what a signature says, in a sentence; "" for a word that means nothing.
func Meaning(word string) string { return meanings[word] }

// Statement is the text that is shown to whoever signs, and that the signature holds word for word. It has one spelling: the same
// entries and the same signer give the same bytes. Date and time are not in it: they are those of the entry's stamp, once it is made.
// Lines end with one line feed; what people wrote is kept to one line each.
func Statement(f Facts, s Signer) string {
	var b strings.Builder
	line := func(format string, a ...any) { b.WriteString(oneLine(fmt.Sprintf(format, a...)) + "\n") }
	line("Statement of a signature (weighpost.statement/1)")
	line("Run: %s", f.Run.ID)
	line("Procedure: %s, version %d, %s", f.Run.Procedure.Name, f.Run.Procedure.Version, f.Run.Procedure.Hash)
	line("Site: %s", f.Site)
	line("About:")
	for _, item := range f.Items {
		line("- %s", Item(item))
	}
	none(line, len(f.Items))
	line("State: %s", f.State)
	line("Verdict: %s", or(f.Verdict, "none"))
	line("Results:")
	for _, r := range f.Results {
		line("- %s", result(r))
	}
	none(line, len(f.Results))
	line("Corrected:")
	for _, c := range f.Corrected {
		line("- %s", c.text())
	}
	none(line, len(f.Corrected))
	line("Not used: %d", len(f.Excluded))
	for _, e := range f.Excluded {
		line("- %s", e.ID)
	}
	line("Covers: %d entries up to number %d of the journal, root %s", f.Covers.Entries, f.Covers.Last, f.Covers.Root)
	line("Meaning: %s. %s", s.Meaning, Meaning(s.Meaning))
	line("Signed by: %s", s.Name)
	line("Role: %s", or(s.Role, "none"))
	return b.String()
}

func none(line func(string, ...any), n int) {
	if n == 0 {
		line("- none")
	}
}

func or(text, other string) string {
	if text == "" {
		return other
	}
	return text
}

// Item names what a run is about.
func Item(i record.RunItem) string {
	var parts []string
	for _, p := range []struct{ name, is string }{{"sample", i.Sample}, {"lot", i.Lot}, {"container", i.Container}} {
		if p.is != "" {
			parts = append(parts, p.name+" "+p.is)
		}
	}
	return or(strings.Join(parts, ", "), "nothing named")
}

// result is one result in a line: name, of what, value, limit, verdict.
func result(r record.RunResult) string {
	text := or(r.Label, r.Name)
	if r.Item != nil {
		text += " (" + Item(*r.Item) + ")"
	}
	switch {
	case r.Digits != "" && r.Unit != "" && r.Unit != "1":
		text += ": " + r.Digits + " " + r.Unit
	case r.Digits != "":
		text += ": " + r.Digits
	default:
		text += ": " + or(r.Text, "no value")
	}
	if r.Limit != "" {
		text += "; limit " + r.Limit
	}
	text += "; " + or(r.Verdict, "not judged")
	if r.Allowed != "" {
		text += "; went on: " + r.Allowed
	}
	return text
}

func (c Correction) text() string {
	text := c.Change + " " + c.Of
	if c.Field != "" || c.Before != "" || c.After != "" {
		text += fmt.Sprintf(", %s from %q to %q", or(c.Field, "value"), c.Before, c.After)
	}
	text += ": " + c.Reason
	if c.Comment != "" {
		text += " (" + c.Comment + ")"
	}
	if c.Ref != "" {
		text += ", investigation " + c.Ref
	}
	return text + ", by " + c.By
}

// oneLine keeps what people wrote from adding a line, or from turning the direction of one: a statement must not look as if it said
// something else.
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n':
			return '↵'
		case !unicode.IsPrint(r):
			return unicode.ReplacementChar
		}
		return r
	}, strings.ToValidUTF8(text, string(unicode.ReplacementChar)))
}

// Hash is the SHA-256 of a statement, in hexadecimal: whoever signs gives it back, so that what was shown is what is signed.
func Hash(statement string) string {
	sum := sha256.Sum256([]byte(statement))
	return hex.EncodeToString(sum[:])
}
