// Package text makes what a format gives fit for machines that take plain text and nothing else: programs that read a line,
// printers that print what they are sent. Such a machine has a code page, and takes control characters for commands.
//
// Two things are kept to. A control character of an id, a name or any other text of an entry never arrives: before a format
// sees the entry, they are refused or replaced; those that remain are the format's own. And a character that the code page does
// not have is refused or replaced by a question mark, never left out.
package text

import (
	"bytes"
	"encoding/json"
	"fmt"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// What happens to characters that cannot arrive.
const (
	Refuse  = "refuse"
	Replace = "replace"
)

// UTF8 is the encoding that has every character.
const UTF8 = "utf-8"

// replacement stands for a character that cannot arrive. Every code page has it.
const replacement = '?'

// Coding is the part of a configuration that says which characters the other side takes.
type Coding struct {
	Encoding string `yaml:"encoding" desc:"The code page of what is sent. Not where the format is a layout: that has its own." enum:"utf-8,ascii,latin-1,windows-1252,cp437,cp850" default:"utf-8"`
	Unknown  string `yaml:"unknown" desc:"What becomes of characters that the code page does not have, and of control characters in ids and names: refuse parks the entry, replace sends a question mark in their place." enum:"refuse,replace" default:"refuse"`
}

// DefaultCoding is what applies where the file says nothing.
func DefaultCoding() Coding { return Coding{Encoding: UTF8, Unknown: Refuse} }

// pages are the code pages; nil stands for those that are computed.
var pages = map[string]*charmap.Charmap{UTF8: nil, "ascii": nil, "latin-1": charmap.ISO8859_1, "windows-1252": charmap.Windows1252,
	"cp437": charmap.CodePage437, "cp850": charmap.CodePage850}

// CheckCoding adds every fault to r, which stands where the keys do.
func (c *Coding) CheckCoding(r *strict.Report) {
	if _, known := pages[c.Encoding]; !known {
		r.At("encoding").Fault(fmt.Sprintf("%.40q is no code page that is known here", c.Encoding), "utf-8, ascii, latin-1, windows-1252, cp437 or cp850")
	}
	if c.Unknown != Refuse && c.Unknown != Replace {
		r.At("unknown").Fault(fmt.Sprintf("%.40q says not what becomes of such characters", c.Unknown), "refuse or replace")
	}
}

// Encode writes text in the code page. The error names a character that it does not have, unless those are replaced.
func (c *Coding) Encode(text []byte) ([]byte, error) {
	page := pages[c.Encoding]
	if c.Encoding == UTF8 {
		if !utf8.Valid(text) {
			return nil, fmt.Errorf("what was to be sent is no UTF-8")
		}
		return text, nil
	}
	out := make([]byte, 0, len(text))
	for _, r := range string(text) {
		b, has := byte(r), r < 0x80
		if !has && page != nil {
			b, has = page.EncodeRune(r)
			has = has && b >= 0x80 // the pictures that old computers have in place of control characters stay what they are: not sent
		}
		switch {
		case has:
			out = append(out, b)
		case c.Unknown == Replace:
			out = append(out, replacement)
		default:
			return nil, fmt.Errorf("%s is no character of the code page %s", show(r), c.Encoding)
		}
	}
	return out, nil
}

// Clean gives the entry without characters that would be commands to a machine or cannot be seen: control characters, line
// ends among them, and those that only change how text runs. They are replaced, or the error names one.
func (c *Coding) Clean(e record.Entry) (record.Entry, error) {
	var out []byte
	rest := []byte(e.JSON)
	for {
		begin := bytes.IndexByte(rest, '"')
		if begin < 0 {
			break
		}
		end := closing(rest, begin)
		if end < 0 {
			return e, fmt.Errorf("entry %s cannot be read: it ends within a text", e.ID)
		}
		clean, err := c.cleanString(rest[begin : end+1])
		if err != nil {
			return e, err
		}
		out = append(append(out, rest[:begin]...), clean...)
		rest = rest[end+1:]
	}
	e.JSON = append(out, rest...)
	return e, nil
}

// closing is where the string ends that begins at a quote, or -1.
func closing(b []byte, begin int) int {
	for i := begin + 1; i < len(b); i++ {
		switch b[i] {
		case '\\':
			i++
		case '"':
			return i
		}
	}
	return -1
}

// cleanString cleans one string of JSON (RFC 8259, section 7), quotes included.
func (c *Coding) cleanString(quoted []byte) ([]byte, error) {
	if !bytes.ContainsFunc(quoted, func(r rune) bool { return r == '\\' || r >= 0x7f }) {
		return quoted, nil
	}
	var text string
	if err := json.Unmarshal(quoted, &text); err != nil {
		return nil, fmt.Errorf("a text of the entry cannot be read: %w", err)
	}
	changed := false
	clean := make([]rune, 0, len(text))
	for _, r := range text {
		if Commands(r) {
			if c.Unknown != Replace {
				return nil, fmt.Errorf("a text of the entry holds %s, which a machine would take for a command or nobody could see", show(r))
			}
			r, changed = replacement, true
		}
		clean = append(clean, r)
	}
	if !changed {
		return quoted, nil
	}
	return json.Marshal(string(clean))
}

// Commands says whether a character may mean something to a machine, or to how text runs, and shows nothing by itself.
func Commands(r rune) bool {
	return unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Co, unicode.Cs)
}

func show(r rune) string {
	if unicode.IsPrint(r) {
		return fmt.Sprintf("“%c” (U+%04X)", r, r)
	}
	return fmt.Sprintf("U+%04X", r)
}
