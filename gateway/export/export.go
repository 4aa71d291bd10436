package export

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/index"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// About is what an export says of the journal that it is from.
type About struct {
	Where       string // for sentences: "the journal in DIR"
	Site        string
	Origin      string
	Incarnation string
	Head        uint64 // entries to look at
	Checkpoint  []byte // the newest signed note up to Head; nil: none
	Roots       []Root // of the tree at sizes up to Head, as they were noted before
}

// Root is the tree's hash at a size, with where that was noted.
type Root struct {
	Size uint64
	Hash tlog.Hash
	Says string // "its checkpoint"
}

// Source gives the entries of one journal.
type Source interface {
	About() About
	// Each calls each for the entries 1 to Head in order, until it returns an error, which Each returns.
	Each(ctx context.Context, each func(record.Entry) error) error
}

// Request says what to export, and how.
type Request struct {
	Format      Format
	Spreadsheet bool // CSV for spreadsheets: a mark of the encoding in front, and no text that would run as a formula
	Filter      index.Filter
	Made        time.Time
	Version     string
	Key         note.Verifier // the newest checkpoint has to be signed with it; nil: whoever signed it
	// Progress may be nil. It is told how far the work is, out of total.
	Progress func(done, total uint64)
}

// Write writes an export to w, and gives its manifest once all of it is written. It reads the journal twice: first to count,
// to collect what corrects stamps and to hold the tree against its checkpoint; nothing is written before that was right.
// After an error what was written is not whole.
func Write(ctx context.Context, w io.Writer, src Source, r Request) (Manifest, error) {
	if _, err := ParseFormat(string(r.Format)); err != nil {
		return Manifest{}, err
	}
	if r.Spreadsheet && r.Format != CSV {
		return Manifest{}, fmt.Errorf("spreadsheet goes with the format csv only, not with %s", r.Format)
	}
	x := run{src: src, about: src.About(), r: r}
	x.m = Manifest{
		Schema: ManifestSchema, Format: r.Format, Spreadsheet: r.Spreadsheet, Filter: r.Filter.String(), Query: Query(&r.Filter),
		Site: x.about.Site, Origin: x.about.Origin, Incarnation: x.about.Incarnation, Head: x.about.Head,
		Checkpoint: string(x.about.Checkpoint), Key: strings.Join(proof.SignedBy(x.about.Checkpoint), ", "),
		Made: record.UTC(r.Made.UTC().Truncate(time.Microsecond)), Version: r.Version,
	}
	if err := x.signed(); err != nil {
		return Manifest{}, err
	}
	if err := x.count(ctx); err != nil {
		return Manifest{}, err
	}
	return x.write(ctx, w)
}

// signed takes what the newest checkpoint says.
func (x *run) signed() error {
	if len(x.about.Checkpoint) == 0 {
		if x.r.Key != nil {
			return fmt.Errorf("%s has no checkpoint yet that the key could have signed", x.about.Where)
		}
		return nil
	}
	if x.r.Key != nil {
		if _, err := proof.Open(x.about.Checkpoint, x.r.Key); err != nil {
			return fmt.Errorf("the newest checkpoint of %s does not hold against the key %s: %w", x.about.Where, proof.KeyID(x.r.Key), err)
		}
	}
	c, err := proof.Peek(x.about.Checkpoint)
	if err != nil {
		return fmt.Errorf("the newest checkpoint of %s cannot be read: %w. Run: weighpost journal verify", x.about.Where, err)
	}
	x.m.Signed = c.Size
	x.about.Roots = append(x.about.Roots, Root{c.Size, c.Root, "its newest checkpoint"})
	return nil
}

// run is one export.
type run struct {
	src         Source
	about       About
	r           Request
	m           Manifest
	corrections record.Corrections
	done        uint64 // entries read, over both passes
}

// count reads the journal for the first time.
func (x *run) count(ctx context.Context) error {
	return x.pass(ctx, func(e record.Entry, _ tlog.Hash) error {
		if !x.r.Filter.Match(e) {
			return x.corrections.Add(e)
		}
		x.m.Entries++
		x.m.Last = e.Seq
		if x.m.First == 0 {
			x.m.First = e.Seq
		}
		if e.Seq > x.m.Signed {
			x.m.Beyond++
		}
		return x.corrections.Add(e)
	}, func() { x.m.LeftOut = x.m.Head - x.m.Entries })
}

// write reads it for the second time, and writes.
func (x *run) write(ctx context.Context, w io.Writer) (Manifest, error) {
	sum := &summed{w: w, hash: sha256.New()}
	out := bufio.NewWriterSize(sum, 1<<16)
	f, err := newWriter(out, &x.r, &x.m, &x.corrections)
	if err != nil {
		return Manifest{}, err
	}
	ids, leaves, n := sha256.New(), sha256.New(), uint64(0)
	err = x.pass(ctx, func(e record.Entry, leaf tlog.Hash) error {
		if !x.r.Filter.Match(e) {
			return nil
		}
		n++
		io.WriteString(ids, e.ID+"\n") // a hash takes everything
		leaves.Write(leaf[:])
		return f.entry(e)
	}, func() {})
	if err == nil && n != x.m.Entries {
		err = fmt.Errorf("%s gave %d entries for the filter and then %d: it changed while it was read", x.about.Where, x.m.Entries, n)
	}
	if err != nil {
		return Manifest{}, err
	}
	x.m.IDs, x.m.Leaves = hexOf(ids), hexOf(leaves)
	if err := f.close(&x.m); err != nil {
		return Manifest{}, err
	}
	if err := out.Flush(); err != nil {
		return Manifest{}, err
	}
	x.m.Bytes, x.m.SHA256 = sum.n, hexOf(sum.hash)
	return x.m, nil
}

// pass reads all entries up to the head, and holds their tree against what was noted of it.
func (x *run) pass(ctx context.Context, each func(record.Entry, tlog.Hash) error, end func()) error {
	var t tree
	err := x.src.Each(ctx, func(e record.Entry) error {
		if e.Seq != t.size+1 {
			return fmt.Errorf("%s has no entry %d: %d follows %d. Run: weighpost journal verify", x.about.Where, t.size+1, e.Seq, t.size)
		}
		leaf := tlog.RecordHash(e.JSON)
		t.add(leaf)
		for _, r := range x.about.Roots {
			if r.Size == t.size && r.Hash != t.root() {
				return &Differs{Where: x.about.Where, Size: r.Size, Says: r.Says}
			}
		}
		if x.done++; x.r.Progress != nil && (x.done%4096 == 0 || x.done == 2*x.m.Head) {
			x.r.Progress(x.done/2, x.m.Head)
		}
		return each(e, leaf)
	})
	if err == nil && t.size != x.m.Head {
		err = fmt.Errorf("%s ends with entry %d, and %d were there when the export began", x.about.Where, t.size, x.m.Head)
	}
	if err == nil {
		end()
	}
	return err
}

// Differs says that a journal's entries are not those that its tree was noted of.
type Differs struct {
	Where string
	Size  uint64
	Says  string // what noted it
}

func (d *Differs) Error() string {
	return fmt.Sprintf("%s is not as it was recorded: its first %d entries are not those of %s (tree hash differs). Run: weighpost "+
		"journal verify", d.Where, d.Size, d.Says)
}

// summed counts and hashes what passes.
type summed struct {
	w    io.Writer
	hash hash.Hash
	n    int64
}

func (s *summed) Write(b []byte) (int, error) {
	n, err := s.w.Write(b)
	s.hash.Write(b[:n])
	s.n += int64(n)
	return n, err
}

func hexOf(h hash.Hash) string { return hex.EncodeToString(h.Sum(nil)) }
