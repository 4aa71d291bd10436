package strict

import (
	"fmt"
	"strings"
	"unicode"
)

// Quote writes a text in double quotes, as Load reads it again, with control characters and what cannot be seen as escapes
// (YAML 1.2.2, section 5.7).
func Quote(s string) string {
	var out strings.Builder
	out.WriteByte('"')
	for _, c := range s {
		switch {
		case c == '"' || c == '\\':
			out.WriteByte('\\')
			out.WriteRune(c)
		case c == '\r':
			out.WriteString(`\r`)
		case c == '\n':
			out.WriteString(`\n`)
		case c == '\t':
			out.WriteString(`\t`)
		case c < ' ' || c == 0x7F:
			fmt.Fprintf(&out, `\x%02x`, c)
		case !unicode.IsPrint(c) && c < 0x10000:
			fmt.Fprintf(&out, `\u%04x`, c)
		default:
			out.WriteRune(c)
		}
	}
	out.WriteByte('"')
	return out.String()
}

// spelt are the names that people write for control characters, which a file takes for their letters.
var spelt = map[string]string{
	"CR": `"\r"`, "LF": `"\n"`, "CRLF": `"\r\n"`, "CR LF": `"\r\n"`, "CR+LF": `"\r\n"`, "NUL": `"\0"`, "SOH": `"\x01"`, "STX": `"\x02"`,
	"ETX": `"\x03"`, "EOT": `"\x04"`, "ENQ": `"\x05"`, "ACK": `"\x06"`, "TAB": `"\t"`, "FF": `"\f"`, "ETB": `"\x17"`, "ESC": `"\x1b"`, "RS": `"\x1e"`,
}

// Spelt says whether a text is the name of a control character, and how that is written in a file.
func Spelt(name string) (written string, known bool) {
	written, known = spelt[name]
	return written, known
}

// LostEscape finds an escape that single quotes, or none, have left as a backslash and a letter, and gives the letter.
func LostEscape(text string) (letter byte, found bool) {
	for i := range len(text) - 1 {
		if text[i] == '\\' && strings.IndexByte("rnt0x", text[i+1]) >= 0 {
			return text[i+1], true
		}
	}
	return 0, false
}
