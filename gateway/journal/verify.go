package journal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/bits"
	"path/filepath"
	"strings"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
)

// Verify reads a whole journal, closed or being written, and holds everything in it against everything else: leaf and tree
// hashes, head file, signed checkpoints, ids and numbers, cursors. It writes nothing. dir is the folder or its journal.db;
// keyFile is the public key to check signatures with, by default the one beside the journal. progress may be nil.
//
// What is wrong with the journal is in the report. An error means that it could not be examined.
func Verify(ctx context.Context, dir, keyFile string, progress func(done, total uint64), more ...VerifyOption) (Report, error) {
	return verifyOn(ctx, osDisk{}, folder(dir), keyFile, progress, more...)
}

// folder takes DIR and DIR/journal.db for the same.
func folder(dir string) string {
	if filepath.Base(dir) == dbName {
		return filepath.Dir(dir)
	}
	return dir
}

func verifyOn(ctx context.Context, d disk, dir, keyFile string, progress func(done, total uint64), more ...VerifyOption) (Report, error) {
	live := held(dir)
	begin := func() *verifier {
		v := &verifier{disk: d, dir: dir, progress: progress}
		for _, o := range more {
			o(v)
		}
		return v
	}
	v := begin()
	if err := v.run(ctx, keyFile, live); err != nil {
		return v.report, err
	}
	if !live && len(v.report.Faults) > 0 && held(dir) {
		// A daemon began to write while its files were read without a lock.
		v = begin()
		if err := v.run(ctx, keyFile, true); err != nil {
			return v.report, err
		}
	}
	v.report.Verified = len(v.report.Faults) == 0
	return v.report, nil
}

// verifyChunk is how many entries one read transaction spans: short ones do not hold up the WAL.
const verifyChunk = 2000

type verifier struct {
	disk     disk
	dir      string
	progress func(done, total uint64)
	report   Report

	db    *sqlite3.Conn
	keys  keychain
	notes map[uint64][]byte // checkpoints of the chunk, by size
	head  headState
	tree  replay
	ids   *identities
	lives lineage
	times times
	against
	after  int64 // last row read
	total  uint64
	raw    []byte      // of the entry in hand
	hashes []tlog.Hash // stored with it
	lost   bool        // entries could not be read to the end
	gaps   bool        // some entry's bytes could not be had

	slow     *slow
	segments string // another folder with copies of segments; may be empty
	spans    sealedSpans
}

func (v *verifier) run(ctx context.Context, keyFile string, live bool) error {
	r := &v.report
	r.Live, r.Elsewhere, r.Faults, r.Lives, r.Keys, r.Notes = live, "none", []Fault{}, []Life{}, []KeySpan{}, []string{}
	r.Time.Unchecked.Spans, r.Time.Holdover.Spans = []ClockRun{}, []ClockRun{}
	r.Time.Outside.Signatures = v.times.roots != nil
	r.Sealed.Bad = []string{}
	v.ids = newIdentities()
	v.ids.full = true
	there, err := v.disk.Exists(in(v.dir, dbName))
	_, headErr := v.disk.ReadFile(in(v.dir, headName))
	switch {
	case err != nil || !there && headErr != nil:
		return fmt.Errorf("there is no journal in %s: name the folder that holds journal.db", v.dir)
	case !there:
		r.fault(0, FaultFile, "journal.db is missing, and its head file is there")
		return nil
	}
	if err := v.readKey(keyFile); err != nil {
		return err
	}
	v.readHead()
	open := openLook
	if live {
		open = openReader
	} else if err := v.readWAL(); err != nil {
		return err
	}
	if v.db, err = open(v.disk, in(v.dir, dbName)); err != nil {
		r.fault(0, FaultFile, "journal.db cannot be read: %v", err)
		return nil
	}
	defer func() {
		v.spans.close()
		v.db.Close()
	}()
	if r.Version, err = version(v.db); err != nil {
		r.fault(0, FaultFile, "journal.db cannot be read: %v", err)
		return nil
	}
	if r.Version > len(steps) {
		return fmt.Errorf("the journal in %s was written by a newer weighpost (version %d; this one knows up to %d): verify it "+
			"with that one", v.dir, r.Version, len(steps))
	}
	return v.examine(ctx)
}

// examine reads all entries, then the tables that must agree with them.
func (v *verifier) examine(ctx context.Context) error {
	if err := v.readMeta(); err != nil {
		v.report.fault(0, FaultFile, "journal.db cannot be read: %v", err)
		return nil
	}
	rows, err := keyRows(v.db, 0)
	if err != nil {
		v.report.fault(0, FaultFile, "journal.db cannot be read: %v", err)
		return nil
	}
	v.keys.begin(rows)
	defer v.locate()
	v.after = math.MinInt64
	v.loadNotes(-1, 0)
	v.passed()
	if err := v.slowly(ctx); err != nil {
		return err
	}
	for !v.lost {
		n, err := v.chunk(ctx, verifyChunk)
		if err != nil {
			return err
		}
		if n < verifyChunk {
			break
		}
	}
	// The rest, and the tables as they were at one moment.
	if err := v.db.Exec("BEGIN"); err != nil {
		return err
	}
	if !v.lost {
		if _, err := v.chunk(ctx, math.MaxInt32); err != nil {
			return err
		}
	}
	v.finish()
	return v.db.Exec("COMMIT")
}

// slowly reads what there was at the beginning, with rests. What came meanwhile is little, and read without. The first fault
// ends it.
func (v *verifier) slowly(ctx context.Context) error {
	for v.slow != nil && !v.lost && v.tree.size < v.total {
		n, err := v.chunk(ctx, slowStep)
		if len(v.report.Faults) > 0 {
			return errFaulty
		}
		if err == nil {
			err = v.slow.rest(ctx)
		}
		if err != nil || n < slowStep {
			return err
		}
	}
	return nil
}

// locate says of each fault of an entry where it lies.
func (v *verifier) locate() {
	for i := range v.report.Faults {
		f := &v.report.Faults[i]
		switch f.Kind {
		case FaultEdited, FaultMissing, FaultTree, FaultIdentity, FaultFile:
			if f.Seq > 0 {
				f.Where = locate(v.disk, v.dir, v.db, f.Seq)
			}
		}
	}
}

// chunk reads up to limit entries. An error of SQLite is a fault of the journal.
func (v *verifier) chunk(ctx context.Context, limit int64) (n int64, err error) {
	from := int64(v.tree.size)
	v.loadNotes(from, from+limit)
	err = query(v.db, "SELECT seq, json, hashes FROM entries WHERE seq > ? ORDER BY seq LIMIT ?", []int64{v.after, limit},
		func(row *sqlite3.Stmt) error {
			n++
			v.after = row.ColumnInt64(0)
			v.raw = row.ColumnBlob(1, v.raw[:0])
			v.entry(v.after, v.raw, row.ColumnRawBlob(2))
			return ctx.Err()
		})
	if ctx.Err() != nil {
		return n, ctx.Err()
	}
	if err != nil {
		v.lost = true
		v.report.fault(v.tree.size+1, FaultFile, "entries from here on cannot be read: %v", err)
		return n, nil
	}
	if v.progress != nil {
		v.progress(v.tree.size, max(v.total, v.tree.size))
	}
	return n, nil
}

// entry takes the next row.
func (v *verifier) entry(row int64, raw, stored []byte) {
	r := &v.report
	if row < 1 || uint64(row) <= v.tree.size {
		r.fault(0, FaultIdentity, "a row has the sequence %d: entries count from 1", row)
		return
	}
	seq := uint64(row)
	if missing := seq - v.tree.size - 1; missing > 0 {
		r.fault(v.tree.size+1, FaultMissing, "%d missing, from here to %d", missing, seq-1)
		for v.tree.size+1 < seq && missing < 1<<20 {
			v.tree.add(tlog.Hash{}, false, nil)
			v.passed()
		}
		if v.tree.size+1 < seq { // a gap too wide to be real: the tree cannot be followed across it
			v.tree = replay{size: seq - 1}
		}
		v.ids = newIdentities()
	}
	hashes, whole := splitHashes(v.hashes[:0], stored)
	v.hashes = hashes
	if len(raw) == 0 && r.Version >= segmentsSince {
		if raw = v.sealedBytes(seq, stored); raw == nil {
			v.without(seq, hashes)
			return
		}
	}
	leaf := tlog.RecordHash(raw)
	read := v.ids.check
	if len(hashes) > 0 && hashes[0] == leaf {
		read = v.ids.glance
	}
	switch want := 1 + bits.TrailingZeros64(seq); {
	case !whole || len(hashes) != want:
		r.fault(seq, FaultTree, "%d bytes of hashes are stored with it, and %d belong there", len(stored), want*tlog.HashSize)
		v.tree.add(leaf, true, nil)
	case v.tree.add(leaf, true, hashes) >= 0:
		if hashes[0] != leaf {
			r.fault(seq, FaultEdited, "its bytes are not those that were recorded (leaf hash differs)")
		} else {
			r.fault(seq, FaultTree, "a tree hash stored with it does not follow from the entries before")
		}
	}
	if e, what := read(seq, raw); what != "" {
		r.fault(seq, FaultIdentity, "%s", what)
	} else {
		v.follow(e)
	}
	v.passed()
}

// without goes on past an entry whose bytes cannot be had, by the hashes that were kept.
func (v *verifier) without(seq uint64, hashes []tlog.Hash) {
	if v.tree.add(tlog.Hash{}, false, hashes) >= 0 {
		v.report.fault(seq, FaultTree, "a tree hash stored with it does not follow from the entries before")
	}
	v.ids, v.gaps = newIdentities(), true
	v.passed()
}

// passed compares the tree with the head file and the checkpoints of its present size.
func (v *verifier) passed() {
	if v.roots != nil {
		v.keepRoot()
	}
	if signed, ok := v.notes[v.tree.size]; ok {
		v.checkpoint(signed)
	}
	if v.head.incarnation == "" || v.tree.size != v.head.seq {
		return
	}
	if root, known := v.tree.root(); known && root != v.head.root {
		v.report.fault(v.head.seq, FaultHead, "the first %d entries are not those that were acknowledged (tree hash differs from "+
			"the head file's)", v.head.seq)
	}
}

func (v *verifier) readHead() {
	file, err := v.disk.ReadFile(in(v.dir, headName))
	if err == nil {
		v.head, err = decodeHead(file)
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		v.report.fault(0, FaultHead, "the file head is missing")
	case err != nil:
		v.report.fault(0, FaultHead, "the file head cannot be read: %v", err)
	}
	v.report.Head = v.head.seq
}

// readWAL looks for damage that SQLite passes over.
func (v *verifier) readWAL() error {
	w, err := readWAL(v.disk, v.dir)
	if err != nil {
		return err
	}
	if what, from := refuseWAL(v.disk, v.dir, w, v.head); what != "" {
		v.report.fault(from, FaultFile, "%s", what)
	}
	return nil
}

// readKey takes the key to verify with: the one that was named, or the one beside the journal.
func (v *verifier) readKey(file string) error {
	k := &v.keys
	beside, err := v.disk.ReadFile(in(v.dir, pubName))
	if err == nil {
		k.beside = strings.TrimSpace(string(beside))
	}
	text := beside
	if k.chosen = file != ""; k.chosen {
		text, err = v.disk.ReadFile(file)
	} else {
		file = in(v.dir, pubName)
	}
	if err != nil {
		return fmt.Errorf("the public key cannot be read: %w. Name one with --key", err)
	}
	if k.given, err = proof.ParseKey(string(text)); err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	v.report.Key = proof.KeyID(k.given)
	return nil
}

func (v *verifier) readMeta() error {
	err := query(v.db, "SELECT name, value FROM meta", nil, func(row *sqlite3.Stmt) error {
		switch row.ColumnText(0) {
		case "incarnation":
			v.report.Incarnation = row.ColumnText(1)
		case "origin":
			v.report.Origin = row.ColumnText(1)
		case verifiedMark:
			v.report.Background, _ = parseBackground(row.ColumnText(1)) // worth no fault
		}
		return nil
	})
	if err == nil {
		err = query(v.db, "SELECT coalesce(max(seq), 0) FROM entries", nil, func(row *sqlite3.Stmt) error {
			v.total = uint64(max(0, row.ColumnInt64(0)))
			return nil
		})
	}
	return err
}
