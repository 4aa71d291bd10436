package screens

import (
	"html/template"
	"strings"

	"golang.org/x/text/unicode/bidi"
)

// isolated is seen for templates: what is written from right to left stands in a bdi of its own, so that it does not take along the
// digits and signs beside it. Without that a browser shows "LOT 1: 12.5" with letters of Hebrew for the lot as "LOT 12.5 :1", by the
// rules for numbers after such letters (UAX 9, W2 and N0 to N2). Text without such letters stays a string, and is escaped as any.
func isolated(text string) any {
	text = seen(text)
	var b strings.Builder
	done, from, to := 0, -1, 0 // written up to here; the run in hand, up to behind its last letter
	end := func() {
		if from >= 0 {
			b.WriteString(template.HTMLEscapeString(text[done:from]) + "<bdi>" + template.HTMLEscapeString(text[from:to]) + "</bdi>")
			done, from = to, -1
		}
	}
	for i := 0; i < len(text); {
		p, n := bidi.LookupString(text[i:])
		n = max(n, 1)
		switch p.Class() {
		case bidi.R, bidi.AL:
			if from < 0 {
				from = i
			}
			to = i + n
		case bidi.NSM: // a mark belongs to the letter before it
			if from >= 0 && to == i {
				to = i + n
			}
		case bidi.WS:
		default:
			end()
		}
		i += n
	}
	if end(); b.Len() == 0 {
		return text
	}
	return template.HTML(b.String() + template.HTMLEscapeString(text[done:]))
}
