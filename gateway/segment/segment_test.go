package segment

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/needs"
)

// rounds is how often something random is tried: few by default, the full count with WEIGHPOST_LONG=1.
func rounds(few, many int) int {
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		return many
	}
	return few
}

// lots are made-up entries, some of them as long as several members.
func lots(n int) [][]byte {
	random := rand.New(rand.NewPCG(uint64(n), 7))
	entries := make([][]byte, n)
	for i := range entries {
		pad := random.IntN(200)
		if random.IntN(997) == 0 {
			pad = 3 * memberBytes / 2
		}
		entries[i] = fmt.Appendf(nil, `{"schema":"weighpost.weighing/1","seq":%d,"lot":"barley %d é","pad":"%s"}`, i+1, random.IntN(1e6),
			strings.Repeat("x", pad))
	}
	return entries
}

func write(t testing.TB, first uint64, entries [][]byte) ([]byte, Index) {
	t.Helper()
	var b bytes.Buffer
	w := NewWriter(&b, first)
	for _, raw := range entries {
		if err := w.Add(raw); err != nil {
			t.Fatal(err)
		}
	}
	ix, err := w.Close()
	if err != nil {
		t.Fatal(err)
	}
	if err := ix.Check(); err != nil || ix.Bytes != int64(b.Len()) || ix.Last != first+uint64(len(entries))-1 {
		t.Fatalf("%d bytes, index %+v: %v", b.Len(), ix, err)
	}
	return b.Bytes(), ix
}

func same(a, b [][]byte) bool {
	return bytes.Equal(bytes.Join(a, []byte{'\n'}), bytes.Join(b, []byte{'\n'}))
}

func readAll(file []byte, first uint64) (got [][]byte, err error) {
	err = Read(bytes.NewReader(file), first, func(raw []byte) error {
		got = append(got, bytes.Clone(raw))
		return nil
	})
	return got, err
}

func TestWhatIsWrittenIsReadBack(t *testing.T) {
	t.Parallel()
	for _, n := range []int{0, 1, 2, memberEntries, memberEntries + 1, 5000} {
		entries := lots(n)
		file, ix := write(t, 71, entries)
		got, err := readAll(file, 71)
		if err != nil || len(got) != n || !same(got, entries) {
			t.Fatalf("%d entries: %d came back, %v", n, len(got), err)
		}
		random := rand.New(rand.NewPCG(1, uint64(n)))
		for range rounds(15, 200) {
			from, count := random.IntN(n+3), random.IntN(2500)
			got, err := ReadAt(bytes.NewReader(file), ix, 70+uint64(from), count)
			want := entries[min(from, n):min(from+count, n)]
			if err != nil || len(got) != len(want) || !same(got, want) {
				t.Fatalf("%d entries after %d: %d of %d came back, %v", count, 70+from, len(got), len(want), err)
			}
		}
	}
}

func TestTheSameEntriesAreTheSameFile(t *testing.T) {
	t.Parallel()
	a, _ := write(t, 1, lots(3000))
	b, _ := write(t, 1, lots(3000))
	if !bytes.Equal(a, b) {
		t.Error("two files of the same entries differ")
	}
}

// The judges are GNU gzip and coreutils, which know nothing of weighpost.
func TestOtherProgramsReadASegment(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "zcat", "sha256sum")
	entries := lots(2500)
	file, ix := write(t, 1, entries)
	name := filepath.Join(t.TempDir(), "000000000001-000000002500.ndjson.gz")
	if err := os.WriteFile(name, file, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("zcat", name).Output()
	want := append(bytes.Join(entries, []byte{'\n'}), '\n')
	if err != nil || !bytes.Equal(out, want) {
		t.Errorf("zcat gives %d bytes, not the %d of the entries: %v", len(out), len(want), err)
	}
	sum, err := exec.Command("sha256sum", name).Output()
	if err != nil || !strings.HasPrefix(string(sum), ix.SHA256+" ") {
		t.Errorf("sha256sum says %s, the index %s: %v", sum, ix.SHA256, err)
	}
}

func TestWhatIsNoEntryIsNotWritten(t *testing.T) {
	t.Parallel()
	for _, raw := range []string{"", "{}\n", "{\n}", strings.Repeat("x", MaxEntry+1)} {
		w := NewWriter(io.Discard, 9)
		if err := w.Add([]byte(raw)); err == nil || !strings.Contains(err.Error(), "entry 9") {
			t.Errorf("%.10q was taken: %v", raw, err)
		}
	}
}

func TestAnErrorOfTheDiskIsNotForgotten(t *testing.T) {
	t.Parallel()
	full := errors.New("no space")
	w := NewWriter(failing{full}, 1)
	var err error
	for i := 0; i < 5000 && err == nil; i++ {
		err = w.Add(lots(1)[0])
	}
	if _, closed := w.Close(); !errors.Is(closed, full) {
		t.Errorf("Add said %v, Close %v", err, closed)
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

// zipped packs a text as one gzip member.
func zipped(text string) []byte {
	var b bytes.Buffer
	w, _ := gzip.NewWriterLevel(&b, gzip.BestSpeed)
	_, _ = io.WriteString(w, text)
	_ = w.Close()
	return b.Bytes()
}

func TestDamageIsNamed(t *testing.T) {
	t.Parallel()
	entries := lots(2500)
	good, ix := write(t, 1, entries)
	flip := bytes.Clone(good)
	flip[ix.Members[1].Offset+500] ^= 4
	for _, c := range []struct {
		name string
		file []byte
		want string
	}{
		{"empty", nil, "from entry 1 on it cannot be read: the file ends too early"},
		{"a text", []byte("sowing plan 2027, field by field\n"), "from entry 1 on it cannot be read: what follows is not gzip"},
		{"cut", good[:len(good)-5], "the file ends too early"},
		{"a bit flipped", flip, "cannot be read: "},
		{"something behind", append(bytes.Clone(good), "more"...), "from entry 2501 on it cannot be read: "},
		{"a line that does not end", zipped("{}\n{}"), "from entry 2 on it cannot be read: the last line does not end"},
		{"an empty line", zipped("{}\n\n{}\n"), "from entry 2 on it cannot be read: a line is empty"},
		{"one endless line", zipped("{}\n" + strings.Repeat(" ", MaxEntry+lineBuffer)), "from entry 2 on it cannot be read: a line is longer"},
	} {
		if _, err := readAll(c.file, 1); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
	if _, err := ReadAt(bytes.NewReader(flip), ix, ix.Members[1].First-1, 2500); err == nil {
		t.Error("a flipped bit was read over")
	}
	if got, err := ReadAt(bytes.NewReader(flip), ix, 0, 100); err != nil || len(got) != 100 {
		t.Errorf("before a flipped bit: %d entries, %v", len(got), err)
	}
}

// A file of a few kilobytes that unpacks to gigabytes takes no more memory and time than its first wrong line.
func TestABombIsNotUnpacked(t *testing.T) {
	t.Parallel()
	bomb := zipped(strings.Repeat("{}\n", 1<<20))
	bomb = bytes.Repeat(bomb, 800) // 2.4 GB
	n, stop := 0, errors.New("this is not entry 1")
	if err := Read(bytes.NewReader(bomb), 1, func([]byte) error { n++; return stop }); !errors.Is(err, stop) || n != 1 {
		t.Errorf("%d lines, %v", n, err)
	}
	ix := Index{First: 1, Last: 5, Bytes: int64(len(bomb)), SHA256: strings.Repeat("0", 64), Members: []Member{{1, 0}}}
	if _, err := ReadAt(bytes.NewReader(bomb), ix, 0, 9); err != nil {
		t.Errorf("within the index: %v", err) // the fifth line is the last that is asked for
	}
	ix.Last = 6
	if _, err := ReadAt(bytes.NewReader(zipped("{}\n{}\n")), ix, 0, 9); err == nil || !strings.Contains(err.Error(), "from entry 3 on it cannot be read: the file ends too early") {
		t.Errorf("fewer than the index says: %v", err)
	}
	if _, err := ReadAt(bytes.NewReader(zipped("{}\n{}\n")), ix, 4, 1); err == nil || !strings.Contains(err.Error(), "from entry 3 on") {
		t.Errorf("fewer than the index says, from the middle: %v", err)
	}
}

func TestAnIndexThatCannotBeIsRefused(t *testing.T) {
	t.Parallel()
	file, good := write(t, 1, lots(2500))
	for name, spoil := range map[string]func(ix *Index){
		"begins with 0":        func(ix *Index) { ix.First = 0 },
		"ends before it":       func(ix *Index) { ix.Last, ix.First = 3, 9 },
		"no sum":               func(ix *Index) { ix.SHA256 = "" },
		"no members":           func(ix *Index) { ix.Members = nil },
		"members without any":  func(ix *Index) { ix.Last = 0 },
		"begins in the middle": func(ix *Index) { ix.Members = ix.Members[1:] },
		"out of order":         func(ix *Index) { ix.Members[1], ix.Members[2] = ix.Members[2], ix.Members[1] },
		"past the end":         func(ix *Index) { ix.Bytes = 9 },
		"past the last":        func(ix *Index) { ix.Last = 1500 },
		"counts to the end":    func(ix *Index) { ix.Last = ^uint64(0) },
	} {
		ix := good
		ix.Members = append([]Member(nil), good.Members...)
		spoil(&ix)
		if got, err := ReadAt(bytes.NewReader(file), ix, 0, 3000); err == nil {
			t.Errorf("%s: %d entries were read", name, len(got))
		}
	}
}

// FuzzRead holds reading from the start and from the middle against each other: whatever the bytes are, neither panics, and
// what both can read is the same.
func FuzzRead(f *testing.F) {
	file, _ := write(f, 1, lots(20))
	f.Add(file, uint64(0), 5)
	f.Add(zipped("{}\n{}\n"), uint64(1), 1)
	f.Add(append(zipped("{}\n"), zipped("[]\n")...), uint64(0), 9)
	f.Add([]byte{0x1f, 0x8b, 8}, uint64(3), 2)
	f.Fuzz(func(t *testing.T, file []byte, after uint64, count int) {
		var lines [][]byte
		enough := errors.New("enough")
		err := Read(bytes.NewReader(file), 1, func(raw []byte) error {
			if len(raw) == 0 || len(raw) > MaxEntry || bytes.IndexByte(raw, '\n') >= 0 {
				t.Fatalf("%.20q is no entry", raw)
			}
			if lines = append(lines, bytes.Clone(raw)); len(lines) > 1000 {
				return enough
			}
			return nil
		})
		if err != nil || len(lines) == 0 || len(file) == 0 {
			return
		}
		ix := Index{First: 1, Last: uint64(len(lines)), Bytes: int64(len(file)), SHA256: strings.Repeat("0", 64), Members: []Member{{1, 0}}}
		got, err := ReadAt(bytes.NewReader(file), ix, after, count)
		want := lines[min(after, uint64(len(lines))):]
		want = want[:min(len(want), max(count, 0))]
		if err != nil || len(got) != len(want) || !same(got, want) {
			t.Fatalf("from the start %d lines, from the middle %d: %v", len(want), len(got), err)
		}
		again, _ := write(t, 1, lines)
		if back, err := readAll(again, 1); err != nil || !same(back, lines) {
			t.Fatalf("written again: %v", err)
		}
	})
}
