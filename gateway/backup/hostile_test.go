package backup

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// small makes a small backup with a secret part, and gives its path and bytes.
func small(t testing.TB) (b *bench, path string, all []byte) {
	t.Helper()
	b = newBench(t)
	b.weigh(3)
	o := b.order()
	o.Recipients = []string{identity(t).Recipient().String()}
	made := b.create(o)
	path = filepath.Join(made.Folder, made.Name)
	all, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b, path, all
}

// whole opens and verifies a file.
func whole(t testing.TB, path, key string) error {
	f, err := Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Verify(t.Context(), key, nil)
}

// everyFew is how many bytes a test goes on by: one in a long run.
func everyFew() int {
	if os.Getenv("WEIGHPOST_LONG") != "" {
		return 1
	}
	return 17
}

// TestEveryFlippedByteIsFound flips one bit in each byte of a backup, one after the other; in a short run in every 17th.
func TestEveryFlippedByteIsFound(t *testing.T) {
	t.Parallel()
	b, path, all := small(t)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d, %d bytes", seed, len(all))
	random := rand.New(rand.NewPCG(seed, 0))
	key := b.publicKey()
	if err := whole(t, path, key); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	step := everyFew()
	for i := random.IntN(step); i < len(all); i += step {
		was := all[i]
		if _, err := f.WriteAt([]byte{was ^ 1<<random.IntN(8)}, int64(i)); err != nil {
			t.Fatal(err)
		}
		var fault *Fault
		if err := whole(t, path, key); !errors.As(err, &fault) {
			t.Errorf("byte %d of %d altered: %v", i, len(all), err)
		}
		if _, err := f.WriteAt([]byte{was}, int64(i)); err != nil {
			t.Fatal(err)
		}
	}
}

// TestEveryCutIsFoundAsOne cuts a backup at every length; in a short run at every 17th.
func TestEveryCutIsFoundAsOne(t *testing.T) {
	t.Parallel()
	b, path, all := small(t)
	key := b.publicKey()
	for n := len(all) - 1; n >= 0; n -= everyFew() {
		if err := os.Truncate(path, int64(n)); err != nil {
			t.Fatal(err)
		}
		var fault *Fault
		if err := whole(t, path, key); !errors.As(err, &fault) || fault.Kind != Cut || !strings.Contains(err.Error(), "is cut short") {
			t.Fatalf("%d of %d bytes: %v", n, len(all), err)
		}
	}
}

// member is one file of a tar as somebody could write it.
type member struct {
	header tar.Header
	body   []byte
}

func members(t *testing.T, all []byte) (list []member) {
	t.Helper()
	r := tar.NewReader(bytes.NewReader(all))
	for {
		h, err := r.Next()
		if err == io.EOF {
			return list
		}
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, member{*h, body})
	}
}

// wrap writes a tar, with the manifest and the sums made to fit if fit is set: a hostile file need not be a careless one.
func wrap(t *testing.T, list []member, fit bool) []byte {
	t.Helper()
	if fit {
		var m Manifest
		var parts []Part
		for i := range list {
			switch list[i].header.Name {
			case manifestName:
				if err := unmarshal(list[i].body, &m); err != nil {
					t.Fatal(err)
				}
				for i := range parts {
					for _, was := range m.Parts {
						if was.Name == parts[i].Name {
							parts[i].From = was.From
						}
					}
				}
				m.Parts = parts
				text, err := encode(m)
				if err != nil {
					t.Fatal(err)
				}
				list[i].body = text
				sum, _, _ := sumOf(bytes.NewReader(text))
				parts = append(parts, Part{Name: manifestName, SHA256: sum})
			case sumsName:
				list[i].body = sums(parts)
			default:
				sum, _, _ := sumOf(bytes.NewReader(list[i].body))
				parts = append(parts, Part{Name: list[i].header.Name, Size: int64(len(list[i].body)), SHA256: sum})
			}
		}
	}
	var b bytes.Buffer
	b.Grow(3 * block * len(list))
	w := tar.NewWriter(&b)
	for _, m := range list {
		m.header.Size = int64(len(m.body))
		if m.header.Typeflag != tar.TypeReg {
			m.header.Size = 0
		}
		if err := w.WriteHeader(&m.header); err != nil {
			t.Fatal(err)
		}
		if m.header.Size > 0 {
			if _, err := w.Write(m.body); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func zipped(t *testing.T, write func(w io.Writer)) []byte {
	t.Helper()
	var b bytes.Buffer
	w, _ := gzip.NewWriterLevel(&b, gzip.BestSpeed)
	write(w)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestHostileBackupsAreRefused: each is refused with a sentence, within a bounded memory, and nothing is written anywhere.
func TestHostileBackupsAreRefused(t *testing.T) {
	t.Parallel()
	b, path, all := small(t)
	plain := func(name string, body string) member {
		return member{tar.Header{Typeflag: tar.TypeReg, Name: name, Mode: 0o644, ModTime: stampAt(b.weighed).UTC.Time(), Format: tar.FormatUSTAR}, []byte(body)}
	}
	insert := func(list []member, at int, m ...member) []member {
		return append(append(append([]member{}, list[:at]...), m...), list[at:]...)
	}
	link := func(kind byte, name, to string) member {
		m := plain(name, "")
		m.header.Typeflag, m.header.Linkname = kind, to
		return m
	}
	replace := func(list []member, name string, body []byte) []member {
		for i := range list {
			if list[i].header.Name == name {
				list[i].body = body
			}
		}
		return list
	}
	entriesOf := func(write func(w io.Writer)) func([]member) []member {
		return func(list []member) []member { return replace(list, entriesName, zipped(t, write)) }
	}
	line := `{"schema":"weighpost.start/1","id":"north-lab/7qx3a/@/%06d","seq":%d,"site":"north-lab"}` + "\n"
	cases := map[string]struct {
		change func(list []member) []member
		want   string
	}{
		"a name that leads out": {func(l []member) []member { return insert(l, 3, plain("config/../../x.yaml", "x")) }, "which no backup has"},
		"an absolute name":      {func(l []member) []member { return insert(l, 3, plain("/etc/x.yaml", "x")) }, "which no backup has"},
		"a hidden name":         {func(l []member) []member { return insert(l, 3, plain("config/.profile", "x")) }, "which no backup has"},
		"a strange name":        {func(l []member) []member { return insert(l, 3, plain("notes.txt", "x")) }, "which no backup has"},
		"a symbolic link":       {func(l []member) []member { return insert(l, 3, link(tar.TypeSymlink, "config/x", "/etc/shadow")) }, "is no plain file"},
		"a hard link":           {func(l []member) []member { return insert(l, 3, link(tar.TypeLink, "config/x", "key.pub")) }, "is no plain file"},
		"a device":              {func(l []member) []member { return insert(l, 3, link(tar.TypeChar, "config/x", "")) }, "is no plain file"},
		"a pipe":                {func(l []member) []member { return insert(l, 3, link(tar.TypeFifo, "config/x", "")) }, "is no plain file"},
		"a folder":              {func(l []member) []member { return insert(l, 3, link(tar.TypeDir, "config/", "")) }, "is no plain file"},
		"a part twice":          {func(l []member) []member { return insert(l, 3, plain(pubName, "x")) }, "twice"},
		"another order":         {func(l []member) []member { l[1], l[2] = l[2], l[1]; return l }, "is not in its place"},
		"no snapshot":           {func(l []member) []member { return append(l[:1:1], l[2:]...) }, "snapshot.json is missing"},
		"a part after the last": {func(l []member) []member { return append(l, plain("config/x.yaml", "x")) }, "is not in its place"},
		"many parts": {func(l []member) []member {
			more := make([]member, 0, maxParts)
			for i := range maxParts { // and those that are there: more than there may be
				more = append(more, plain(fmt.Sprintf("config/%d.yaml", i), "x"))
			}
			return insert(l, 3, more...)
		}, "more than"},
		"another owner":            {func(l []member) []member { l[2].header.Uid = 1000; return l }, "is not as weighpost writes it"},
		"another time":             {func(l []member) []member { l[2].header.ModTime = time.Unix(1, 0); return l }, "another time"},
		"a long snapshot":          {func(l []member) []member { return replace(l, snapshotName, make([]byte, maxSnapshot+1)) }, "at most"},
		"a snapshot that is none":  {func(l []member) []member { return replace(l, snapshotName, []byte("{}")) }, "do not agree"},
		"a key that is none":       {func(l []member) []member { return replace(l, pubName, []byte("key")) }, "no public key"},
		"entries that are no gzip": {func(l []member) []member { return replace(l, entriesName, []byte(strings.Repeat("entries ", 100))) }, "not gzip"},
		"no entries":               {entriesOf(func(io.Writer) {}), "holds 0 entries"},
		"other entries":            {entriesOf(func(w io.Writer) { fmt.Fprintf(w, line+line+line, 1, 1, 2, 2, 3, 3) }), "are not those of a checkpoint"},
		"entries out of order":     {entriesOf(func(w io.Writer) { fmt.Fprintf(w, line+line, 2, 2, 1, 1) }), "what should be entry 1"},
		"more entries than it says": {func(l []member) []member {
			return replace(l, entriesName, append(bytes.Clone(l[0].body), zipped(t, func(w io.Writer) {
				for i := range 20_000 {
					fmt.Fprintf(w, line, i+4, i+4)
				}
			})...))
		}, "more than the 3 entries"},
		"one line without an end": {entriesOf(func(w io.Writer) {
			for range 40 {
				_, _ = w.Write(make([]byte, 1<<20))
			}
		}), "longer than"},
	}
	before, _ := os.ReadDir(b.folder)
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "backup.tar")
			if err := os.WriteFile(file, wrap(t, c.change(members(t, all)), true), 0o600); err != nil {
				t.Fatal(err)
			}
			var fault *Fault
			if err := whole(t, file, ""); !errors.As(err, &fault) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %q", err, c.want)
			}
		})
	}
	if after, _ := os.ReadDir(b.folder); len(after) != len(before) {
		t.Errorf("something was written: %v", after)
	}
	t.Run("wrapped as it was", func(t *testing.T) { // else the cases above show nothing
		again := wrap(t, members(t, all), true)
		if !bytes.Equal(again, all) {
			t.Error("the tar of another writer differs")
		}
	})
	t.Run("a size that lies", func(t *testing.T) {
		lying := bytes.Clone(all)
		h, err := header(entriesName, 1<<40, stampAt(b.weighed).UTC.Time())
		if err != nil {
			t.Fatal(err)
		}
		copy(lying, h)
		if err := os.WriteFile(path, lying, 0o600); err != nil {
			t.Fatal(err)
		}
		var fault *Fault
		if err := whole(t, path, ""); !errors.As(err, &fault) || fault.Kind != Cut {
			t.Error(err)
		}
	})
}

// TestTheFourSentences: damaged, cut, old and foreign are told apart, and so is a newer format.
func TestTheFourSentences(t *testing.T) {
	t.Parallel()
	b, path, all := small(t)
	at := func(err error) string { // the sentence without the file's name
		if err == nil {
			return ""
		}
		return strings.ReplaceAll(err.Error(), path, "FILE")
	}
	try := func(bytes []byte) string {
		if err := os.WriteFile(path, bytes, 0o600); err != nil {
			t.Fatal(err)
		}
		return at(whole(t, path, b.publicKey()))
	}
	flipped := bytes.Clone(all)
	flipped[block+20] ^= 1
	newer := members(t, all)
	for i := range newer {
		newer[i].body = bytes.ReplaceAll(newer[i].body, []byte(Format), []byte("weighpost.backup/2"))
	}
	if err := os.WriteFile(path, all, 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := VerifyFile(t.Context(), path, Check{Key: b.publicKey(), Journal: b.journal, Scratch: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	old := at(r.IsOld(path, time.Hour, stampAt(0).UTC.Time().Add(48*time.Hour)))
	for _, c := range []struct{ got, want string }{
		{try(flipped), "the backup FILE is damaged: "},
		{try(all[:len(all)-2000]), "the backup FILE is cut short: it ends with byte "},
		{try([]byte("minutes of the seed committee\n")), "FILE is no backup of this journal: it does not begin as a backup does. Name a backup that weighpost made of it"},
		{old, "the backup FILE is whole, but old: it was made on 2026-11-29T02:30:03.000000Z, 48 hours ago, and 0 entries were recorded since. Make a new one"},
		{try(wrap(t, newer, false)), `the backup FILE was written by another weighpost: its format is "weighpost.backup/2"`},
	} {
		if !strings.HasPrefix(c.got, c.want) {
			t.Errorf("got  %s\nwant %s", c.got, c.want)
		}
	}
	_, err = Open(t.TempDir())
	var fault *Fault
	if !errors.As(err, &fault) || fault.Kind != Foreign {
		t.Errorf("a folder: %v", err)
	}
}

// TestABackupOfAnotherJournalIsToldByTheEntries: its key is its own, so only the comparison shows it.
func TestABackupOfAnotherJournalIsToldByTheEntries(t *testing.T) {
	t.Parallel()
	b, other := newBench(t), newBench(t)
	b.weigh(3)
	other.weigh(3)
	made := other.create(other.order())
	_, err := VerifyFile(t.Context(), filepath.Join(made.Folder, made.Name), Check{Journal: b.journal, Scratch: t.TempDir()})
	var fault *Fault
	if !errors.As(err, &fault) || fault.Kind != Foreign || !strings.Contains(err.Error(), "its entry 1 is another one than the journal's") {
		t.Error(err)
	}
	b.weigh(2)
	made = b.create(b.order())
	b.weigh(4)
	r, err := VerifyFile(t.Context(), filepath.Join(made.Folder, made.Name), Check{Key: b.publicKey(), Journal: b.journal, Scratch: t.TempDir()})
	if err != nil || r.Compared != 5 || r.Beyond != 4 || r.Missing != 0 || !r.Rebuilt {
		t.Errorf("%+v, %v", r, err)
	}
}

// firstFormat is a backup of three weighings as the first version that made any wrote it. It is never written anew.
const firstFormat = "testdata/first-format.tar"

func TestTheFirstFormatIsStillRead(t *testing.T) {
	t.Parallel()
	r, err := VerifyFile(t.Context(), firstFormat, Check{Scratch: t.TempDir()})
	if err != nil || r.Manifest.Entries != 3 || !r.Rebuilt {
		t.Errorf("%+v, %v", r, err)
	}
}

// FuzzOpen gives Open files that somebody made up.
func FuzzOpen(f *testing.F) {
	h, err := header(entriesName, 7, time.Unix(1, 0))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(h)
	f.Add(append(append(bytes.Clone(h), make([]byte, block)...), make([]byte, 2*block)...))
	all, err := os.ReadFile(firstFormat) // so that what is altered lies behind the headers too
	if err != nil {
		f.Fatal(err)
	}
	f.Add(all)
	f.Fuzz(func(t *testing.T, text []byte) {
		path := filepath.Join(t.TempDir(), "backup.tar")
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		b, err := Open(path)
		if err != nil {
			return
		}
		defer b.Close()
		_ = b.Verify(t.Context(), "", nil)
		_ = b.Entries(t.Context(), func(record.Entry) error { return nil })
		_, _ = b.Config()
		_, _ = b.Secrets()
	})
}
