package proof

import (
	"bytes"
	"errors"
	"slices"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// provedSeveral makes a proof of some entries of a tree of so many.
func provedSeveral(t testing.TB, size int, keys []pair, seqs ...int) Several {
	t.Helper()
	var s Several
	for _, seq := range seqs {
		p := proved(t, size, seq, keys...)
		if s.Entries == nil {
			s = Several{Run: "r-7qx3-000017", Checkpoint: p.Checkpoint, Key: p.Key, Vouched: p.Vouched}
		}
		s.Entries = append(s.Entries, Included{Entry: p.Entry, Index: p.Index, Hashes: p.Hashes})
	}
	return s
}

func TestAProofOfSeveralEntriesHoldsForEach(t *testing.T) {
	t.Parallel()
	a, b := newPair(t, testOrigin), newPair(t, testOrigin)
	s := provedSeveral(t, 40, []pair{a, b}, 3, 4, 17, 40)
	file, err := s.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	if s, err = ParseSeveral(file); err != nil {
		t.Fatal(err)
	}
	for i, k := range []pair{a, b} {
		v, err := s.Verify(k.key)
		if err != nil || len(v.Entries) != 4 || v.Entries[2].Seq != 17 || v.Checkpoint.Size != 40 || v.SignedBy != KeyID(b.key) {
			t.Errorf("key %d: %+v, %v", i, v, err)
		}
	}
	var needs *NeedsKey
	if _, err := s.Verify(newPair(t, testOrigin).key); !errors.As(err, &needs) {
		t.Errorf("with somebody else's key: %v", err)
	}
	leaves := make([][]byte, 40)
	for i := range leaves {
		leaves[i] = weighingEntry(i + 1)
	}
	for _, e := range s.Entries { // the second judge
		if !included(leafDigest(e.Entry), e.Index, 40, digests(e.Hashes), mth(leaves)) {
			t.Errorf("entry %d: the RFC's own verification does not hold", e.Index+1)
		}
	}
}

// TestAProofOfSeveralEntriesThatIsAlteredIsFound: every byte of the file, but for signatures of other keys there is none that may change.
func TestAProofOfSeveralEntriesThatIsAlteredIsFound(t *testing.T) {
	t.Parallel()
	k := newPair(t, testOrigin)
	file, err := provedSeveral(t, 9, []pair{k}, 2, 3, 9).Marshal()
	if err != nil {
		t.Fatal(err)
	}
	run := bytes.Index(file, []byte("r-7qx3"))
	for i := range file {
		bad := slices.Clone(file)
		bad[i] ^= 1
		s, err := ParseSeveral(bad)
		if err != nil {
			continue
		}
		if _, err := s.Verify(k.key); err == nil && (i < run || i >= run+len("r-7qx3-000017")) { // the id in the head is a name tag
			t.Errorf("byte %d, %q for %q, passes", i, bad[i], file[i])
		}
	}
	s, _ := ParseSeveral(file)
	s.Entries[0], s.Entries[1] = Included{s.Entries[1].Entry, s.Entries[0].Index, s.Entries[0].Hashes}, Included{s.Entries[0].Entry, s.Entries[1].Index, s.Entries[1].Hashes}
	if _, err := s.Verify(k.key); err == nil {
		t.Error("two entries that changed places pass")
	}
	for what, bad := range map[string]Several{"no entries": {Run: "r", Key: "k"}, "no run": {Key: "k", Entries: s.Entries}, "a line too many": {Run: "r\nx y", Key: "k", Entries: s.Entries},
		"an entry of two lines": {Run: "r", Key: "k", Entries: []Included{{Entry: []byte("a\nb")}}}, "a tree too high": {Run: "r", Key: "k", Entries: []Included{{Entry: []byte("{}"), Hashes: make([]tlog.Hash, 64)}}}} {
		text, err := bad.Marshal()
		if err == nil {
			_, err = ParseSeveral(text)
		}
		if err == nil {
			t.Errorf("%s is read", what)
		}
	}
}

func FuzzParseSeveral(f *testing.F) {
	k := newPair(f, testOrigin)
	file, err := provedSeveral(f, 5, []pair{k}, 2, 4).Marshal()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(file)
	f.Add([]byte(severalHeader + "\nrun r\n\n"))
	f.Fuzz(func(t *testing.T, file []byte) {
		s, err := ParseSeveral(file)
		if err != nil {
			return
		}
		if again, err := s.Marshal(); err != nil || !bytes.Equal(again, file) {
			t.Errorf("%q is written as %q (%v)", file, again, err)
		}
	})
}
