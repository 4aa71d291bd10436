package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"testing"

	"github.com/ncruces/go-sqlite3"
)

// segments are the segment files of the sealed journal, oldest first.
func segments(t *testing.T, e evidence) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(e.at("sealed"), "segments", "*.ndjson.gz"))
	if err != nil || len(names) < 2 {
		t.Fatalf("%d segments, %v", len(names), err)
	}
	slices.Sort(names)
	return names
}

// segment changes one segment file, or removes it.
func segment(n int, change func(b []byte) []byte) func(t *testing.T, e evidence) {
	return func(t *testing.T, e evidence) {
		t.Helper()
		name := segments(t, e)[n]
		b, err := os.ReadFile(name)
		if err == nil && change == nil {
			err = os.Remove(name)
		}
		if err != nil {
			t.Fatal(err)
		}
		if change != nil {
			writeFile(t, name, change(b))
		}
	}
}

// regzip replaces the first place of a text in what is compressed, as one member.
func regzip(b []byte, from, to string) []byte {
	r, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		return nil
	}
	plain, err := io.ReadAll(r)
	if err != nil {
		return nil
	}
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	_, err = w.Write(bytes.Replace(plain, []byte(from), []byte(to), 1))
	if err = errors.Join(err, w.Close()); err != nil {
		return nil
	}
	return out.Bytes()
}

// agreeingSegments makes the index in the table that says where sealed entries are agree with the first segment file as it is.
func agreeingSegments(t *testing.T, e evidence) {
	t.Helper()
	db, err := sqlite3.Open("file:" + filepath.Join(e.at("sealed"), "journal.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	b, err := os.ReadFile(segments(t, e)[0])
	if err != nil {
		t.Fatal(err)
	}
	row := column(t, db, "SELECT first, members FROM segments ORDER BY first LIMIT 1")[0]
	index := fileHash.ReplaceAll(row.text, fmt.Appendf(nil, "${1}%x", sha256.Sum256(b)))
	index = fileSize.ReplaceAll(index, fmt.Appendf(nil, "${1}%d", len(b)))
	execute(t, db, fmt.Sprintf("UPDATE segments SET members = x'%x' WHERE first = %d", index, row.seq))
}

var fileSize = regexp.MustCompile(`("bytes":\s*)\d+`)

// retar edits an entry in the backup and makes every sum in it agree.
func retar(t *testing.T, e evidence, from, to string) {
	t.Helper()
	b, err := os.ReadFile(e.at("lots.backup.tar"))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	w := tar.NewWriter(&out)
	sums := map[string]string{} // old → new
	for r := tar.NewReader(bytes.NewReader(b)); ; {
		h, err := r.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		is := agree(h.Name, content, from, to, sums)
		h.Size = int64(len(is))
		if err := w.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(is); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	writeFile(t, e.at("lots.backup.tar"), out.Bytes())
}

// agree gives a part of the backup as the attacker wants it, and notes which sums and sizes change with it.
func agree(name string, content []byte, from, to string, sums map[string]string) []byte {
	is := content
	if name == "entries.ndjson.gz" {
		is = regzip(content, from, to)
		sums[fmt.Sprintf(`"size": %d`, len(content))] = fmt.Sprintf(`"size": %d`, len(is))
		sums[fmt.Sprintf(`"bytes": %d`, len(content))] = fmt.Sprintf(`"bytes": %d`, len(is))
	}
	for old, new := range sums {
		is = bytes.ReplaceAll(is, []byte(old), []byte(new))
	}
	if !bytes.Equal(is, content) {
		sums[fmt.Sprintf("%x", sha256.Sum256(content))] = fmt.Sprintf("%x", sha256.Sum256(is))
	}
	return is
}
