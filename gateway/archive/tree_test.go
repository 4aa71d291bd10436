package archive

import (
	"encoding/hex"
	"encoding/json"
	"os"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// TestTheTreeIsThatOfTheStandard: roots of the eight-leaf tree of the certificate-transparency reference code (RFC 6962 section 2.1), from leaves
// as the archive holds them, and by the plain way that other tests judge it by.
func TestTheTreeIsThatOfTheStandard(t *testing.T) {
	raw, err := os.ReadFile("../journal/testdata/rfc6962_merkle.json")
	if err != nil {
		t.Fatal(err)
	}
	var known struct {
		Leaves []string `json:"leaves_hex"`
		Roots  []string `json:"roots_by_size"`
	}
	if err := json.Unmarshal(raw, &known); err != nil || len(known.Leaves) != 8 {
		t.Fatalf("%v: %d leaves", err, len(known.Leaves))
	}
	var leaves []tlog.Hash
	for _, text := range known.Leaves {
		leaf, err := hex.DecodeString(text)
		if err != nil {
			t.Fatal(err)
		}
		leaves = append(leaves, tlog.RecordHash(leaf))
	}
	held := &tree{groups: map[int64][]tlog.Hash{0: leaves}, nodes: map[[2]int64]tlog.Hash{}}
	for size := range 9 {
		root, err := tlog.TreeHash(int64(size), held)
		plain := plainRoot(leaves[:size])
		if err != nil || hex.EncodeToString(root[:]) != known.Roots[size] || plain != root {
			t.Errorf("%d leaves: %v: %x, plainly %x, and by the standard %s", size, err, root[:], plain[:], known.Roots[size])
		}
	}
	if _, err := tlog.TreeHash(9, held); err == nil {
		t.Error("a tree has a root with a leaf missing")
	}
}
