package bundle

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// ofRun holds what a run's own entries name against what is there.
func (v *verifier) ofRun() {
	a := &v.found.About
	if a.Of != OfRun {
		return
	}
	if uint64(len(v.own)) != a.Own {
		v.fault("bundle.json says that %d of the entries are the run's own, and %d are.", a.Own, len(v.own))
	}
	v.notShown("That nothing was added to the run after entry %d: a newer bundle, or one of the whole journal, shows that.", a.Last)
	end := v.content.ended
	if end == nil {
		v.notShown("That no entry of the run is missing: it has not ended, and names no others.")
		return
	}
	missing := 0
	for _, ref := range slices.Concat(end.Steps, end.Weighings, end.Unused, []record.EntryRef{end.Begun}) {
		if v.own[ref.Seq] != ref.ID {
			if missing++; missing <= 5 {
				v.fault("The entry %s, which the end of the run names, is missing.", ref.ID)
			}
		}
	}
	if missing == 0 {
		v.shown("Every step and weighing that the end of the run names is there: %d attempts at steps, %d weighings.", len(end.Steps), len(end.Weighings)+len(end.Unused))
	}
}

// files holds the kept files against the entries that name them. That their bytes have the sums in SHA256SUMS is known.
func (v *verifier) files() {
	held := 0
	for _, name := range v.a.names {
		sum, is := strings.CutPrefix(name, keptFolder)
		if !is {
			continue
		}
		held++
		got, err := v.a.sum(v.ctx, name)
		_, named := v.kept.names[sum]
		switch {
		case err != nil || got != sum:
			v.fault("The kept file %s is not the one that its name says (SHA-256 differs).", sum)
		case !named:
			v.fault("No entry names the kept file %s.", sum)
		}
	}
	for _, sum := range v.kept.sorted() {
		if v.a.parts[keptFolder+sum] != nil {
			continue
		}
		if !slices.ContainsFunc(v.found.About.NotHeld, func(s string) bool { return strings.Contains(s, sum) }) {
			v.fault("The kept file %s, which an entry names, is missing.", sum)
		}
	}
	for _, text := range v.found.About.NotHeld {
		v.notShown("%s", text)
	}
	if held > 0 {
		v.shown("The %d kept files are those that entries name.", held)
	}
}

// words makes readme, schemas and report again from the entries, and compares.
func (v *verifier) words() error {
	a := &v.found.About
	if a.Version != v.version {
		v.notShown("That report.html, README.txt and the schemas say what weighpost says: they were made by weighpost %s, and this is %s. What counts is entries.ndjson.",
			a.Version, v.version)
		return nil
	}
	same := true
	differs := func(name string) {
		same = false
		v.fault("%s is not what weighpost %s makes of these entries.", name, a.Version)
	}
	if text, err := v.a.small(readmePart); err != nil || !bytes.Equal(text, readme(a)) {
		differs(readmePart)
	}
	wanted := v.content.schemas()
	for _, name := range v.a.names {
		base, is := strings.CutPrefix(name, schemasFolder)
		if !is {
			continue
		}
		ours, err := schema(base)
		theirs, bad := v.a.small(name)
		if err != nil || bad != nil || !bytes.Equal(ours, theirs) || !slices.Contains(wanted, base) {
			differs(name)
		}
		wanted = slices.DeleteFunc(wanted, func(s string) bool { return s == base })
	}
	for _, name := range wanted {
		v.fault("The schema %s is missing.", name)
	}
	ok, err := v.reportAgain()
	if err != nil {
		return err
	}
	if !ok {
		differs(reportPart)
	}
	if same {
		v.shown("report.html, README.txt and the schemas are what weighpost %s makes of these entries.", a.Version)
	}
	return nil
}

// reportAgain says whether the report is the one that these entries give.
func (v *verifier) reportAgain() (same bool, err error) {
	part, err := v.a.parts[entriesPart].Open()
	if err != nil {
		return false, err
	}
	defer part.Close()
	there, err := v.a.parts[reportPart].Open()
	if err != nil {
		return false, nil
	}
	defer there.Close()
	cmp := &comparing{with: bufio.NewReader(there)}
	err = report(cmp, &v.found.About, &v.content, readEntries(v.ctx, part).next)
	switch {
	case v.ctx.Err() != nil:
		return false, v.ctx.Err()
	case errors.Is(err, errDiffers):
		return false, nil
	case err != nil:
		return false, fmt.Errorf("the report cannot be made of these entries: %w", err)
	}
	_, more := cmp.with.ReadByte()
	return errors.Is(more, io.EOF), nil
}

var errDiffers = errors.New("it differs")

// comparing takes what should be the same as a reader gives.
type comparing struct {
	with *bufio.Reader
	buf  []byte
}

func (c *comparing) Write(b []byte) (int, error) {
	c.buf = slices.Grow(c.buf[:0], len(b))[:len(b)]
	if _, err := io.ReadFull(c.with, c.buf); err != nil || !bytes.Equal(b, c.buf) {
		return 0, errDiffers
	}
	return len(b), nil
}

// earlierHeads holds the checkpoints of a whole journal that were signed before against the tree as it grows.
type earlierHeads struct {
	part  io.ReadCloser
	lines *bufio.Scanner
	tree  growing
	ahead *proof.Checkpoint
	n     int
}

// earlier begins; without such a part it does nothing.
func (v *verifier) earlier() (*earlierHeads, error) {
	h := &earlierHeads{}
	f := v.a.parts[checkpointsPart]
	if f == nil {
		return h, nil
	}
	var err error
	if h.part, err = f.Open(); err != nil {
		return nil, fmt.Errorf("the earlier checkpoints cannot be read: %w", err)
	}
	h.lines = linesOf(h.part)
	return h, h.advance()
}

func (h *earlierHeads) close() {
	if h.part != nil {
		_ = h.part.Close() // it was read
	}
}

func (h *earlierHeads) advance() error {
	before := h.ahead
	if h.ahead = nil; !h.lines.Scan() {
		return h.lines.Err()
	}
	var one struct{ Note string }
	err := json.Unmarshal(h.lines.Bytes(), &one)
	var c proof.Checkpoint
	if err == nil {
		c, err = proof.Peek([]byte(one.Note))
	}
	if err != nil || c.Size == 0 || before != nil && c.Size <= before.Size {
		return fmt.Errorf("line %d of checkpoints.ndjson holds no checkpoint that follows the one before", h.n+1)
	}
	h.ahead = &c
	return nil
}

// leaf takes the next leaf of the tree.
func (h *earlierHeads) leaf(leaf tlog.Hash) error {
	if h.lines == nil {
		return nil
	}
	h.tree.add(leaf)
	if h.ahead == nil || h.ahead.Size != h.tree.size {
		return nil
	}
	if h.ahead.Root != h.tree.root() {
		return fmt.Errorf("the first %d entries are not those of the earlier checkpoint of %d entries (tree hash differs)", h.tree.size, h.tree.size)
	}
	h.n++
	return h.advance()
}

// end says what was found.
func (h *earlierHeads) end(v *verifier) error {
	switch {
	case h.lines == nil:
		return nil
	case h.ahead != nil:
		return fmt.Errorf("checkpoints.ndjson holds a checkpoint of %d entries, which is more than there are", h.ahead.Size)
	}
	v.shown("The %d checkpoints in checkpoints.ndjson are of these entries.", h.n)
	v.notShown("Who signed the earlier checkpoints: hold the one that you kept against them.")
	return nil
}
