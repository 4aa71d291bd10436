package journal

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"weighpost/gateway/record"
)

// notePrefix begins the names in the table meta under which readers keep a text of their own beside their cursor.
const notePrefix = "note/"

// mostNote is how long such a text may be, in bytes.
const mostNote = 4096

// noted is a text and the entry that came with it, or else the last one when it was noted.
type noted struct {
	text string
	seq  uint64
}

// noteOrder has the journal keep a text; "" forgets it.
type noteOrder struct {
	name string
	noted
}

func (n noted) String() string { return fmt.Sprintf("%d %s", n.seq, n.text) }

// parseNoted reads what String wrote.
func parseNoted(value string) (n noted, ok bool) {
	seq, text, ok := strings.Cut(value, " ")
	at, err := strconv.ParseUint(seq, 10, 64)
	return noted{text, at}, ok && err == nil && text != ""
}

// Remember keeps a text of up to 4096 bytes of UTF-8 under a name of 1 to 128 bytes, in one commit with the bodies: all of it is
// durable when it returns without an error. The empty text forgets it. Errors are those of Append.
func (j *Journal) Remember(ctx context.Context, name, text string, bodies ...record.Body) error {
	if err := checkCursor(name); err != nil {
		return err
	}
	if len(text) > mostNote || !utf8.ValidString(text) {
		return fmt.Errorf("what is to be kept as %s has up to %d bytes of UTF-8, not %d", name, mostNote, len(text))
	}
	_, err := j.ask(ctx, &request{bodies: bodies, note: &noteOrder{name: name, noted: noted{text: text}}})
	return err
}

// Remembered gives what Remember was told: "" where there is nothing. seq is the first of the bodies that came with it; where there
// was none, the last entry of then.
func (j *Journal) Remembered(name string) (text string, seq uint64, err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	n := j.notes[name]
	return n.text, n.seq, nil
}

// note puts an order into the draft, with the entries of its request.
func (d *draft) note(o noteOrder, entries []record.Entry) {
	if o.seq = d.edge.size; len(entries) > 0 {
		o.seq = entries[0].Seq
	}
	d.notes = append(d.notes, o)
}

// writeNotes carries out what a draft has to keep.
func (s *store) writeNotes(notes []noteOrder) error {
	for _, o := range notes {
		var err error
		if o.text == "" {
			err = dropMeta(s.db, notePrefix+o.name)
		} else {
			err = putMeta(s.db, notePrefix+o.name, o.String())
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// keepNotes shows what a commit kept.
func (j *Journal) keepNotes(notes []noteOrder) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, o := range notes {
		if o.text == "" {
			delete(j.notes, o.name)
		} else {
			j.notes[o.name] = o.noted
		}
	}
}

// savedNotes gives what is kept of entries up to size, as it is written.
func savedNotes(notes map[string]noted, size uint64) map[string]string {
	saved := map[string]string{}
	for name, n := range notes {
		if n.seq <= size {
			saved[name] = n.String()
		}
	}
	return saved
}
