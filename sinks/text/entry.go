package text

import (
	"bytes"
	"errors"
	"fmt"
	"unicode/utf16"
	"unicode/utf8"

	"weighpost/gateway/record"
	"weighpost/sinks/format"
)

// Entry gives the bytes for one entry in a format, with end in place of the line ends that the format's last line has. An error
// says that it can never be sent.
func (c *Coding) Entry(name string, f format.Format, e record.Entry, end string) ([]byte, error) {
	if name == format.NameJSON || name == format.NameNDJSON {
		e.JSON = escaped(e.JSON)
	} else {
		clean, err := c.Clean(e)
		if err != nil {
			return nil, err
		}
		e = clean
	}
	body, err := bodyOf(f, e)
	if err != nil {
		return nil, err
	}
	if Own(name) {
		return body, nil
	}
	body = bytes.TrimRight(body, "\r\n")
	return c.Encode(append(append(make([]byte, 0, len(body)+len(end)), body...), end...))
}

// escaped writes the characters of JSON that may be commands as \u and four digits, as JSON itself has to do with those below a blank
// (RFC 8259, section 7): a reader of JSON gets the same. DEL and the C1 controls (ECMA-48, 5.3), such as CSI, may stand there raw.
func escaped(raw []byte) []byte {
	risky := func(r rune) bool { return r >= 0x7f && Commands(r) }
	if plain(raw) || !bytes.ContainsFunc(raw, risky) {
		return raw
	}
	var out []byte
	for _, r := range string(raw) {
		switch {
		case !risky(r):
			out = utf8.AppendRune(out, r)
		case r > 0xffff:
			high, low := utf16.EncodeRune(r)
			out = fmt.Appendf(out, `\u%04x\u%04x`, high, low)
		default:
			out = fmt.Appendf(out, `\u%04x`, r)
		}
	}
	return out
}

// plain says whether there are only characters of ASCII, without DEL.
func plain(raw []byte) bool {
	for _, c := range raw {
		if c >= 0x7f {
			return false
		}
	}
	return true
}

// Own says whether a format gives the very bytes of a line, its end and its code page included.
func Own(name string) bool { return name == format.NameLine }

// bodyOf is what the format gives for one entry: of a format of rows, the row without a head.
func bodyOf(f format.Format, e record.Entry) (body []byte, err error) {
	if rows, ok := f.(format.Rows); ok {
		body, err = rows.AppendRow(nil, e)
	} else {
		var p format.Payload
		p, err = f.Entry(e)
		body = p.Body
	}
	if err == nil && len(body) == 0 {
		err = errors.New("the format makes nothing of it")
	}
	return body, err
}
