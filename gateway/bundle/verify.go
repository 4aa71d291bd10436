package bundle

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// Found is what was found of a bundle.
type Found struct {
	Valid    bool     `json:"valid"` // no fault
	What     string   `json:"what"`
	About    About    `json:"about"`
	Key      string   `json:"key"`       // id of the key that was given
	SignedBy string   `json:"signed_by"` // id of the key that signed the checkpoint; "": nothing leads there
	Shown    []string `json:"shown"`     // sentences: what was found right
	NotShown []string `json:"not_shown"`
	Faults   []string `json:"faults"`
}

// Verify holds a bundle of so many bytes against a public key that the caller trusts: one that was kept, or an earlier one of the same
// journal, not the one inside. version is that of this weighpost: only the same one puts entries into the same words. It needs memory for
// the entries of one run, or for none. An error means that it could not be examined.
func Verify(ctx context.Context, r io.ReaderAt, size int64, key note.Verifier, version string) (Found, error) {
	v := &verifier{ctx: ctx, version: version, found: Found{Key: proof.KeyID(key), Shown: []string{}, NotShown: []string{}, Faults: []string{}}}
	a, faults, err := unpack(r, size)
	if err != nil {
		return v.found, err
	}
	v.a = a
	if len(faults) > 0 {
		v.found.Faults = faults
		return v.found, nil
	}
	if faults, err = a.sums(ctx); err != nil {
		return v.found, err
	}
	if v.found.Faults = append(v.found.Faults, faults...); len(faults) == 0 {
		v.shown("It is whole: all %d parts have the SHA-256 that stands in SHA256SUMS.", len(a.names)-1)
	}
	if v.about() && v.checkpoint(key) {
		if err := v.entries(); err != nil {
			return v.found, err
		}
	}
	v.found.Valid = len(v.found.Faults) == 0
	return v.found, ctx.Err()
}

// verifier looks at one bundle.
type verifier struct {
	ctx     context.Context // of the one call
	a       *archive
	version string
	found   Found
	head    proof.Checkpoint
	content content
	kept    keptFiles
	own     map[uint64]string // of a run: the ids of its own entries
	covered [][]byte          // of a run: the entries that signatures under it cover
	run     *underRuns
}

func (v *verifier) shown(format string, args ...any) {
	v.found.Shown = append(v.found.Shown, fmt.Sprintf(format, args...))
}
func (v *verifier) notShown(format string, args ...any) {
	v.found.NotShown = append(v.found.NotShown, fmt.Sprintf(format, args...))
}
func (v *verifier) fault(format string, args ...any) {
	v.found.Faults = append(v.found.Faults, fmt.Sprintf(format, args...))
}

// about reads what the bundle says of itself.
func (v *verifier) about() bool {
	text, err := v.a.small(aboutPart)
	if err == nil {
		v.found.About, err = ParseAbout(text)
	}
	if err != nil {
		v.fault("%s", sentence(err))
		return false
	}
	a := &v.found.About
	v.found.What = a.What()
	switch {
	case a.Of == OfAll && (a.First != 1 || a.Last != a.Size), a.Of != OfRun && a.Entries != a.Last-a.First+1:
		v.fault("bundle.json says of %d entries from %d to %d that they are %s.", a.Entries, a.First, a.Last, map[string]string{OfAll: "all", OfSpan: "a span"}[a.Of])
		return false
	case a.Of == OfRun && a.Entries > 2*mostOwn:
		v.fault("bundle.json says that a run has %d entries, which is more than can be held in memory.", a.Entries)
		return false
	case (v.a.parts[checkpointsPart] != nil) != (a.Of == OfAll):
		v.fault("The earlier checkpoints are there or not there, and should not: they belong to a bundle of all.")
	}
	return true
}

// checkpoint holds the signed head against the key.
func (v *verifier) checkpoint(key note.Verifier) bool {
	signed, err := v.a.small(checkpointPart)
	if err != nil {
		v.fault("%s", sentence(err))
		return false
	}
	text, err := v.a.small(keyPart)
	if err != nil {
		v.fault("%s", sentence(err))
		return false
	}
	var vouched [][]byte
	for i := 1; v.a.parts[noteName(i)] != nil; i++ {
		b, err := v.a.small(noteName(i))
		if err != nil {
			v.fault("%s", sentence(err))
			return false
		}
		vouched = append(vouched, b)
	}
	signer, through, err := proof.Follow(key, string(bytes.TrimSuffix(text, []byte("\n"))), vouched)
	if err == nil {
		v.head, err = proof.Open(signed, signer)
	}
	var other *proof.NeedsKey
	switch {
	case errors.As(err, &other):
		v.fault("The checkpoint is signed by %s, and nothing leads there from the key %s.", other.Needed, other.Given)
		return false
	case err != nil:
		v.fault("The checkpoint does not hold: %v.", err)
		return false
	}
	a := &v.found.About
	v.found.SignedBy = proof.KeyID(signer)
	if a.Origin != v.head.Origin || v.head.Origin != signer.Name() || a.Size != v.head.Size || a.Key != v.found.SignedBy || a.Site != siteOf(a.Origin, a.Incarnation) {
		v.fault("bundle.json is of %d entries of %s, and the checkpoint of %d of %s.", a.Size, a.Origin, v.head.Size, v.head.Origin)
		return false
	}
	by := ""
	if len(through) > 0 {
		by = fmt.Sprintf(", to which the key %s leads", proof.KeyID(key))
	}
	v.shown("The checkpoint of the journal's first %d entries is signed by %s%s.", v.head.Size, v.found.SignedBy, by)
	return true
}

func noteName(i int) string { return fmt.Sprintf("%s%04d.note", keysFolder, i) }

// entries walks over the tree, and then looks at what the entries say of everything else.
func (v *verifier) entries() error {
	part, err := v.a.parts[entriesPart].Open()
	if err != nil {
		v.fault("The entries cannot be read: %v.", err)
		return nil
	}
	defer part.Close()
	read := readEntries(v.ctx, part)
	root, err := v.walk(read)
	switch {
	case v.ctx.Err() != nil:
		return v.ctx.Err()
	case err != nil:
		v.fault("The entries do not fit the journal's tree: %v.", err)
		return nil
	case root != v.head.Root:
		v.fault("The entries are not those that were signed: one was altered, added, moved or left out (tree hash differs).")
		return nil
	case !read.over || read.ended != nil:
		v.fault("Behind the entries that were signed there is more, from entry %d on.", read.upcoming())
		return nil
	}
	a := &v.found.About
	if read.n != a.Entries {
		v.fault("bundle.json says that there are %d entries, and there are %d.", a.Entries, read.n)
	}
	switch {
	case a.Of == OfRun:
		v.shown("Its %d entries were in the journal, each with exactly these bytes and at its place, when the checkpoint was signed.", read.n)
	default:
		v.shown("Its entries %d to %d, all of them, were in the journal, with exactly these bytes, when the checkpoint was signed.", a.First, a.Last)
	}
	v.ofRun()
	v.run.end(v)
	v.files()
	return v.words()
}

// walk computes the root of the tree, and looks at each entry on the way.
func (v *verifier) walk(read *entryLines) (root tlog.Hash, err error) {
	tree, err := v.a.parts[treePart].Open()
	if err != nil {
		return root, err
	}
	defer tree.Close()
	earlier, err := v.earlier()
	if err != nil {
		return root, err
	}
	defer earlier.close()
	hashes := linesOf(tree)
	w := &walk{next: read.upcoming() - 1, beside: func(lo, hi uint64) (tlog.Hash, error) {
		if !hashes.Scan() {
			return tlog.Hash{}, fmt.Errorf("tree.txt has no hash for entries %d to %d", lo+1, hi)
		}
		return hashOf(hashes.Bytes())
	}}
	v.run = newUnderRuns()
	w.leaf = func() (h tlog.Hash, next uint64, err error) {
		e, err := read.next()
		if err != nil {
			return h, 0, err
		}
		h = tlog.RecordHash(e.JSON)
		if err = earlier.leaf(h); err == nil {
			err = v.take(e)
		}
		return h, read.upcoming() - 1, err
	}
	if root, err = w.hash(0, v.head.Size); err != nil {
		return root, err
	}
	if hashes.Scan() || hashes.Err() != nil {
		return root, errors.New("tree.txt has more hashes than the tree has room for")
	}
	return root, earlier.end(v)
}

// take looks at an entry on the way.
func (v *verifier) take(e record.Entry) error {
	a := &v.found.About
	if a.Of != OfRun && (e.Seq < a.First || e.Seq > a.Last) {
		return fmt.Errorf("entry %d lies outside of what bundle.json says", e.Seq)
	}
	if err := v.content.take(a, e); err != nil {
		return err
	}
	if err := v.kept.take(e); err != nil {
		return err
	}
	if a.Of == OfRun && Names(e, a.Run) {
		if v.own == nil {
			v.own = map[uint64]string{}
		}
		v.own[e.Seq] = e.ID
		is, err := signature.Covers(a.Run, e)
		if err != nil {
			return err
		}
		if is {
			v.covered = append(v.covered, e.JSON)
		}
		return nil
	}
	return v.run.take(e)
}
