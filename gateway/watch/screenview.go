package watch

import (
	"fmt"
	"slices"
	"strings"

	"github.com/charmbracelet/x/ansi"

	"weighpost/parsers/frame"
)

// lines draws the screen, with no line longer and not more of them than there is room for.
func (m *model) lines() []string {
	rows := m.head()
	keys := row{m.shown(m.keys()), reverse}
	room := m.height - len(rows) - 1
	if room < 1 { // too small for more than what counts most
		return m.paint(rows)
	}
	var body []row
	switch m.show {
	case showOne:
		body = m.large(room)
	case showTrouble:
		body = m.trouble(room)
	default:
		body = m.all(room)
	}
	for len(body) < room {
		body = append(body, row{})
	}
	return m.paint(append(append(rows, body[:room]...), keys))
}

func (m *model) keys() string {
	switch m.show {
	case showOne:
		return " q quit   Esc all balances   Up/Down another   w what is wrong"
	case showTrouble:
		return " q quit   Esc all balances   Up/Down more"
	}
	return " q quit   Up/Down mark   Enter show one with its bytes   w what is wrong"
}

// head says which lab it is, whether it records, and how clock and deliveries are.
func (m *model) head() []row {
	switch {
	case m.away != "":
		rows := []row{{"NOT CONNECTED  " + m.safe(m.away), reverse}}
		if m.height >= 8 {
			rows = m.sentence("NOT CONNECTED  ", m.away, reverse)
			rows = rows[:min(len(rows), 3)]
		}
		if m.state != nil {
			rows = append(rows, row{m.shown("What is shown is from " + stamp(m.state.At) + " UTC, and may be wrong by now."), bold})
		}
		return rows
	case m.state == nil:
		return []row{{m.shown("Connecting to ") + m.safe(m.url) + m.shown(" …"), ""}}
	}
	s := m.state
	first, after := row{"recording  ", bold}, ""
	if !s.Recording {
		first, after = row{"NOT RECORDING  ", reverse}, "  Copy weights by hand until this is gone."
	}
	first.text += m.safe(s.Site) + "  " + stamp(s.At) + " UTC"
	if n := len(s.Conditions); n > 0 {
		first.text += fmt.Sprintf("  %d wrong", n)
	}
	first.text += after
	if m.height < 8 {
		return []row{first}
	}
	return []row{first, {m.shown(m.clock()+"  ") + m.deliveries(), ""}}
}

func (m *model) clock() string {
	c := m.state.Clock
	text := "clock " + Harmless(c.State)
	if c.Bound != nil {
		text += fmt.Sprintf(" ±%.3g ms", *c.Bound*1000)
	}
	return text
}

// deliveries says what each destination lacks, those with trouble first.
func (m *model) deliveries() string {
	if len(m.state.Sinks) == 0 {
		return "nothing is delivered anywhere"
	}
	list := slices.Clone(m.state.Sinks)
	slices.SortStableFunc(list, func(a, b sinkState) int { return rank(a) - rank(b) })
	var parts []string
	for _, s := range list {
		text := m.safe(s.ID) + " " + m.safe(s.State)
		if s.Lag > 0 {
			text += fmt.Sprintf(", %d to go", s.Lag)
		}
		if s.Parked > 0 {
			text += fmt.Sprintf(", %d parked", s.Parked)
		}
		parts = append(parts, text)
	}
	return "deliveries: " + strings.Join(parts, "; ")
}

func rank(s sinkState) int {
	switch {
	case s.State == "stopped":
		return 0
	case s.Parked > 0 || s.State != "working":
		return 1
	}
	return 2
}

// columns are the widths of the overview, by that of the screen; 0: it has no such column.
type columns struct{ id, place, value, word, last, tied int }

func (m *model) columns() columns {
	c := columns{id: min(14, max(4, m.width/5)), value: 16, word: 11}
	switch {
	case m.width >= 130:
		c = columns{id: 20, place: 22, value: 18, word: 12, last: 34}
		c.tied = m.width - 8 - c.id - c.place - c.value - c.word - c.last
		return c
	case m.width >= 72:
		c = columns{id: 10, place: 12, value: 13, word: 10}
	}
	c.last = max(0, m.width-6-c.id-c.place-c.value-c.word)
	return c
}

// line sets the cells of one balance side by side.
func (m *model) line(mark string, c columns, id, place, value, word, last, tied string) string {
	text := mark + m.fit(id, c.id) + " "
	if c.place > 0 {
		text += m.fit(place, c.place) + " "
	}
	text += m.right(value, c.value) + " " + m.fit(word, c.word) + " " + m.fit(last, c.last)
	if c.tied > 0 {
		text += "  " + m.cut(tied, c.tied)
	}
	return text
}

// all shows every balance, and below them what is wrong.
func (m *model) all(room int) []row {
	if m.state == nil {
		return nil
	}
	if len(m.state.Balances) == 0 {
		return []row{{}, {m.shown("No balance is configured. Add one: weighpost add balance"), ""}}
	}
	wrong := m.wrongBelow(room)
	room -= len(wrong)
	c := m.columns()
	var rows []row
	list := m.state.Balances
	if room >= 4 {
		rows, room = append(rows, row{m.line("  ", c, "Balance", "Place", "Shows", "", "Last recorded", "Next weighing"), bold}), room-1
	}
	more := len(list) > room
	if more && room > 1 {
		room--
	}
	from := max(0, min(m.at-room/2, len(list)-room))
	for i, b := range list[from:min(len(list), from+max(room, 1))] {
		mark, style := "  ", ""
		if from+i == m.at {
			mark, style = "> ", bold
		}
		text := m.line(mark, c, m.safe(b.ID), m.safe(b.Place), m.now(b), m.word(b), m.last(b), m.tied(b))
		rows = append(rows, row{text, style})
	}
	if more && room > 1 {
		rows = append(rows, row{m.shown(fmt.Sprintf("  %d–%d of %d balances", from+1, min(len(list), from+room), len(list))), ""})
	}
	return append(rows, wrong...)
}

// right puts text at the right end of a width, as digits are.
func (m *model) right(s string, width int) string {
	s = m.cut(s, width)
	return strings.Repeat(" ", max(0, width-ansi.StringWidth(s))) + s
}

// now is what a balance shows.
func (m *model) now(b balanceState) string {
	e, ok := m.values[b.ID]
	if !ok || !b.PortUp {
		return "-"
	}
	return m.weight(e.Value)
}

func (m *model) word(b balanceState) string {
	e, ok := m.values[b.ID]
	switch {
	case !b.PortUp:
		return "port down"
	case !ok:
		return "silent"
	}
	return m.safe(stands(e.Value))
}

// last is what was recorded last, for whom.
func (m *model) last(b balanceState) string {
	if b.Last == nil {
		return "nothing yet"
	}
	text := stamp(b.Last.UTC) + " " + m.weight(&b.Last.Value)
	if b.Last.Sample != "" {
		return text + " " + m.safe(b.Last.Sample)
	}
	return text
}

// wrongBelow is what is wrong in the lower part of the overview: a third of it, or what balances leave free.
func (m *model) wrongBelow(room int) []row {
	if len(m.state.Conditions) == 0 || room < 10 {
		return nil
	}
	rows := []row{{m.rule("What is wrong"), ""}}
	most := max(2, room/3, room-len(m.state.Balances)-2)
	all := m.troubles()
	rows = append(rows, all[:min(len(all), most)]...)
	if len(all) > most {
		rows[len(rows)-1] = row{m.shown(fmt.Sprintf("  … %d in all: press w", len(m.state.Conditions))), ""}
	}
	return rows
}

func (m *model) rule(title string) string {
	return m.cut(m.shown(title+" "+strings.Repeat("─", max(0, m.width-len(title)-1))), m.width)
}

// troubles is what is wrong, each with what to do.
func (m *model) troubles() (rows []row) {
	for _, c := range m.state.Conditions {
		rows = append(rows, m.sentence("!! ", c.Severity+": "+c.Sentence, bold)...)
		rows = append(rows, m.sentence("   ", c.Remedy, "")...)
	}
	return rows
}

// sentence is a text over as many rows as it needs, set in after the first.
func (m *model) sentence(before, text, mark string) (rows []row) {
	for _, line := range m.wrap(m.safe(text), m.width-len(before)) {
		rows = append(rows, row{before + line, mark})
		before = strings.Repeat(" ", len(before))
	}
	return rows
}

// trouble is all that is wrong.
func (m *model) trouble(room int) []row {
	if m.state == nil {
		return nil
	}
	if len(m.state.Conditions) == 0 {
		return []row{{"Nothing is wrong.", bold}}
	}
	rows := append([]row{{m.rule("What is wrong, and what to do"), ""}}, m.troubles()...)
	m.scroll = min(m.scroll, max(0, len(rows)-room))
	return rows[m.scroll:min(len(rows), m.scroll+room)]
}

// large shows one balance: what it shows, what was recorded, what it is tied to, what is wrong with it, and its bytes.
func (m *model) large(room int) []row {
	b := m.balance(m.one)
	if b == nil {
		return nil
	}
	place := m.safe(b.Place)
	if place != "" {
		place = "  " + place
	}
	rows := []row{{m.safe(b.ID) + place + "  " + m.safe(b.Port), bold},
		{"  " + m.now(*b) + "   " + m.word(*b), reverse},
		{"  last recorded: " + m.last(*b) + m.lastID(*b), ""},
		{"  next weighing: " + m.tied(*b), ""}}
	if e := m.values[b.ID]; e.Event == Unread && b.PortUp {
		rows = append(rows, m.sentence("  unread: ", e.Why, "")...)
	}
	for _, c := range m.state.Conditions {
		if c.Subject == b.ID {
			rows = append(rows, m.sentence("!! ", c.Severity+": "+c.Sentence, bold)...)
			rows = append(rows, m.sentence("   ", c.Remedy, "")...)
		}
	}
	rows = rows[:min(len(rows), room)]
	return append(rows, m.bytesBelow(room-len(rows))...)
}

func (m *model) lastID(b balanceState) string {
	if b.Last == nil {
		return ""
	}
	return "  " + m.safe(b.Last.ID)
}

// tied is what the next weighing will say beside the weight.
func (m *model) tied(b balanceState) string {
	var parts []string
	for _, c := range b.Context {
		text := m.safe(c.Name) + " " + m.safe(c.ID)
		if c.Person != "" {
			text += " (" + m.safe(c.Person) + ")"
		}
		parts = append(parts, text)
	}
	if len(parts) == 0 {
		return "nobody and no sample"
	}
	return strings.Join(parts, ", ")
}

// bytesBelow shows the frames that came, the newest last: each as text with control characters by their names, and as hex.
func (m *model) bytesBelow(room int) []row {
	if room < 3 {
		return nil
	}
	rows := []row{{m.rule("Bytes as they come, the newest last"), ""}}
	if len(m.frames) == 0 {
		return append(rows, row{"  none since this is shown", ""})
	}
	var lines []row
	for _, f := range slices.Backward(m.frames) {
		if len(lines) >= room-1 {
			break
		}
		text := "  " + stamp(f.UTC) + "  " + m.shown(frame.Visible(f.Bytes))
		hex := Hex(f.Bytes)
		if half := m.width / 2; m.width >= 120 && ansi.StringWidth(text) < half { // side by side
			lines = append(lines, row{m.fit(text, half) + " " + hex, ""})
			continue
		}
		lines = append(lines, row{"            " + hex, ""}, row{text, ""})
	}
	slices.Reverse(lines)
	return append(rows, lines[max(0, len(lines)-(room-1)):]...)
}
