package screens

import (
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/rights"
	"weighpost/parsers/layout"
)

// shownFrame is a frame of a balance with the pieces that its layout sees in it.
type shownFrame struct {
	Pieces []shownPiece
	Why    string // why it is no reading
}

type shownPiece struct {
	Name, Text string
}

// mostSamples is how many frames are shown over a layout.
const mostSamples = 8

// layout shows how the balance's lines are read, and has the form to change that.
func (p *settingsScreens) layout(w http.ResponseWriter, r *http.Request) {
	const missing = "There is no such balance"
	f, ok := p.itemForm(w, r, "balances", missing)
	if !ok {
		return
	}
	form, text, ok := p.deps.Settings.LayoutInForce(f.ID)
	if !ok {
		p.sorry(w, r, http.StatusNotFound, missing, "The settings have none of this id.")
		return
	}
	f.Prefix, f.Held, f.Item, f.Text = "layout.", form, f.Held, text
	f.Root = former{escaped: true}.groupOf(p.layoutSchema(), form, "")
	f.Intro = "How the lines of this balance are read. Each piece of a line stands in braces, with its width where it has one: {weight 10} {unit}."
	frames := p.frames(r, f.ID)
	if l, err := layout.Parse("the layout", []byte(text)); err == nil {
		for _, b := range frames {
			f.Lines = append(f.Lines, showFrame(ReadFrame(l, b)))
		}
	}
	for _, b := range frames {
		f.Samples = append(f.Samples, base64.StdEncoding.EncodeToString(b))
	}
	p.show(w, r, page{Template: "settings-form.html", Title: "Layout of balance " + f.ID, Place: "/settings", Scripts: []string{"settings.js"}, Data: f})
}

// frames are the newest different frames of a balance: those that were recorded and those that could not be read.
func (p *settingsScreens) frames(r *http.Request, id string) (list [][]byte) {
	seen := map[string]bool{}
	add := func(b []byte) {
		if len(b) > 0 && len(b) <= 4096 && !seen[string(b)] && len(list) < mostSamples {
			seen[string(b)] = true
			list = append(list, b)
		}
	}
	if p.deps.Source != nil {
		for _, b := range p.deps.Source.Balances() {
			if b.ID == id && b.LastUnread != nil {
				add(b.LastUnread.Frame)
			}
		}
	}
	if p.deps.Entries == nil || rights.From(r.Context()).May(rights.ReadJournal) != nil {
		return list
	}
	page, err := p.deps.Entries.ListEntries(r.Context(), url.Values{"kind": {"weighing", "result", "unread"}, "balance": {id}, "sort": {"-seq"}, "limit": {"20"}})
	if err != nil {
		return list
	}
	for _, e := range page.Entries {
		var one struct {
			Frame []byte `json:"frame"`
		}
		if json.Unmarshal(e, &one) == nil {
			add(one.Frame)
		}
	}
	return list
}

// showFrame cuts a frame where its pieces begin and end. Every byte of it is shown.
func showFrame(read console.FrameRead) (s shownFrame) {
	s.Why = capital(read.Why)
	pieces := slices.Clone(read.Pieces)
	slices.SortFunc(pieces, func(a, b console.FramePiece) int { return a.From - b.From })
	at := 0
	put := func(name string, b []byte) {
		if len(b) > 0 {
			s.Pieces = append(s.Pieces, shownPiece{name, visible(b)})
		}
	}
	for _, piece := range pieces {
		if piece.From < at || piece.To > len(read.Frame) {
			continue
		}
		put("", read.Frame[at:piece.From])
		put(piece.Name, read.Frame[piece.From:piece.To])
		at = piece.To
	}
	put("", read.Frame[at:])
	return s
}

// controls are the names of control characters (ECMA-48, 5th edition, table 1 and section 8.3; ISO/IEC 646).
var controls = strings.Fields("NUL SOH STX ETX EOT ENQ ACK BEL BS HT LF VT FF CR SO SI DLE DC1 DC2 DC3 DC4 NAK SYN ETB CAN EM SUB ESC FS GS RS US")

// visible writes bytes so that each can be seen: control characters by their name, what is beyond ASCII by its number.
func visible(b []byte) string {
	var s strings.Builder
	for _, c := range b {
		switch {
		case c < 0x20:
			s.WriteString("<" + controls[c] + ">")
		case c >= 0x7f:
			s.WriteString("<" + strings.ToUpper(hex.EncodeToString([]byte{c})) + ">")
		default:
			s.WriteByte(c)
		}
	}
	return s.String()
}
