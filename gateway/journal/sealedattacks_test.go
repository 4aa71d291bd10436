package journal

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/gateway/segment"
)

// sealedSpecimen is a closed journal with two segments, of the entries 1 to 200 and 201 to 400.
func sealedSpecimen(t *testing.T) (dir string, archive *memory) {
	t.Helper()
	dir, archive = filepath.Join(t.TempDir(), "journal"), &memory{}
	j := filled(t, Options{Dir: dir}, 1500)
	if done := seal(t, j, sealOptions(200, archive)); len(done.Segments) != 2 {
		t.Fatalf("%+v", done)
	}
	must(t, j.Close())
	return dir, archive
}

func segmentNames(t *testing.T, dir, suffix string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, segmentsName, "*"+suffix))
	must(t, err)
	if len(names) != 2 {
		t.Fatalf("%v", names)
	}
	return names
}

// rewrite changes one entry of a segment and makes the file anew, as somebody who knows the form can.
func rewrite(t *testing.T, name string, first uint64, old, new string) segment.Index {
	t.Helper()
	file, err := os.ReadFile(name)
	must(t, err)
	var b bytes.Buffer
	w, done := segment.NewWriter(&b, first), false
	must(t, segment.Read(bytes.NewReader(file), first, func(raw []byte) error {
		if !done && bytes.Contains(raw, []byte(old)) {
			raw, done = bytes.Replace(raw, []byte(old), []byte(new), 1), true
		}
		return w.Add(raw)
	}))
	ix, err := w.Close()
	must(t, err)
	if !done {
		t.Fatalf("no entry holds %s", old)
	}
	must(t, os.WriteFile(name, b.Bytes(), 0o640))
	return ix
}

// sealedAttacks are changes to the segments of a closed journal, and what must be said about each.
var sealedAttacks = []struct {
	name string
	do   func(t *testing.T, dir string)
	kind string // of the fault that Verify must report
	seq  uint64 // that it must name
	what string // in its sentence
	lost bool   // whether entries of the second segment cannot be read any more
}{
	{"a segment removed", func(t *testing.T, dir string) {
		must(t, os.Remove(segmentNames(t, dir, ".gz")[1]))
	}, FaultSegment, 201, "is missing. Copy it back from the archive", true},
	{"a segment cut short", func(t *testing.T, dir string) {
		spoil(t, segmentNames(t, dir, ".gz")[1], func(b []byte) []byte { return b[:len(b)-100] })
	}, FaultSegment, 201, "bytes and was written with", true},
	{"a byte of a segment edited", func(t *testing.T, dir string) {
		spoil(t, segmentNames(t, dir, ".gz")[1], func(b []byte) []byte { b[len(b)/2] ^= 8; return b })
	}, FaultSegment, 0, "Copy it back from the archive", true},
	{"the same bytes packed otherwise", func(t *testing.T, dir string) { // nothing of an entry changes, and the file is still another
		spoil(t, segmentNames(t, dir, ".gz")[1], func(b []byte) []byte { b[9] ^= 1; return b }) // the system that wrote it, RFC 1952 2.3.1
	}, FaultSegment, 201, "SHA-256 differs", false},
	{"an entry in a segment edited", func(t *testing.T, dir string) {
		rewrite(t, segmentNames(t, dir, ".gz")[1], 201, `"digits":"100.`, `"digits":"200.`)
	}, FaultSegment, 0, "Copy it back from the archive", true},
	{"an entry in a segment edited, and the table of segments", func(t *testing.T, dir string) {
		ix := rewrite(t, segmentNames(t, dir, ".gz")[1], 201, `"digits":"100.`, `"digits":"200.`)
		text, err := indexJSON(Segment{Index: ix})
		must(t, err)
		edit(t, dir, "UPDATE segments SET members = '"+string(text)+"' WHERE first = 201")
	}, FaultSegment, 0, "leaf hash differs", true},
	{"two segments swapped", func(t *testing.T, dir string) {
		n := segmentNames(t, dir, ".gz")
		must(t, os.Rename(n[0], n[0]+".x"))
		must(t, os.Rename(n[1], n[0]))
		must(t, os.Rename(n[0]+".x", n[1]))
	}, FaultSegment, 201, "Copy it back from the archive", true},
	{"a text in place of a segment", func(t *testing.T, dir string) {
		spoil(t, segmentNames(t, dir, ".gz")[1], func(b []byte) []byte { return bytes.Repeat([]byte("sowing plan 2027 "), len(b))[:len(b)] })
	}, FaultSegment, 201, "not gzip", true},
	{"a folder in place of a segment", func(t *testing.T, dir string) {
		n := segmentNames(t, dir, ".gz")[1]
		must(t, os.Remove(n))
		must(t, os.Mkdir(n, 0o750))
	}, FaultSegment, 201, "no ordinary file", true},
	{"a description removed", func(t *testing.T, dir string) {
		must(t, os.Remove(segmentNames(t, dir, ".json")[1]))
	}, FaultSegment, 201, ".segment.json, which ties the segment of entries 201 to 400 to its checkpoint, is missing", false},
	{"a description edited", func(t *testing.T, dir string) {
		spoil(t, segmentNames(t, dir, ".json")[1], func(b []byte) []byte { return bytes.Replace(b, []byte("201"), []byte("202"), 1) })
	}, FaultSegment, 201, "SHA-256 differs", false},
	{"a row of the table of segments deleted", func(t *testing.T, dir string) {
		edit(t, dir, "DELETE FROM segments WHERE first = 201")
	}, FaultEdited, 201, "has lost its bytes, and no segment holds them", true},
	{"a row of the table of segments moved", func(t *testing.T, dir string) {
		edit(t, dir, "UPDATE segments SET first = 200 WHERE first = 201")
	}, FaultSegment, 0, "the table of segments says", true},
	{"another name in the table of segments", func(t *testing.T, dir string) {
		edit(t, dir, "UPDATE segments SET file = '../../../etc/passwd' WHERE first = 201")
	}, FaultSegment, 0, "the table of segments says", true},
	{"another entry that tells of a segment", func(t *testing.T, dir string) {
		edit(t, dir, "UPDATE segments SET sealed = 3 WHERE first = 201")
	}, FaultSegment, 201, "does not say of", false},
	{"a segment that no entry tells of", func(t *testing.T, dir string) {
		edit(t, dir, "UPDATE segments SET file = 'north-lab-aaaaa-000000000201-000000000400.ndjson.gz' WHERE first = 201")
	}, FaultSegment, 201, "is missing", true},
	{"an entry emptied that was never sealed", func(t *testing.T, dir string) {
		edit(t, dir, "UPDATE entries SET json = x'' WHERE seq = 450")
	}, FaultEdited, 450, "has lost its bytes, and no segment holds them", false},
	{"a hash that was kept edited", func(t *testing.T, dir string) {
		edit(t, dir, "UPDATE entries SET hashes = randomblob(length(hashes)) WHERE seq = 300")
	}, FaultTree, 300, "does not follow", true},
	{"an emptied row deleted", func(t *testing.T, dir string) {
		edit(t, dir, "DELETE FROM entries WHERE seq = 300")
	}, FaultMissing, 300, "1 missing", true},
}

func TestEveryAlterationOfASegmentIsTold(t *testing.T) {
	t.Parallel()
	good, _ := sealedSpecimen(t)
	for _, a := range sealedAttacks {
		t.Run(a.name, func(t *testing.T) {
			t.Parallel()
			dir := copyDir(t, good)
			a.do(t, dir)
			r, err := Verify(context.Background(), dir, "", nil)
			must(t, err)
			found := false
			for _, f := range r.Faults {
				found = found || f.Kind == a.kind && (a.seq == 0 || f.Seq == a.seq) && strings.Contains(f.What, a.what)
			}
			if !found || r.Verified {
				t.Errorf("it is not told as %s of entry %d with %q:\n%s", a.kind, a.seq, a.what, r.Text())
			}
			if len(r.Faults) > 4 {
				t.Errorf("one change is told as %d faults:\n%s", len(r.Faults), r.Text())
			}
			readsOn(t, dir, a.lost)
		})
	}
}

// readsOn holds that everything that is not in the spoilt segment can be read, that nothing wrong ever is, and that recording
// goes on.
func readsOn(t *testing.T, dir string, lost bool) {
	t.Helper()
	ctx := context.Background()
	j, err := Open(ctx, Options{Dir: dir, Site: "north-lab"})
	if err != nil {
		if !errors.As(err, new(*Damaged)) {
			t.Error(err)
		}
		return
	}
	defer j.Close()
	if e, err := j.Read(ctx, 0, 200); err != nil || len(e) != 200 {
		if !strings.Contains(t.Name(), "swapped") {
			t.Errorf("of the first segment %d entries can be read: %v", len(e), err)
		}
	}
	if e, err := j.Read(ctx, 500, 1000); err != nil || len(e) != 1000 {
		t.Errorf("after the segments %d entries can be read: %v", len(e), err)
	}
	for after := uint64(200); after < 400; {
		e, err := j.Read(ctx, after, 1)
		if err != nil {
			if !lost {
				t.Errorf("entry %d: %v", after+1, err)
			}
			return
		}
		after = e[0].Seq
	}
	if lost {
		t.Error("every entry of the spoilt segment was read")
	}
	appendN(t, j, "b-1", 1)
}

func TestScanGoesOnPastASegmentThatIsMissing(t *testing.T) {
	t.Parallel()
	dir, archive := sealedSpecimen(t)
	lost := segmentNames(t, dir, ".gz")[0]
	must(t, os.Remove(lost))
	n := 0
	err := Scan(context.Background(), dir, 0, func(record.Entry) error { n++; return nil })
	var fault *SegmentFault
	if !errors.As(err, &fault) || fault.Seq != 1 || n != 1502-200 || !strings.Contains(err.Error(), "200 entries are left out") ||
		!strings.Contains(err.Error(), lost) || !strings.Contains(err.Error(), "the archive") {
		t.Errorf("%d entries, %v", n, err)
	}
	// A folder with copies will do.
	other := t.TempDir()
	for name, b := range archive.files {
		must(t, os.WriteFile(filepath.Join(other, name), b, 0o640))
	}
	n = 0
	if err := ScanWith(context.Background(), dir, other, 0, func(record.Entry) error { n++; return nil }); err != nil || n != 1502 {
		t.Errorf("with a folder of copies %d entries, %v", n, err)
	}
	// Copied back, all is well.
	must(t, os.WriteFile(lost, archive.files[filepath.Base(lost)], 0o640))
	verifyClean(t, dir)
}
