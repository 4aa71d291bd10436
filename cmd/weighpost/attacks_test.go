package main

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

const verifyJournal = "journal verify JOURNAL --key KEY"

// sql edits journal.db, as anyone with the file can.
func sql(text string) func(t *testing.T, e evidence) {
	return func(t *testing.T, e evidence) {
		t.Helper()
		db := openDB(t, e)
		defer db.Close()
		if err := db.Exec(text); err != nil {
			t.Fatal(err)
		}
	}
}

func openDB(t *testing.T, e evidence) *sqlite3.Conn {
	t.Helper()
	db, err := sqlite3.Open("file:" + filepath.Join(e.journal(), "journal.db"))
	if err != nil {
		t.Fatal(err)
	}
	return db
}

// swapText replaces a text in one entry.
func swapText(seq int, from, to string) func(t *testing.T, e evidence) {
	return sql(fmt.Sprintf("UPDATE entries SET json = CAST(replace(CAST(json AS TEXT), '%s', '%s') AS BLOB) WHERE seq = %d", from, to, seq))
}

// bytesOf changes a file of the evidence.
func bytesOf(name string, change func(b []byte) []byte) func(t *testing.T, e evidence) {
	return func(t *testing.T, e evidence) {
		t.Helper()
		b, err := os.ReadFile(e.at(name))
		if err != nil {
			t.Fatal(err)
		}
		writeFile(t, e.at(name), change(b))
	}
}

// all does one thing after the other.
func all(steps ...func(t *testing.T, e evidence)) func(t *testing.T, e evidence) {
	return func(t *testing.T, e evidence) {
		t.Helper()
		for _, step := range steps {
			step(t, e)
		}
	}
}

// instead puts one file or folder of the evidence in the place of another.
func instead(of, with string) func(t *testing.T, e evidence) {
	return func(t *testing.T, e evidence) {
		t.Helper()
		if err := os.RemoveAll(e.at(of)); err != nil {
			t.Fatal(err)
		}
		if info, err := os.Stat(e.at(with)); err == nil && info.IsDir() {
			copyFiles(t, e.at(with), e.at(of))
			return
		}
		b, err := os.ReadFile(e.at(with))
		if err != nil {
			t.Fatal(err)
		}
		writeFile(t, e.at(of), b)
	}
}

func remove(name string) func(t *testing.T, e evidence) {
	return func(t *testing.T, e evidence) {
		t.Helper()
		if err := os.RemoveAll(e.at(name)); err != nil {
			t.Fatal(err)
		}
	}
}

// ownKey is the journal's own secret key; strangersKey another one with the same name.
func ownKey(t *testing.T, e evidence) note.Signer {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(e.journal(), "key"))
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(strings.TrimSpace(string(b)))
	if err != nil {
		t.Fatal(err)
	}
	return signer
}

func strangersKey(t *testing.T, e evidence) note.Signer {
	t.Helper()
	secret, public, err := note.GenerateKey(rand.Reader, ownKey(t, e).Name())
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(e.journal(), "key"), []byte(secret+"\n"))
	writeFile(t, filepath.Join(e.journal(), "key.pub"), []byte(public+"\n"))
	signer, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	return signer
}

// anew makes hashes, checkpoints and head of the journal anew, as someone would who knows how all of it is made: with the key
// that it is given, or, without one, the hashes only.
func anew(key func(t *testing.T, e evidence) note.Signer) func(t *testing.T, e evidence) {
	return func(t *testing.T, e evidence) {
		t.Helper()
		var signer note.Signer
		if key != nil {
			signer = key(t, e)
		}
		db := openDB(t, e)
		defer db.Close()
		tree := &storedTree{}
		signed := column(t, db, "SELECT seq, note FROM checkpoints ORDER BY seq")
		for _, row := range column(t, db, "SELECT seq, json FROM entries ORDER BY seq") {
			hashes := tree.add(t, row.text)
			execute(t, db, sqlHashes(hashes, row.seq))
			for _, at := range signed {
				if at.seq == row.seq && signer != nil {
					execute(t, db, fmt.Sprintf("UPDATE checkpoints SET note = x'%x' WHERE seq = %d", tree.sign(t, signer), row.seq))
				}
			}
		}
		execute(t, db, fmt.Sprintf("DELETE FROM checkpoints WHERE seq > %d", tree.size))
		if signer != nil {
			execute(t, db, fmt.Sprintf("INSERT OR REPLACE INTO checkpoints VALUES(%d, x'%x')", tree.size, tree.sign(t, signer)))
			writeHead(t, e, uint64(tree.size), tree.root(t))
		}
	}
}

type numbered struct {
	seq  int64
	text []byte
}

func column(t *testing.T, db *sqlite3.Conn, text string) (rows []numbered) {
	t.Helper()
	stmt, _, err := db.Prepare(text)
	if err != nil {
		t.Fatal(err)
	}
	defer stmt.Close()
	for stmt.Step() {
		rows = append(rows, numbered{stmt.ColumnInt64(0), stmt.ColumnBlob(1, nil)})
	}
	if err := stmt.Err(); err != nil {
		t.Fatal(err)
	}
	return rows
}

func execute(t *testing.T, db *sqlite3.Conn, text string) {
	t.Helper()
	if err := db.Exec(text); err != nil {
		t.Fatal(err)
	}
}

// storedTree is a tree with all its hashes.
type storedTree struct {
	size   int64
	hashes []tlog.Hash
}

func (s *storedTree) ReadHashes(indexes []int64) (found []tlog.Hash, err error) {
	for _, i := range indexes {
		found = append(found, s.hashes[i])
	}
	return found, nil
}

func (s *storedTree) add(t *testing.T, entry []byte) (joined []byte) {
	t.Helper()
	hashes, err := tlog.StoredHashes(s.size, entry, s)
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range hashes {
		joined = append(joined, h[:]...)
	}
	s.hashes = append(s.hashes, hashes...)
	s.size++
	return joined
}

func (s *storedTree) root(t *testing.T) tlog.Hash {
	t.Helper()
	root, err := tlog.TreeHash(s.size, s)
	if err != nil {
		t.Fatal(err)
	}
	return root
}

func (s *storedTree) sign(t *testing.T, signer note.Signer) []byte {
	t.Helper()
	signed, err := note.Sign(&note.Note{Text: fmt.Sprintf("%s\n%d\n%s\n", signer.Name(), s.size, s.root(t))}, signer)
	if err != nil {
		t.Fatal(err)
	}
	return signed
}

// writeHead writes both slots of the head file, whose form stands in gateway/journal.
func writeHead(t *testing.T, e evidence, seq uint64, root tlog.Hash) {
	t.Helper()
	name := filepath.Join(e.journal(), "head")
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for _, slot := range [][]byte{b[:104], b[4096:4200]} {
		binary.BigEndian.PutUint64(slot[16:], seq)
		copy(slot[24:], root[:])
		sum := sha256.Sum256(slot[:72])
		copy(slot[72:], sum[:])
	}
	writeFile(t, name, b)
}

// flipped turns one bit in the middle of a file.
func flipped(name string) func(t *testing.T, e evidence) {
	return bytesOf(name, func(b []byte) []byte { b[len(b)/2] ^= 0x10; return b })
}

// renumbered closes the gap that a deleted entry leaves.
func renumbered(seq int) func(t *testing.T, e evidence) {
	return func(t *testing.T, e evidence) {
		t.Helper()
		sql(fmt.Sprintf("DELETE FROM entries WHERE seq = %d", seq))(t, e)
		db := openDB(t, e)
		defer db.Close()
		for _, row := range column(t, db, fmt.Sprintf("SELECT seq, json FROM entries WHERE seq > %d ORDER BY seq", seq)) {
			was, is := fmt.Sprintf(`"seq":%d,`, row.seq), fmt.Sprintf(`"seq":%d,`, row.seq-1)
			execute(t, db, fmt.Sprintf("UPDATE entries SET seq = %d, json = x'%x' WHERE seq = %d", row.seq-1,
				bytes.Replace(row.text, []byte(was), []byte(is), 1), row.seq))
		}
	}
}

func sqlHashes(hashes []byte, seq int64) string {
	return fmt.Sprintf("UPDATE entries SET hashes = x'%x' WHERE seq = %d", hashes, seq)
}
