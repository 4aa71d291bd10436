package journal

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// specimen makes a closed journal of two balances with three checkpoints, a cursor and a parked entry, once per test.
func specimen(t *testing.T) string {
	t.Helper()
	dir, ctx := filepath.Join(t.TempDir(), "journal"), context.Background()
	j := open(t, Options{Dir: dir})
	for i := range 3 {
		appendN(t, j, "b-12", 10+i)
		appendN(t, j, "b-7", 7)
		if _, _, err := j.Checkpoint(ctx); err != nil {
			t.Fatal(err)
		}
	}
	e, err := j.Read(ctx, 4, 1)
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Park(ctx, "mqtt", e[0], &record.Parked{Sink: "mqtt", Entry: 5}); err != nil {
		t.Fatal(err)
	}
	if err := j.SetCursor("mqtt", 40); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

const specimenEntries = 10 + 11 + 12 + 3*7 + 1

func verifyClean(t testing.TB, dir string) Report {
	t.Helper()
	r, err := Verify(context.Background(), dir, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	if !r.Verified {
		t.Fatalf("the journal has faults:\n%s", r.Text())
	}
	return r
}

func TestVerifyFindsNoFaultInWhatWasWritten(t *testing.T) {
	dir := specimen(t)
	r := verifyClean(t, dir)
	if r.Entries != specimenEntries || r.Head != specimenEntries || r.Signed != specimenEntries || r.Checkpoints != 4 {
		t.Errorf("%+v", r)
	}
	for _, want := range []string{"held elsewhere  none", r.Key, r.Root} {
		if !strings.Contains(r.Text(), want) {
			t.Errorf("the text does not say %q:\n%s", want, r.Text())
		}
	}
	if byFile, err := Verify(context.Background(), filepath.Join(dir, dbName), "", nil); err != nil || byFile.Root != r.Root {
		t.Errorf("by the name of the file: %+v, %v", byFile, err)
	}
}

func TestVerifyReadsAJournalThatIsBeingWritten(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir})
	stop, done := make(chan struct{}), make(chan error)
	go func() {
		for i := 0; ; i++ {
			if _, err := j.Append(context.Background(), weighing("b-12", i), weighing("b-7", i)); err != nil {
				done <- err
				return
			}
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
		}
	}()
	if err := j.Wait(context.Background(), 500); err != nil {
		t.Error(err)
	}
	for range 5 {
		if r := verifyClean(t, dir); !r.Live || r.Entries < 500 {
			t.Errorf("live %v, %d entries", r.Live, r.Entries)
		}
	}
	close(stop)
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// edit runs SQL on a closed journal, as anyone with the file can. All is folded into journal.db again.
func edit(t *testing.T, dir, sql string) {
	t.Helper()
	db, err := sqlite3.Open("file:" + filepath.Join(dir, dbName))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.Exec(sql); err != nil {
		t.Fatal(err)
	}
}

// spoil changes bytes of a file.
func spoil(t *testing.T, name string, change func(b []byte) []byte) {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, change(b), 0o640); err != nil {
		t.Fatal(err)
	}
}

func copyDir(t testing.TB, from string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy")
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
	return to
}

// attacks are changes that someone makes to a closed journal, and what must be said about each.
var attacks = []struct {
	name string
	do   func(t *testing.T, dir string)
	kind string // of a fault that Verify must report
	seq  uint64 // that it must name, 0 for none
}{
	{"a digit of one weighing edited", func(t *testing.T, dir string) {
		edit(t, dir, `UPDATE entries SET json = CAST(replace(CAST(json AS TEXT), '"digits":"4.', '"digits":"5.') AS BLOB) WHERE seq = 5`)
	}, FaultEdited, 5},
	{"an entry and its leaf hash edited", func(t *testing.T, dir string) {
		reHash(t, dir, 5, false)
	}, FaultTree, 6},
	{"an entry edited and all hashes made anew", func(t *testing.T, dir string) {
		reHash(t, dir, 5, true)
	}, FaultCheckpoint, 17},
	{"a stored tree hash edited", func(t *testing.T, dir string) {
		edit(t, dir, "UPDATE entries SET hashes = substr(hashes, 1, 32) || randomblob(64) WHERE seq = 4")
	}, FaultTree, 4},
	{"an entry deleted", func(t *testing.T, dir string) { edit(t, dir, "DELETE FROM entries WHERE seq = 20") }, FaultMissing, 20},
	{"the last entries cut off", func(t *testing.T, dir string) { edit(t, dir, "DELETE FROM entries WHERE seq > 50") }, FaultMissing, 51},
	{"two entries swapped", func(t *testing.T, dir string) {
		edit(t, dir, "UPDATE entries SET seq = -1 WHERE seq = 8; UPDATE entries SET seq = 8 WHERE seq = 9; UPDATE entries SET seq = 9 WHERE seq = -1")
	}, FaultIdentity, 8},
	{"an entry renumbered", func(t *testing.T, dir string) { edit(t, dir, "UPDATE entries SET seq = 900 WHERE seq = 55") }, FaultMissing, 55},
	{"an entry put in before the first", func(t *testing.T, dir string) {
		edit(t, dir, "INSERT INTO entries SELECT 0, json, hashes FROM entries WHERE seq = 1")
	}, FaultIdentity, 0},
	{"an entry appended by hand", func(t *testing.T, dir string) {
		edit(t, dir, "INSERT INTO entries SELECT 56, json, hashes FROM entries WHERE seq = 54")
	}, FaultIdentity, 56},
	{"a checkpoint edited", func(t *testing.T, dir string) {
		edit(t, dir, "UPDATE checkpoints SET note = replace(CAST(note AS TEXT), '17', '18') WHERE seq = 17")
	}, FaultCheckpoint, 17},
	{"a checkpoint signed by another key", func(t *testing.T, dir string) { reSign(t, dir, 17) }, FaultCheckpoint, 17},
	{"a checkpoint moved to another size", func(t *testing.T, dir string) {
		edit(t, dir, "UPDATE checkpoints SET seq = 16 WHERE seq = 17")
	}, FaultCheckpoint, 16},
	{"the table of numbers edited", func(t *testing.T, dir string) {
		edit(t, dir, "UPDATE numbers SET last = last - 1 WHERE balance = 'b-7'")
	}, FaultState, 0},
	{"a number for a balance without entries", func(t *testing.T, dir string) {
		edit(t, dir, "INSERT INTO numbers VALUES('b-99', 4)")
	}, FaultState, 0},
	{"a cursor past the end", func(t *testing.T, dir string) { edit(t, dir, "UPDATE cursors SET seq = 1000") }, FaultState, 0},
	{"a parked entry that says nothing", func(t *testing.T, dir string) { edit(t, dir, "UPDATE parked SET notice = 1") }, FaultState, 0},
	{"a trigger put in", func(t *testing.T, dir string) {
		edit(t, dir, "CREATE TRIGGER quiet AFTER INSERT ON entries BEGIN DELETE FROM cursors; END")
	}, FaultState, 0},
	{"bytes inside a page", func(t *testing.T, dir string) {
		spoil(t, filepath.Join(dir, dbName), func(b []byte) []byte {
			at := bytes.Index(b, []byte(`"seq":30,`))
			copy(b[at+200:], bytes.Repeat([]byte{'7'}, 64))
			return b
		})
	}, FaultEdited, 30},
	{"a page overwritten", func(t *testing.T, dir string) {
		spoil(t, filepath.Join(dir, dbName), func(b []byte) []byte {
			at := bytes.Index(b, []byte(`"seq":30,`)) / pageSize * pageSize
			_, _ = rand.Read(b[at : at+pageSize])
			b[at] = 0 // of no kind of page
			return b
		})
	}, FaultFile, 0},
	{"journal.db truncated", func(t *testing.T, dir string) {
		spoil(t, filepath.Join(dir, dbName), func(b []byte) []byte { return b[:len(b)/2] })
	}, FaultFile, 0},
	{"journal.db replaced by a text", func(t *testing.T, dir string) {
		spoil(t, filepath.Join(dir, dbName), func([]byte) []byte { return []byte("sowing plan 2027\n") })
	}, FaultFile, 0},
	{"journal.db replaced by another program's", func(t *testing.T, dir string) {
		must(t, os.Remove(filepath.Join(dir, dbName)))
		edit(t, dir, "CREATE TABLE seeds(lot TEXT)")
	}, FaultFile, 0},
	{"journal.db emptied", func(t *testing.T, dir string) {
		spoil(t, filepath.Join(dir, dbName), func([]byte) []byte { return nil })
	}, FaultFile, 0},
	{"journal.db removed", func(t *testing.T, dir string) { must(t, os.Remove(filepath.Join(dir, dbName))) }, FaultFile, 0},
	{"head removed", func(t *testing.T, dir string) { must(t, os.Remove(filepath.Join(dir, headName))) }, FaultHead, 0},
	{"both slots of head damaged", func(t *testing.T, dir string) {
		spoil(t, filepath.Join(dir, headName), func(b []byte) []byte { b[20] ^= 1; b[headBlock+20] ^= 1; return b })
	}, FaultHead, 0},
	{"head of another journal", func(t *testing.T, dir string) {
		other, err := os.ReadFile(filepath.Join(specimen(t), headName))
		must(t, err)
		must(t, os.WriteFile(filepath.Join(dir, headName), other, 0o640))
	}, FaultHead, 0},
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// harmlessToRecording are attacks that a start does not look for, or sees only in the last 1,000 entries: Verify's.
var harmlessToRecording = map[string]bool{
	"a checkpoint edited": true, "a checkpoint signed by another key": true, "a checkpoint moved to another size": true,
	"a cursor past the end": true, "a parked entry that says nothing": true,
}

func TestEveryAlterationIsToldByVerifyAndByOpen(t *testing.T) {
	good := specimen(t)
	for _, a := range attacks {
		t.Run(a.name, func(t *testing.T) {
			dir := copyDir(t, good)
			a.do(t, dir)
			before := snapshot(t, dir)
			r, err := Verify(context.Background(), dir, "", nil)
			if err != nil {
				t.Fatal(err)
			}
			named := false
			for _, f := range r.Faults {
				named = named || f.Kind == a.kind && (a.seq == 0 || f.Seq == a.seq)
			}
			if r.Verified || !named {
				t.Errorf("Verify does not name a fault of kind %q at %d:\n%s", a.kind, a.seq, r.Text())
			}
			j, err := Open(context.Background(), Options{Dir: dir, Site: "north-lab"})
			switch {
			case harmlessToRecording[a.name] && err != nil:
				t.Errorf("Open refuses: %v", err)
			case harmlessToRecording[a.name]:
				must(t, j.Close())
				return
			case err == nil:
				must(t, j.Close())
				t.Fatal("Open accepts it")
			case !strings.Contains(err.Error(), "Nothing was changed"):
				t.Errorf("Open says: %v", err)
			}
			if after := snapshot(t, dir); after != before {
				t.Errorf("the files were touched:\n%s\nbefore:\n%s", after, before)
			}
		})
	}
}

// snapshot is the content of all files of a folder but the lock.
func snapshot(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	files, err := os.ReadDir(dir)
	must(t, err)
	for _, f := range files {
		if f.Name() == lockName {
			continue
		}
		content, err := os.ReadFile(filepath.Join(dir, f.Name()))
		must(t, err)
		fmt.Fprintf(&b, "%s %d %v\n", f.Name(), len(content), tlog.RecordHash(content))
	}
	return b.String()
}

// reHash edits an entry as someone would who knows how the tree is made: with its leaf hash, or with all hashes.
func reHash(t *testing.T, dir string, seq uint64, all bool) {
	t.Helper()
	edit(t, dir, fmt.Sprintf(`UPDATE entries SET json = CAST(replace(CAST(json AS TEXT), '"place":"cold', '"place":"warm') AS BLOB) WHERE seq = %d`, seq))
	db, err := sqlite3.Open("file:" + filepath.Join(dir, dbName))
	must(t, err)
	defer db.Close()
	var at edge
	must(t, query(db, "SELECT seq, json FROM entries ORDER BY seq", nil, func(row *sqlite3.Stmt) error {
		hashes, err := at.add(tlog.RecordHash(row.ColumnRawBlob(1)))
		must(t, err)
		if n := uint64(row.ColumnInt64(0)); n == seq || all {
			must(t, db.Exec(fmt.Sprintf("UPDATE entries SET hashes = x'%x' WHERE seq = %d", joinHashes(nil, hashes), n)))
		}
		return nil
	}))
}

// reSign puts a checkpoint with the right text and a stranger's signature in place of one.
func reSign(t *testing.T, dir string, size uint64) {
	t.Helper()
	key, err := readKey(osDisk{}, dir)
	must(t, err)
	secret, _, err := note.GenerateKey(rand.Reader, key.Name())
	must(t, err)
	stranger, err := note.NewSigner(secret)
	must(t, err)
	db, err := sqlite3.Open("file:" + filepath.Join(dir, dbName))
	must(t, err)
	defer db.Close()
	at, err := loadEdge(db, size)
	must(t, err)
	signed, err := signHead(stranger, key.Name(), &at)
	must(t, err)
	must(t, db.Exec(fmt.Sprintf("UPDATE checkpoints SET note = x'%x' WHERE seq = %d", signed, size)))
}

func TestAnOlderCopyPutBackIsRefused(t *testing.T) {
	dir := specimen(t)
	older, err := os.ReadFile(filepath.Join(dir, dbName))
	must(t, err)
	j := open(t, Options{Dir: dir})
	appendN(t, j, "b-12", 3)
	must(t, j.Close())
	must(t, os.WriteFile(filepath.Join(dir, dbName), older, 0o640))
	_, err = Open(context.Background(), Options{Dir: dir, Site: "north-lab"})
	if err == nil || !strings.Contains(err.Error(), "58 were acknowledged, and journal.db ends with entry 55") {
		t.Errorf("Open: %v", err)
	}
	r, err := Verify(context.Background(), dir, "", nil)
	if err != nil || r.Verified || r.Faults[0].Kind != FaultMissing || r.Faults[0].Seq != 56 {
		t.Errorf("Verify: %v\n%s", err, r.Text())
	}
}

// With head file and all put back only a checkpoint that is held elsewhere can tell; it does.
func TestACheckpointHeldElsewhereTellsOfAWholeOlderCopy(t *testing.T) {
	dir := specimen(t)
	older := copyDir(t, dir)
	j := open(t, Options{Dir: dir})
	appendN(t, j, "b-12", 3)
	seq, signed, err := j.Checkpoint(context.Background())
	must(t, err)
	must(t, j.Close())
	public, err := os.ReadFile(filepath.Join(older, pubName))
	must(t, err)
	key, err := note.NewVerifier(strings.TrimSpace(string(public)))
	must(t, err)
	n, err := note.Open(signed, note.VerifierList(key))
	must(t, err)
	c, err := proof.ParseText(n.Text)
	must(t, err)
	if r := verifyClean(t, older); c.Size != seq || r.Entries >= c.Size {
		t.Errorf("the copy has %d entries, the checkpoint covers %d", r.Entries, c.Size)
	}
}

func TestVerifyWithAStrangersKeyShowsNothing(t *testing.T) {
	dir := specimen(t)
	r, err := Verify(context.Background(), dir, filepath.Join(specimen(t), pubName), nil)
	if err != nil || r.Verified || r.Faults[0].Kind != FaultKey || r.Signed != 0 {
		t.Errorf("%v\n%s", err, r.Text())
	}
}

func TestReportAsJSONNamesItsFaults(t *testing.T) {
	dir := specimen(t)
	edit(t, dir, "DELETE FROM entries WHERE seq BETWEEN 10 AND 12")
	r, err := Verify(context.Background(), dir, "", nil)
	must(t, err)
	text, err := json.Marshal(r)
	must(t, err)
	if want := `"faults":[{"seq":10,"kind":"missing","what":"3 missing, from here to 12","where":"page `; !strings.Contains(string(text), want) {
		t.Errorf("%s does not hold %s", text, want)
	}
}
