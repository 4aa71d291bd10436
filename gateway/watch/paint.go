package watch

import (
	"fmt"
	"strings"

	"github.com/charmbracelet/x/ansi"

	"weighpost/gateway/record"
)

// Marks of a line: shown where the terminal may, and never the only thing that tells something.
const (
	bold    = "\x1b[1m"
	reverse = "\x1b[7m"
	plain   = "\x1b[0m"
)

// row is one line of the screen: text that is harmless, and a mark.
type row struct{ text, mark string }

// ours are the characters of this screen that are not ASCII, and what stands for them where they cannot be shown. They are
// replaced before a text is cut to its width.
var ours = strings.NewReplacer("·", "-", "±", "+/-", "…", "~", "–", "-", "─", "-", "“", `"`, "”", `"`, "„", `"`, "’", "'", "µ", "u", "μ", "u", "°", "deg")

// safe makes text of others harmless, and ASCII where the terminal shows nothing else.
func (m *model) safe(s string) string { return m.shown(Harmless(s)) }

// shown writes harmless text as the terminal can show it.
func (m *model) shown(s string) string {
	if !m.ascii {
		return s
	}
	s = ours.Replace(s)
	var b strings.Builder
	for _, r := range s {
		switch {
		case r < 0x80:
			b.WriteRune(r)
		case r < 0x10000:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			fmt.Fprintf(&b, `\U%08x`, r)
		}
	}
	return b.String()
}

// fit cuts or fills text to a width in columns.
func (m *model) fit(s string, width int) string {
	s = m.cut(s, width)
	return s + strings.Repeat(" ", max(0, width-ansi.StringWidth(s)))
}

func (m *model) cut(s string, width int) string {
	if width <= 0 {
		return ""
	}
	return ansi.Truncate(s, width, m.shown("…"))
}

// wrap breaks a sentence into lines of a width, also within a word that is longer.
func (m *model) wrap(s string, width int) []string {
	if width <= 0 {
		return nil
	}
	return strings.Split(ansi.Wrap(s, width, ""), "\n")
}

// paint cuts rows to the screen and adds their marks.
func (m *model) paint(rows []row) []string {
	rows = rows[:min(len(rows), max(m.height, 0))]
	list := make([]string, 0, len(rows))
	for _, r := range rows {
		text := m.cut(r.text, m.width)
		if r.mark != "" && !m.plain && text != "" {
			text = r.mark + m.fit(text, m.width) + plain
		}
		list = append(list, text)
	}
	return list
}

// stands says in one word how a reading is.
func stands(v *record.Value) string {
	switch {
	case v == nil:
		return "unread"
	case v.Range != "" && v.Range != "in":
		return v.Range + " range"
	case v.Stability == "stable":
		return "settled"
	case v.Stability == "unstable":
		return "moving"
	}
	return ""
}

// weight writes digits and unit as the balance prints them.
func (m *model) weight(v *record.Value) string {
	if v == nil || v.Digits == "" {
		return "-"
	}
	return m.safe(v.Shown())
}
