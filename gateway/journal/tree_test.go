package journal

import (
	"encoding/hex"
	"encoding/json"
	"os"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// merkle holds leaves, hashes and proofs of RFC 6962 section 2.1: the eight-leaf tree of the reference code.
type merkle struct {
	Leaves []string `json:"leaves_hex"`
	Hashes []string `json:"leaf_hashes"`
	Roots  []string `json:"roots_by_size"`
	Within []struct {
		Index, Size int64
		Proof       []string
	} `json:"inclusion_proofs"`
	Between []struct {
		First, Second int64
		Proof         []string
	} `json:"consistency_proofs"`
}

func readMerkle(t *testing.T) (m merkle, leaves [][]byte) {
	t.Helper()
	text, err := os.ReadFile("testdata/rfc6962_merkle.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &m); err != nil {
		t.Fatal(err)
	}
	for _, s := range m.Leaves {
		leaf, err := hex.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		leaves = append(leaves, leaf)
	}
	return m, leaves
}

func hash(t *testing.T, s string) (h tlog.Hash) {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != tlog.HashSize {
		t.Fatalf("%q is no hash", s)
	}
	copy(h[:], b)
	return h
}

// Our edge, the stored hashes and the replay that Verify uses, against the RFC's values.
func TestTreeHasTheHashesOfRFC6962(t *testing.T) {
	m, leaves := readMerkle(t)
	var at edge
	var again replay
	var stored []tlog.Hash
	for i := range len(leaves) + 1 {
		root, err := at.root()
		if want := hash(t, m.Roots[i]); err != nil || root != want {
			t.Errorf("root of %d: %x, want %x (%v)", i, root, want, err)
		}
		if root, whole := again.root(); !whole || root != hash(t, m.Roots[i]) {
			t.Errorf("replayed root of %d: %x", i, root)
		}
		if i == len(leaves) {
			break
		}
		leaf := tlog.RecordHash(leaves[i])
		if leaf != hash(t, m.Hashes[i]) {
			t.Errorf("leaf %d: %x", i, leaf)
		}
		hashes, err := at.add(leaf)
		if err != nil {
			t.Fatal(err)
		}
		if bad := again.add(leaf, true, hashes); bad >= 0 {
			t.Errorf("entry %d: the replay disagrees at level %d", i+1, bad)
		}
		stored = append(stored, hashes...)
	}
	checkProofs(t, m, stored)
}

// checkProofs makes the RFC's proofs from the hashes that are stored with entries.
func checkProofs(t *testing.T, m merkle, stored []tlog.Hash) {
	read := tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		var out []tlog.Hash
		for _, i := range indexes {
			out = append(out, stored[i])
		}
		return out, nil
	})
	same := func(name string, got []tlog.Hash, want []string, err error) {
		ok := err == nil && len(got) == len(want)
		for i := range got {
			ok = ok && got[i] == hash(t, want[i])
		}
		if !ok {
			t.Errorf("%s: %x, want %v (%v)", name, got, want, err)
		}
	}
	for _, p := range m.Within {
		got, err := tlog.ProveRecord(p.Size, p.Index, read)
		same("inclusion", got, p.Proof, err)
	}
	for _, p := range m.Between {
		got, err := tlog.ProveTree(p.Second, p.First, read)
		same("consistency", got, p.Proof, err)
	}
	if len(m.Within) == 0 || len(m.Between) == 0 {
		t.Error("the file of values holds no proofs")
	}
}

func TestAnEdgeOnlyKnowsItsRightEdge(t *testing.T) {
	var at edge
	for i := range 5 {
		if _, err := at.add(tlog.RecordHash([]byte{byte(i)})); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := at.ReadHashes([]int64{tlog.StoredHashIndex(0, 0)}); err == nil {
		t.Error("a hash from inside the tree was answered with one from the edge")
	}
}
