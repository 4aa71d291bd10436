package strict

import (
	"errors"
	"strings"

	"github.com/goccy/go-yaml"
)

// complaints puts what the parser says of text that is no YAML into sentences that say what to do.
var complaints = []struct{ theirs, ours string }{
	{"found character '\t'", "a tab stands where only spaces can: indent with spaces"},
	{"tab character cannot", "a tab stands where only spaces can: indent with spaces"},
	{"could not find end character of", "the quotes that open here are never closed"},
	{"sequence end token ']'", "the [ that opens a list here is never closed"},
	{"',' or ']' must", "in a list in [ ] a comma is missing, or the ] at its end"},
	{"could not find flow map", "the { that opens a mapping here is never closed"},
	{"',' or '}' must", "in a mapping in { } a comma is missing, or the } at its end"},
	{"could not find '['", "this ] closes nothing"},
	{"could not find '{'", "this } closes nothing"},
	{"expected sequence element", "an item is missing before this comma"},
	{"block sequence entries are not allowed", "a list cannot begin here: put its first dash in a line of its own"},
	{"mapping value is not allowed", "a second key cannot stand in this line: begin a new line, or put a text that holds \": \" in quotes"},
	{"value is not allowed in this context", "this fits nowhere: look at the indentation of this line and of the one before, for a missing colon, and for a text with { } that is not in quotes"},
	{"unexpected key name", "a key without a colon and a space after it, or a line that is indented wrongly"},
	{"non-map value is specified", "a key without a colon and a space after it"},
	{"unexpected scalar value", "a colon is missing, or quotes around a text that holds one of its own"},
	{"could not find multi-line content", "the block of text that begins here is empty or not indented"},
	{"map key definition includes", "a key goes on in the next line: write key and colon in one"},
	{"found unexpected document separator", "quotes are still open where a document mark (---) stands"},
}

// syntax puts the parser's complaint into our form.
func syntax(name string, err error) Fault {
	f := Fault{File: name, Line: 1, Column: 1}
	theirs := err.Error()
	var e yaml.Error
	if errors.As(err, &e) {
		f.Line, f.Column = place(e.GetToken())
		theirs = e.GetMessage()
		if tk := e.GetToken(); tk != nil && strings.HasPrefix(theirs, "mapping value is not") && strings.Contains(strings.TrimSpace(tk.Origin), "\n") {
			f.What = "this text and the next line run together: look at the next line's indentation and at the colons of both"
			return f
		}
	}
	for _, c := range complaints {
		if strings.HasPrefix(theirs, c.theirs) {
			f.What = c.ours
			return f
		}
	}
	f.What = "is not well-formed YAML: " + firstLine(theirs)
	return f
}

func firstLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	return strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7F {
			return ' '
		}
		return r
	}, s)
}
