package frame

import (
	"fmt"
	"strings"
)

// controls are the names of the control characters of ASCII, as ISO/IEC 646 and ECMA-48 name them.
var controls = [...]string{"NUL", "SOH", "STX", "ETX", "EOT", "ENQ", "ACK", "BEL", "BS", "HT", "LF", "VT", "FF", "CR", "SO", "SI",
	"DLE", "DC1", "DC2", "DC3", "DC4", "NAK", "SYN", "ETB", "CAN", "EM", "SUB", "ESC", "FS", "GS", "RS", "US"}

// Visible writes bytes as text with each control character by its name, <CR>, and each byte beyond ASCII by its number, <b5>.
// A "<" that was sent is written <3c>.
func Visible(p []byte) string {
	var b strings.Builder
	for _, c := range p {
		switch name, control := ControlName(c); {
		case control:
			b.WriteString("<" + name + ">")
		case c == 0x7f:
			b.WriteString("<DEL>")
		case c > 0x7f || c == '<':
			fmt.Fprintf(&b, "<%02x>", c)
		default:
			b.WriteByte(c)
		}
	}
	return b.String()
}

// ControlName is the name of a control character below the blank.
func ControlName(c byte) (name string, control bool) {
	if int(c) < len(controls) {
		return controls[c], true
	}
	return "", false
}
