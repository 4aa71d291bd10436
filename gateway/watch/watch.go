// Package watch is the live view in a terminal: plain lines, one for each thing that happened, so that they can be read, piped
// and searched. It looks on either from a running daemon, by its page's stream ([Daemon]), or straight at a port ([Port]), and
// touches nothing that records.
//
// Everything that it shows may be hostile: a balance, a scan, a daemon behind a tunnel. No control character, no mark that
// turns the direction of writing and no sequence that steers a terminal reaches the output as it is; see [Harmless].
package watch

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"syscall"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/frame"
)

// Kinds of events.
const (
	Reading   = "reading"   // a reading of the continuous stream, which is no record
	Recorded  = "recorded"  // a reading that is in the journal
	Unread    = "unread"    // a frame without a usable value
	Frame     = "frame"     // a frame of a port that is watched without a layout
	Connected = "connected" // the daemon or the port is there
	Away      = "away"      // the daemon or the port is not there
	Condition = "condition" // something is wrong
	Cleared   = "cleared"   // and no longer is
)

// Event is one thing that happened. Its JSON is one line of what `weighpost watch --json` prints; keys may be added.
type Event struct {
	Event   string        `json:"event"`
	UTC     record.UTC    `json:"utc"` // of a reading: its stamp
	Balance string        `json:"balance,omitempty"`
	Value   *record.Value `json:"value,omitempty"`
	ID      string        `json:"id,omitempty"`     // of what was recorded
	Person  string        `json:"person,omitempty"` // with an id, or as a port printed it; absent where none is known
	Sample  string        `json:"sample,omitempty"`
	Why     string        `json:"why,omitempty"`   // of a frame that is unread, of being away
	Bytes   []byte        `json:"frame,omitempty"` // of a port, exactly as received
	About   string        `json:"about,omitempty"` // which daemon or port

	Code     string `json:"code,omitempty"` // of a condition, as are the next
	Subject  string `json:"subject,omitempty"`
	Severity string `json:"severity,omitempty"`
	Sentence string `json:"sentence,omitempty"`
	Remedy   string `json:"remedy,omitempty"`
}

// Style says how events are written.
type Style struct {
	JSON    bool // one object a line
	Hex     bool // the bytes of a frame in hexadecimal
	Control bool // the bytes of a frame as text, with control characters by their names
}

// Printer writes events as lines.
type Printer struct {
	w     io.Writer
	style Style
}

// NewPrinter writes to w, each line in one call.
func NewPrinter(w io.Writer, style Style) *Printer { return &Printer{w, style} }

// ErrGone is returned when nobody reads what is printed any more, which is no failure: `weighpost watch | head` ends so.
var ErrGone = errors.New("nobody reads the output any more")

// Print writes one event.
func (p *Printer) Print(e Event) error {
	line := p.text(e)
	if p.style.JSON {
		var b bytes.Buffer
		enc := json.NewEncoder(&b)
		enc.SetEscapeHTML(false)
		if err := enc.Encode(e); err != nil {
			return err
		}
		line = HarmlessJSON(strings.TrimSuffix(b.String(), "\n"))
	}
	_, err := io.WriteString(p.w, line+"\n")
	if errors.Is(err, syscall.EPIPE) || errors.Is(err, io.ErrClosedPipe) {
		return ErrGone
	}
	return err
}

// text is the line for a person. Parts are two spaces apart.
func (p *Printer) text(e Event) string {
	parts := []string{time.Time(e.UTC).UTC().Format("2006-01-02 15:04:05.000")}
	add := func(format string, given bool, args ...any) {
		if given {
			parts = append(parts, fmt.Sprintf(format, args...))
		}
	}
	add("%s", e.Balance != "", Harmless(e.Balance))
	switch e.Event {
	case Connected:
		add("-- %s", true, Harmless(e.About))
	case Away:
		add("-- away: %s", true, Harmless(e.Why))
	case Condition:
		add("!! %s: %s %s", true, Harmless(e.Severity), Harmless(e.Sentence), Harmless(e.Remedy))
	case Cleared:
		add("-- over: %s %s", true, Harmless(e.Code), Harmless(e.Subject))
	default:
		add("%s", e.Value != nil, valueText(e.Value))
		add("unread: %s", e.Event == Unread, Harmless(e.Why))
		add("recorded %s", e.ID != "", Harmless(e.ID))
		add("sample %s", e.Sample != "", Harmless(e.Sample))
		add("no sample", e.ID != "" && e.Sample == "")
		add("person %s", e.Person != "", Harmless(e.Person))
		add("no person", e.ID != "" && e.Person == "")
		shown := p.bytes(e)
		add("%s", shown != "", shown)
	}
	return strings.Join(parts, "  ")
}

// bytes shows a frame as the style says: without a wish, as text, and not at all beside a value.
func (p *Printer) bytes(e Event) string {
	switch {
	case p.style.Hex && p.style.Control:
		return Hex(e.Bytes) + "  " + frame.Visible(e.Bytes)
	case p.style.Hex:
		return Hex(e.Bytes)
	case p.style.Control:
		return frame.Visible(e.Bytes)
	case e.Value != nil:
		return ""
	}
	return Harmless(strings.TrimRight(string(e.Bytes), "\r\n"))
}

// valueText writes a value as the balance's display would, and what is known beside it.
func valueText(v *record.Value) string {
	if v == nil {
		return ""
	}
	var parts []string
	digits := v.Digits
	if digits == "" {
		digits = v.Range + " range"
	}
	parts = append(parts, strings.TrimSpace(Harmless(digits)+" "+Harmless(v.UnitShown())))
	for _, word := range []string{v.Kind, v.Stability} {
		if word != "" && word != "unknown" {
			parts = append(parts, Harmless(word))
		}
	}
	return strings.Join(parts, "  ")
}
