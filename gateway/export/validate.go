package export

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/index"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// Validation is what was found of an export. What was not looked at is said in NotShown.
type Validation struct {
	Valid    bool     `json:"valid"` // no fault
	File     string   `json:"file"`
	Filter   string   `json:"filter"`
	Entries  uint64   `json:"entries"`
	Head     uint64   `json:"head"`
	Shown    []string `json:"shown"` // sentences: what was found right
	NotShown []string `json:"not_shown"`
	Faults   []string `json:"faults"`
}

// Check says what an export is held against beside its manifest.
type Check struct {
	Key      note.Verifier // the key that its checkpoint has to be signed with; nil: none at hand
	Journal  Source        // nil: none at hand
	Version  string        // of this weighpost: another one may put entries into other words
	Progress func(done, total uint64)
}

// maxManifest bounds the size of a manifest, in bytes.
const maxManifest = 1 << 20

// ReadManifest reads a manifest. The error is a sentence.
func ReadManifest(name string) (Manifest, error) {
	f, err := os.Open(name)
	if err != nil {
		return Manifest{}, fmt.Errorf("the manifest cannot be read: %w", err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxManifest+1))
	if err != nil {
		return Manifest{}, fmt.Errorf("the manifest cannot be read: %w", err)
	}
	var m Manifest
	if len(b) > maxManifest || json.Unmarshal(b, &m) != nil || m.Schema != ManifestSchema {
		return Manifest{}, fmt.Errorf("%s is no manifest of an export: name the file that ends in %s", name, ManifestSuffix)
	}
	if _, err := ParseFormat(string(m.Format)); err != nil {
		return Manifest{}, fmt.Errorf("the manifest %s: %w", name, err)
	}
	if m.File != "" && (m.File != filepath.Base(m.File) || !filepath.IsLocal(m.File)) {
		return Manifest{}, fmt.Errorf("the manifest %s names the file %q, which is not beside it", name, m.File)
	}
	return m, nil
}

// Validate holds an export against its manifest, and against a key and a journal where they are at hand. file is the export;
// "" is the file that the manifest names, beside it. An error means that it could not be examined.
func Validate(ctx context.Context, manifest, file string, c Check) (Validation, error) {
	m, err := ReadManifest(manifest)
	if err != nil {
		return Validation{}, err
	}
	if file == "" {
		if m.File == "" {
			return Validation{}, fmt.Errorf("the manifest %s names no file, since the export went to a pipe: name the file with --file", manifest)
		}
		file = filepath.Join(filepath.Dir(manifest), m.File)
	}
	v := &validator{m: m, c: c, v: Validation{File: file, Filter: m.Filter, Entries: m.Entries, Head: m.Head,
		Shown: []string{}, NotShown: []string{}, Faults: []string{}}}
	if err := v.file(file); err != nil {
		return v.v, err
	}
	v.checkpoint()
	if err := v.journal(ctx); err != nil {
		return v.v, err
	}
	v.v.Valid = len(v.v.Faults) == 0
	return v.v, nil
}

type validator struct {
	m    Manifest
	c    Check
	v    Validation
	root tlog.Hash // of the first Signed entries, from the file alone
	full bool      // the file holds these entries, all of them
}

func (v *validator) shown(format string, args ...any) {
	v.v.Shown = append(v.v.Shown, fmt.Sprintf(format, args...))
}
func (v *validator) notShown(format string, args ...any) {
	v.v.NotShown = append(v.v.NotShown, fmt.Sprintf(format, args...))
}
func (v *validator) fault(format string, args ...any) {
	v.v.Faults = append(v.v.Faults, fmt.Sprintf(format, args...))
}

// file reads the export itself.
func (v *validator) file(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return fmt.Errorf("the export cannot be read: %w", err)
	}
	defer f.Close()
	sum := &summed{w: io.Discard, hash: sha256.New()}
	if v.m.Format == NDJSON {
		if err := v.lines(io.TeeReader(f, sum)); err != nil {
			return err
		}
	}
	if _, err := io.Copy(sum, f); err != nil {
		return fmt.Errorf("the export cannot be read: %w", err)
	}
	switch got := hexOf(sum.hash); {
	case sum.n != v.m.Bytes:
		v.fault("The file has %d bytes, and the manifest says %d: it is not whole, or another.", sum.n, v.m.Bytes)
	case got != v.m.SHA256:
		v.fault("The file is not the one that the manifest is of: its SHA-256 is %s.", got)
	default:
		v.shown("The file is the one that the manifest is of: %d bytes, SHA-256 %s.", sum.n, got)
	}
	return nil
}

// maxLine bounds an entry, in bytes.
const maxLine = 64 << 20

// lines reads the entries of an NDJSON file: their exact bytes are what the journal's tree holds.
func (v *validator) lines(r io.Reader) error {
	ids, leaves, n, last := sha256.New(), sha256.New(), uint64(0), uint64(0)
	var t tree
	v.full = v.m.Signed > 0
	s := bufio.NewScanner(r)
	s.Buffer(nil, maxLine)
	for s.Scan() {
		e, err := record.ParseEntry(s.Bytes())
		if err != nil || e.Seq <= last {
			v.fault("Line %d is no entry that follows the one before.", n+1)
			v.full = false
			return nil
		}
		n, last = n+1, e.Seq
		leaf := tlog.RecordHash(e.JSON)
		io.WriteString(ids, e.ID+"\n")
		leaves.Write(leaf[:])
		if e.Seq == t.size+1 && t.size < v.m.Signed {
			t.add(leaf)
		}
	}
	if err := s.Err(); err != nil {
		return fmt.Errorf("the export cannot be read after line %d: %w", n, err)
	}
	switch {
	case n != v.m.Entries:
		v.fault("The file holds %d entries, and the manifest says %d.", n, v.m.Entries)
	case hexOf(ids) != v.m.IDs:
		v.fault("The ids in the file are not those that the manifest is of.")
	case hexOf(leaves) != v.m.Leaves:
		v.fault("The entries in the file are not those that the manifest is of (leaf hashes differ).")
	default:
		v.shown("It holds %s, with the ids and the bytes that the manifest is of.", count(n, "entry", "entries"))
	}
	if v.full = v.full && t.size == v.m.Signed; v.full {
		v.root = t.root()
	}
	return nil
}

// checkpoint reads the checkpoint that the manifest carries.
func (v *validator) checkpoint() {
	m := &v.m
	if m.Checkpoint == "" {
		v.notShown("No checkpoint had been signed: nothing signed covers these entries.")
		return
	}
	c, err := proof.Peek([]byte(m.Checkpoint))
	if err != nil {
		v.fault("The checkpoint in the manifest cannot be read: %v.", err)
		return
	}
	if v.c.Key == nil {
		v.notShown("Who signed the checkpoint: no key was given to hold its signature against (it names %s).", m.Key)
	} else if _, err := proof.Open([]byte(m.Checkpoint), v.c.Key); err != nil {
		v.fault("The checkpoint does not hold against the key %s: %v.", proof.KeyID(v.c.Key), err)
	} else {
		v.shown("The checkpoint of the journal's first %d entries is signed by %s.", c.Size, proof.KeyID(v.c.Key))
	}
	if c.Size != m.Signed || c.Origin != m.Origin {
		v.fault("The checkpoint is of %d entries of %s, and the manifest says %d of %s.", c.Size, c.Origin, m.Signed, m.Origin)
		return
	}
	switch {
	case v.full && c.Root != v.root:
		v.fault("The entries in the file are not those that were signed (tree hash differs).")
	case v.full:
		v.shown("The first %d entries in the file are exactly those that the checkpoint is of.", c.Size)
	case v.c.Journal == nil:
		v.notShown("That the entries are those of the checkpoint: that takes the journal, or an NDJSON export of all entries.")
	}
	if m.Beyond > 0 {
		v.notShown("%s", m.Covered())
	}
}

// journal makes the same export again from a journal, and compares.
func (v *validator) journal(ctx context.Context) error {
	if v.c.Journal == nil {
		return nil
	}
	src := &upTo{Source: v.c.Journal, m: &v.m}
	if why := src.stranger(); why != "" {
		v.fault("%s", why)
		return nil
	}
	r := Request{Format: v.m.Format, Spreadsheet: v.m.Spreadsheet, Made: v.m.Made.Time(), Version: v.m.Version, Progress: v.c.Progress}
	q, err := url.ParseQuery(v.m.Query)
	if err == nil {
		r.Filter, err = index.ParseQuery(q)
	}
	if err != nil {
		v.fault("The filter in the manifest cannot be applied: %v.", err)
		return nil
	}
	again, err := Write(ctx, io.Discard, src, r)
	var differs *Differs
	switch {
	case errors.As(err, &differs):
		v.fault("%s.", differs)
		return nil
	case err != nil:
		return err
	}
	v.compare(&again)
	return nil
}

// compare holds what the journal gives now against what the manifest says.
func (v *validator) compare(again *Manifest) {
	m := &v.m
	switch {
	case again.Entries != m.Entries || again.IDs != m.IDs || again.First != m.First || again.Last != m.Last:
		v.fault("For the same filter the journal gives %d other entries.", again.Entries)
	case again.Leaves != m.Leaves:
		v.fault("For the same filter the journal gives the same ids with other contents (leaf hashes differ).")
	case again.LeftOut != m.LeftOut || again.Filter != m.Filter:
		v.fault("The manifest says of its filter what is not so: it is %s, and left out %d entries.", again.Filter, again.LeftOut)
	case again.SHA256 != m.SHA256 && v.c.Version != m.Version:
		v.shown("The journal holds the entries listed, and its tree is that of the checkpoint.")
		v.notShown("That the file tells them as it should: it was made by weighpost %s, and this is %s, which writes a different file.",
			m.Version, v.c.Version)
	case again.SHA256 != m.SHA256:
		v.fault("For the same request the journal gives another file: its SHA-256 would be %s.", again.SHA256)
	default:
		v.shown("The same request to the journal gives the same file, byte for byte, and its tree is that of the checkpoint.")
	}
}

// upTo is a journal as it was when a manifest was made.
type upTo struct {
	Source
	m *Manifest
}

// stranger says why a journal cannot be the one that the manifest is of, or "".
func (u *upTo) stranger() string {
	a := u.Source.About()
	switch {
	case a.Head < u.m.Head:
		return fmt.Sprintf("%s has %d entries, and had %d when the export was made: it is another journal, or an older copy.", a.Where, a.Head, u.m.Head)
	case a.Site != u.m.Site:
		return fmt.Sprintf("%s is that of the site %s, and the export is of %s.", a.Where, a.Site, u.m.Site)
	}
	return ""
}

// About is what the journal was then. A journal that was restored since has another name and the same tree.
func (u *upTo) About() About {
	a := u.Source.About()
	return About{Where: a.Where, Site: u.m.Site, Origin: u.m.Origin, Incarnation: u.m.Incarnation, Head: u.m.Head, Checkpoint: []byte(u.m.Checkpoint)}
}

var errEnd = errors.New("as far as the manifest reaches")

// Each ends where the export ended.
func (u *upTo) Each(ctx context.Context, each func(record.Entry) error) error {
	if u.m.Head == 0 {
		return nil
	}
	err := u.Source.Each(ctx, func(e record.Entry) error {
		if err := each(e); err != nil {
			return err
		}
		if e.Seq == u.m.Head {
			return errEnd
		}
		return nil
	})
	if errors.Is(err, errEnd) {
		return nil
	}
	return err
}
