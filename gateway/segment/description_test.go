package segment

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// leaves are stored hashes of a tree, as tlog lays them out.
type stored []tlog.Hash

func (s stored) ReadHashes(at []int64) ([]tlog.Hash, error) {
	var got []tlog.Hash
	for _, i := range at {
		if i >= int64(len(s)) {
			return nil, errors.New("not there")
		}
		got = append(got, s[i])
	}
	return got, nil
}

func treeOf(t testing.TB, entries [][]byte) stored {
	var s stored
	for i, raw := range entries {
		h, err := tlog.StoredHashes(int64(i), raw, s)
		if err != nil {
			t.Fatal(err)
		}
		s = append(s, h...)
	}
	return s
}

// mth is the Merkle tree hash straight from RFC 6962 section 2.1, without the library that the code uses.
func mth(entries [][]byte) [32]byte {
	switch n := len(entries); n {
	case 0:
		return sha256.Sum256(nil)
	case 1:
		return sha256.Sum256(append([]byte{0}, entries[0]...))
	default:
		k := 1
		for 2*k < n {
			k *= 2
		}
		a, b := mth(entries[:k]), mth(entries[k:])
		return sha256.Sum256(append(append([]byte{1}, a[:]...), b[:]...))
	}
}

func entriesOf(n int) [][]byte {
	entries := make([][]byte, n)
	for i := range entries {
		entries[i] = fmt.Appendf(nil, `{"schema":"weighpost.start/1","id":"north-lab/7qx3a/@/%06d","seq":%d,"site":"north-lab"}`, i+1, i+1)
	}
	return entries
}

func TestASpanGivesTheRootOfItsTree(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(3, 1))
	for range rounds(100, 1000) {
		n := 1 + random.IntN(300)
		entries := entriesOf(n)
		first := 1 + random.IntN(n)
		last := first + random.IntN(n-first+1)
		r, err := NewRange(uint64(first), uint64(last), uint64(n), treeOf(t, entries))
		if err != nil {
			t.Fatal(err)
		}
		var c cover
		for i := first; i <= last; i++ {
			c.add(uint64(i), tlog.RecordHash(entries[i-1]))
		}
		if !sameNodes(c.nodes, r.Subtrees) {
			t.Fatalf("entries %d to %d of %d: from the entries %v, from the tree %v", first, last, n, c.nodes, r.Subtrees)
		}
		root, err := r.Root(uint64(first), uint64(last))
		if want := mth(entries); err != nil || root != tlog.Hash(want) {
			t.Fatalf("entries %d to %d of %d: root %v, want %x: %v", first, last, n, root, want, err)
		}
		if len(r.Subtrees) > 2*64 || len(r.Beside) > 2*64 {
			t.Fatalf("%d and %d hashes", len(r.Subtrees), len(r.Beside))
		}
	}
}

func described(t testing.TB, first, last, n int) (file []byte, d Description, root tlog.Hash) {
	entries := entriesOf(n)
	file, ix := write(t, uint64(first), entries[first-1:last])
	r, err := NewRange(uint64(first), uint64(last), uint64(n), treeOf(t, entries))
	if err != nil {
		t.Fatal(err)
	}
	return file, Description{Schema: Schema, File: "a", Index: ix, Site: "north-lab", Incarnations: []string{"7qx3a"}, Tree: r}, mth(entries)
}

func TestASegmentVerifiesAlone(t *testing.T) {
	t.Parallel()
	file, d, root := described(t, 101, 2300, 3777)
	text, err := d.Encode()
	if err != nil {
		t.Fatal(err)
	}
	again, err := ParseDescription(text)
	if err != nil {
		t.Fatal(err)
	}
	if err := again.Verify(bytes.NewReader(file), 3777, root); err != nil {
		t.Error(err)
	}
	other, _, otherRoot := described(t, 102, 2301, 3777)
	entries := entriesOf(3777)
	entries[500] = bytes.Replace(entries[500], []byte("north-lab"), []byte("south-lab"), 1)
	edited, editedIx := write(t, 101, entries[100:2300])
	bad := func(change func(d *Description)) Description {
		d, _ := ParseDescription(text)
		change(&d)
		return d
	}
	for name, c := range map[string]struct {
		file []byte
		d    Description
		root tlog.Hash
		want string
	}{
		"another segment":   {other, again, root, "where entry 101 belongs, there is another"},
		"a cut segment":     {file[:len(file)-9], again, root, "from entry"},
		"an edited segment": {edited, again, root, "SHA-256"},
		"an edited segment with its sum made anew": {edited, bad(func(d *Description) { d.Index = editedIx }), root,
			"these are not entries 101 to 2300 of the journal that was signed"},
		"more entries than described": {file, bad(func(d *Description) { d.Last = 2299 }), root, "where entry 2300 belongs, there is another"},
		"fewer":                       {file, bad(func(d *Description) { d.Last = 2301 }), root, "from entry 2301 on it cannot be read: the file ends too early"},
		"another root":                {file, again, tlog.RecordHash(nil), "these are not entries"},
		"a hash too few":              {file, bad(func(d *Description) { d.Tree.Beside = d.Tree.Beside[1:] }), root, "is missing"},
		"a hash too many":             {file, bad(func(d *Description) { d.Tree.Beside = append(d.Tree.Beside, root) }), root, "more hashes"},
		"another hash beside":         {file, bad(func(d *Description) { d.Tree.Beside[0][3] ^= 1 }), root, "these are not entries"},
		"another hash inside":         {file, bad(func(d *Description) { d.Tree.Subtrees[0].Hash[3] ^= 1 }), root, "not those in the description"},
		"another size":                {file, bad(func(d *Description) { d.Tree.Size = 3778 }), root, "the checkpoint is of 3777"},
	} {
		if err := c.d.Verify(bytes.NewReader(c.file), 3777, c.root); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
	if otherRoot != root {
		t.Error("two spans of one tree have different roots")
	}
}

func FuzzParseDescription(f *testing.F) {
	file, d, root := described(f, 3, 9, 20)
	text, err := d.Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{"schema":"weighpost.segment/1","first":1,"last":1,"bytes":9,"sha256":"` + strings.Repeat("0", 64) + `","members":[{"first":1,"offset":0}],"tree":{"size":4611686018427387903}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		d, err := ParseDescription(text)
		if err != nil {
			return
		}
		_ = d.Verify(bytes.NewReader(file), d.Tree.Size, root)
		if _, err := d.Tree.Root(d.First, d.Last); err == nil && len(d.Tree.Subtrees) == 0 {
			t.Errorf("a root without a hash of the entries")
		}
	})
}
