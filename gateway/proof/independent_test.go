package proof

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// The second judge: the tree of RFC 6962 section 2.1 as its text defines it, recursion for recursion, and the verification of
// RFC 9162 sections 2.1.3.2 and 2.1.4.2, step for step. It shares no code with golang.org/x/mod.

type digest = [sha256.Size]byte

func leafDigest(d []byte) digest { return sha256.Sum256(append([]byte{0x00}, d...)) }
func nodeDigest(l, r digest) digest {
	return sha256.Sum256(append(append([]byte{0x01}, l[:]...), r[:]...))
}

// split is the largest power of two smaller than n.
func split(n int) int {
	k := 1
	for k*2 < n {
		k *= 2
	}
	return k
}

// mth is MTH(D[n]).
func mth(d [][]byte) digest {
	switch len(d) {
	case 0:
		return sha256.Sum256(nil)
	case 1:
		return leafDigest(d[0])
	}
	k := split(len(d))
	return nodeDigest(mth(d[:k]), mth(d[k:]))
}

// auditPath is PATH(m, D[n]), section 2.1.1.
func auditPath(m int, d [][]byte) []digest {
	if len(d) == 1 {
		return nil
	}
	if k := split(len(d)); m < k {
		return append(auditPath(m, d[:k]), mth(d[k:]))
	} else {
		return append(auditPath(m-k, d[k:]), mth(d[:k]))
	}
}

// subProof is SUBPROOF(m, D[n], b), section 2.1.2.
func subProof(m int, d [][]byte, b bool) []digest {
	if m == len(d) {
		if b {
			return nil
		}
		return []digest{mth(d)}
	}
	if k := split(len(d)); m <= k {
		return append(subProof(m, d[:k], b), mth(d[k:]))
	} else {
		return append(subProof(m-k, d[k:], false), mth(d[:k]))
	}
}

// included is RFC 9162 section 2.1.3.2.
func included(leaf digest, index, size uint64, path []digest, root digest) bool {
	if index >= size {
		return false
	}
	fn, sn, r := index, size-1, leaf
	for _, p := range path {
		if sn == 0 {
			return false
		}
		if fn&1 == 1 || fn == sn {
			r = nodeDigest(p, r)
			for fn&1 == 0 && fn != 0 {
				fn, sn = fn>>1, sn>>1
			}
		} else {
			r = nodeDigest(r, p)
		}
		fn, sn = fn>>1, sn>>1
	}
	return sn == 0 && r == root
}

// consistent is RFC 9162 section 2.1.4.2, for 0 < first < second.
func consistent(first, second uint64, path []digest, firstRoot, secondRoot digest) bool {
	if len(path) == 0 {
		return false
	}
	if first&(first-1) == 0 {
		path = append([]digest{firstRoot}, path...)
	}
	fn, sn := first-1, second-1
	for fn&1 == 1 {
		fn, sn = fn>>1, sn>>1
	}
	fr, sr := path[0], path[0]
	for _, c := range path[1:] {
		if sn == 0 {
			return false
		}
		if fn&1 == 1 || fn == sn {
			fr, sr = nodeDigest(c, fr), nodeDigest(c, sr)
			for fn&1 == 0 && fn != 0 {
				fn, sn = fn>>1, sn>>1
			}
		} else {
			sr = nodeDigest(sr, c)
		}
		fn, sn = fn>>1, sn>>1
	}
	return fr == firstRoot && sr == secondRoot && sn == 0
}

func digests(path []tlog.Hash) []digest {
	list := make([]digest, len(path))
	for i, h := range path {
		list[i] = digest(h)
	}
	return list
}

func flipped(path []tlog.Hash, i int, random *rand.Rand) []tlog.Hash {
	path = slices.Clone(path)
	path[i][random.IntN(tlog.HashSize)] ^= 1 << random.IntN(8)
	return path
}

func newSeed(t *testing.T) *rand.Rand {
	seed := rand.Uint64()
	if s := os.Getenv("WEIGHPOST_SEED"); s != "" {
		n, err := strconv.ParseUint(s, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		seed = n
	}
	t.Logf("seed: WEIGHPOST_SEED=%d", seed)
	return rand.New(rand.NewPCG(seed, 0))
}

// randomTrees is how many trees are tried: some by default, many with WEIGHPOST_LONG=1.
func randomTrees() int { return rounds(120, 1000) }

func rounds(few, many int) int {
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		return many
	}
	return few
}

// TestTwoJudgesAgreeOnInclusion holds what a proof says, and what is refused, against the second judge.
func TestTwoJudgesAgreeOnInclusion(t *testing.T) {
	t.Parallel()
	random, key := newSeed(t), newPair(t, testOrigin)
	wrong := 0
	for range randomTrees() {
		size := 1 + random.IntN(200)
		seq := 1 + random.IntN(size)
		p := proved(t, size, seq, key)
		c, err := Peek(p.Checkpoint)
		if err != nil {
			t.Fatal(err)
		}
		leaves := make([][]byte, size)
		for i := range leaves {
			leaves[i] = weighingEntry(i + 1)
		}
		root := mth(leaves)
		if path := auditPath(seq-1, leaves); root != digest(c.Root) || !slices.Equal(path, digests(p.Hashes)) {
			t.Fatalf("entry %d of %d: another root or another path than the RFC's", seq, size)
		}
		judge := func(p Proof, size uint64, root tlog.Hash) bool {
			return included(leafDigest(p.Entry), p.Index, size, digests(p.Hashes), digest(root))
		}
		if _, err := p.Verify(key.key); err != nil || !judge(p, c.Size, c.Root) {
			t.Fatalf("entry %d of %d: %v", seq, size, err)
		}
		try := func(what string, bad Proof) {
			wrong++
			if _, err := bad.Verify(key.key); err == nil || judge(bad, c.Size, c.Root) {
				t.Errorf("entry %d of %d: %s passes (%v)", seq, size, what, err)
			}
		}
		bad := p
		for _, index := range []uint64{p.Index + 1, p.Index - 1, p.Index ^ 1, uint64(size), uint64(random.IntN(size + 1))} {
			if bad.Index = index; index != p.Index {
				try("a wrong index", bad)
			}
		}
		for i := range p.Hashes {
			bad = p
			bad.Hashes = flipped(p.Hashes, i, random)
			try("an altered hash", bad)
		}
		bad = p
		bad.Hashes = append(slices.Clone(p.Hashes), tlog.Hash{})
		try("a hash too many", bad)
		if len(p.Hashes) > 0 {
			bad.Hashes = p.Hashes[1:]
			try("a hash too few", bad)
		}
		bad = p
		bad.Entry = bytes.Replace(p.Entry, []byte("12.3450"), []byte("12.3451"), 1)
		try("another value", bad)
		// Another size with the root of this tree: both judges must say the same of the path, and the signature refuses it.
		other := Checkpoint{c.Origin, uint64(seq + random.IntN(300)), c.Root}
		if other.Size == c.Size {
			continue
		}
		if got := tlog.CheckRecord(p.Hashes, int64(other.Size), other.Root, int64(p.Index), tlog.RecordHash(p.Entry)) == nil; got != judge(p, other.Size, other.Root) {
			t.Errorf("entry %d of %d, as of %d: the judges differ", seq, size, other.Size)
		}
		bad = p
		bad.Checkpoint = bytes.Replace(p.Checkpoint, []byte(c.Text()), []byte(other.Text()), 1)
		if _, err := bad.Verify(key.key); err == nil {
			t.Errorf("entry %d: %d entries were signed, and %d pass", seq, size, other.Size)
		}
	}
	if wrong < 5*randomTrees() {
		t.Errorf("only %d wrong proofs were tried", wrong)
	}
}

func TestTwoJudgesAgreeOnConsistency(t *testing.T) {
	t.Parallel()
	random := newSeed(t)
	tr := &testTree{}
	var leaves [][]byte
	for i := range 700 {
		leaves = append(leaves, fmt.Appendf(nil, "leaf %d of %d", i, random.Uint64()))
		tr.add(t, leaves[i])
	}
	at := func(size int) Checkpoint {
		root, err := tlog.TreeHash(int64(size), tr)
		if err != nil {
			t.Fatal(err)
		}
		return Checkpoint{testOrigin, uint64(size), root}
	}
	for range randomTrees() {
		second := 2 + random.IntN(len(leaves)-1)
		first := 1 + random.IntN(second-1)
		a, b := at(first), at(second)
		path, err := tlog.ProveTree(int64(second), int64(first), tr)
		if err != nil {
			t.Fatal(err)
		}
		if digest(a.Root) != mth(leaves[:first]) || !slices.Equal(digests(path), subProof(first, leaves[:second], true)) {
			t.Fatalf("%d to %d: another root or another path than the RFC's", first, second)
		}
		both := func(a, b Checkpoint, path []tlog.Hash) (ours, theirs bool) {
			return Extends(a, b, path) == nil, consistent(a.Size, b.Size, digests(path), digest(a.Root), digest(b.Root))
		}
		if ours, theirs := both(a, b, path); !ours || !theirs {
			t.Fatalf("%d to %d: %t %t", first, second, ours, theirs)
		}
		try := func(what string, a, b Checkpoint, path []tlog.Hash) {
			if ours, theirs := both(a, b, path); ours || theirs {
				t.Errorf("%d to %d: %s passes: %t %t", first, second, what, ours, theirs)
			}
		}
		for i := range path {
			try("an altered hash", a, b, flipped(path, i, random))
		}
		try("a hash too many", a, b, append(slices.Clone(path), tlog.Hash{}))
		try("a hash too few", a, b, path[1:])
		try("another old root", Checkpoint{a.Origin, a.Size, flipped([]tlog.Hash{a.Root}, 0, random)[0]}, b, path)
		try("another new root", a, Checkpoint{b.Origin, b.Size, flipped([]tlog.Hash{b.Root}, 0, random)[0]}, path)
		if other := 1 + random.IntN(second-1); other != first {
			try("the root of another size", Checkpoint{a.Origin, a.Size, at(other).Root}, b, path)
		}
		// What the old tree has is signed with its size. The path alone can fit another size: the judges must agree on that.
		for _, size := range []uint64{a.Size - 1, a.Size + 1, uint64(1 + random.IntN(second))} {
			if size == 0 || size >= b.Size {
				continue
			}
			if ours, theirs := both(Checkpoint{a.Origin, size, a.Root}, b, path); ours != theirs {
				t.Errorf("%d taken for %d, to %d: the judges differ: %t %t", first, size, second, ours, theirs)
			}
		}
	}
}

func TestACheckpointExtendsItselfAndNothingLater(t *testing.T) {
	t.Parallel()
	tr := &testTree{}
	for i := range 9 {
		tr.add(t, []byte{byte(i)})
	}
	root := func(n int64) tlog.Hash {
		h, err := tlog.TreeHash(n, tr)
		if err != nil {
			t.Fatal(err)
		}
		return h
	}
	five, nine, empty := Checkpoint{testOrigin, 5, root(5)}, Checkpoint{testOrigin, 9, root(9)}, Checkpoint{testOrigin, 0, root(0)}
	if err := errors.Join(Extends(five, five, nil), Extends(empty, nine, nil), Extends(empty, empty, nil)); err != nil {
		t.Error(err)
	}
	for what, err := range map[string]error{
		"a later one":               Extends(nine, five, nil),
		"the same size, other root": Extends(Checkpoint{testOrigin, 5, root(9)}, five, nil),
		"a wrong empty tree":        Extends(Checkpoint{testOrigin, 0, root(1)}, nine, nil),
		"a proof for nothing":       Extends(five, five, []tlog.Hash{root(1)}),
		"no proof":                  Extends(five, nine, nil),
	} {
		if err == nil {
			t.Errorf("%s passes", what)
		}
	}
	if err := Extends(nine, five, nil); err == nil || err.Error() != "9 entries were signed, and there are 5: the last 4 are missing" {
		t.Error(err)
	}
}

// TestTheRFCsTree: the eight-leaf tree of the reference code of certificate transparency, whose proofs stand in the file.
func TestTheRFCsTree(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../journal/testdata/rfc6962_merkle.json")
	if err != nil {
		t.Fatal(err)
	}
	var m struct {
		Leaves    []string `json:"leaves_hex"`
		Roots     []string `json:"roots_by_size"`
		Inclusion []struct {
			Index, Size uint64
			Proof       []string
		} `json:"inclusion_proofs"`
		Consistency []struct {
			First, Second uint64
			Proof         []string
		} `json:"consistency_proofs"`
	}
	if err := json.Unmarshal(text, &m); err != nil {
		t.Fatal(err)
	}
	unhex := func(s string) []byte {
		b, err := hex.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	hashes := func(list []string) (out []tlog.Hash) {
		for _, s := range list {
			out = append(out, tlog.Hash(unhex(s)))
		}
		return out
	}
	roots := hashes(m.Roots)
	for _, p := range m.Inclusion {
		leaf := unhex(m.Leaves[p.Index])
		path := hashes(p.Proof)
		if err := tlog.CheckRecord(path, int64(p.Size), roots[p.Size], int64(p.Index), tlog.RecordHash(leaf)); err != nil ||
			!included(leafDigest(leaf), p.Index, p.Size, digests(path), digest(roots[p.Size])) {
			t.Errorf("inclusion of %d in %d: %v", p.Index, p.Size, err)
		}
	}
	for _, p := range m.Consistency {
		a, b := Checkpoint{testOrigin, p.First, roots[p.First]}, Checkpoint{testOrigin, p.Second, roots[p.Second]}
		path := hashes(p.Proof)
		if err := Extends(a, b, path); err != nil || p.First < p.Second && !consistent(p.First, p.Second, digests(path), digest(a.Root), digest(b.Root)) {
			t.Errorf("%d to %d: %v", p.First, p.Second, err)
		}
	}
	if len(m.Inclusion) != 36 || len(m.Consistency) != 36 {
		t.Errorf("the file holds %d and %d proofs", len(m.Inclusion), len(m.Consistency))
	}
}
