package proof

import (
	"bytes"
	"crypto/rand"
	"errors"
	"fmt"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// pair is a key with both halves.
type pair struct {
	note.Signer
	key  note.Verifier
	text string
}

func newPair(t testing.TB, origin string) pair {
	t.Helper()
	secret, public, err := note.GenerateKey(rand.Reader, origin)
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	key, err := ParseKey(public)
	if err != nil {
		t.Fatal(err)
	}
	return pair{signer, key, public}
}

const testOrigin = "weighpost/north-lab/7qx3a"

// testTree is a tree of entries that can be proved.
type testTree struct {
	entries [][]byte
	hashes  []tlog.Hash
}

func (tr *testTree) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	list := make([]tlog.Hash, len(indexes))
	for i, x := range indexes {
		list[i] = tr.hashes[x]
	}
	return list, nil
}

func (tr *testTree) add(t testing.TB, leaf []byte) {
	t.Helper()
	more, err := tlog.StoredHashes(int64(len(tr.entries)), leaf, tr)
	if err != nil {
		t.Fatal(err)
	}
	tr.hashes = append(tr.hashes, more...)
	tr.entries = append(tr.entries, leaf)
}

func weighingEntry(seq int) []byte {
	return fmt.Appendf(nil, `{"schema":"weighpost.weighing/1","id":"north-lab/7qx3a/b-12/%06d","seq":%d,"site":"north-lab",`+
		`"balance":{"id":"b-12"},"value":{"digits":"12.3450","unit":"g","kind":"net","stability":"stable","range":"in",`+
		`"auxiliary_digits":0},"stamp":{"utc":"2026-11-25T10:04:05.123456Z","bound_s":0.021,"clock":"checked"},`+
		`"context":{"sample":{"id":"lot-%d","by":"scanned"}}}`, seq, seq, seq)
}

// proved makes a proof of one entry of a tree of so many, signed by the last of the keys, each of which vouched for the next.
func proved(t testing.TB, size, seq int, keys ...pair) Proof {
	t.Helper()
	tr := &testTree{}
	for i := 1; i <= size; i++ {
		tr.add(t, weighingEntry(i))
	}
	root, err := tlog.TreeHash(int64(size), tr)
	if err != nil {
		t.Fatal(err)
	}
	path, err := tlog.ProveRecord(int64(size), int64(seq-1), tr)
	if err != nil {
		t.Fatal(err)
	}
	last := keys[len(keys)-1]
	signed, err := Checkpoint{Origin: last.Name(), Size: uint64(size), Root: root}.Sign(last)
	if err != nil {
		t.Fatal(err)
	}
	p := Proof{Entry: tr.entries[seq-1], Index: uint64(seq - 1), Hashes: path, Checkpoint: signed, Key: last.text}
	for i := 1; i < len(keys); i++ {
		v, err := Vouch(keys[i-1], keys[i].text)
		if err != nil {
			t.Fatal(err)
		}
		p.Vouched = append(p.Vouched, v)
	}
	return p
}

func marshal(t testing.TB, p Proof) []byte {
	t.Helper()
	b, err := p.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestAProofVerifiesWithTheKeyAlone(t *testing.T) {
	t.Parallel()
	a, b, c := newPair(t, testOrigin), newPair(t, testOrigin), newPair(t, testOrigin)
	for _, size := range []int{1, 2, 3, 7, 8, 100} {
		for _, seq := range []int{1, (size + 1) / 2, size} {
			p, err := Parse(marshal(t, proved(t, size, seq, a, b, c)))
			if err != nil {
				t.Fatal(err)
			}
			for i, k := range []pair{a, b, c} {
				v, err := p.Verify(k.key)
				if err != nil {
					t.Fatalf("entry %d of %d by key %d: %v", seq, size, i, err)
				}
				if v.Entry.Seq != uint64(seq) || v.Checkpoint.Size != uint64(size) || v.SignedBy != KeyID(c.key) || v.Key != KeyID(k.key) {
					t.Errorf("entry %d of %d: %+v", seq, size, v)
				}
				if want := []int{3, 2, 0}[i]; len(v.Through) != want {
					t.Errorf("by key %d it went through %v", i, v.Through)
				}
			}
		}
	}
}

func TestAProofByAKeyThatNothingLeadsToNamesTheKeyThatIsNeeded(t *testing.T) {
	t.Parallel()
	a, b := newPair(t, testOrigin), newPair(t, testOrigin)
	p := proved(t, 5, 3, a)
	_, err := p.Verify(b.key)
	var needs *NeedsKey
	if !errors.As(err, &needs) || needs.Needed != KeyID(a.key) || !strings.Contains(err.Error(), KeyID(a.key)) {
		t.Errorf("%v", err)
	}
	// Somebody else's key, put in under the name of the journal's, changes nothing: the caller's key decides.
	p = proved(t, 5, 3, b)
	p.Key = a.text
	if _, err := p.Verify(a.key); err == nil {
		t.Error("a proof signed by another key passed")
	}
	// A chain that begins with somebody else's key leads nowhere.
	if _, err := proved(t, 5, 3, b, a).Verify(newPair(t, testOrigin).key); !errors.As(err, &needs) {
		t.Errorf("%v", err)
	}
}

func TestACheckpointIsReadOnlyAsItIsWritten(t *testing.T) {
	t.Parallel()
	k := newPair(t, testOrigin)
	c := Checkpoint{Origin: testOrigin, Size: 12, Root: tlog.RecordHash([]byte("x"))}
	signed, err := c.Sign(k)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := Open(signed, k.key); err != nil || got != c {
		t.Errorf("%+v %v", got, err)
	}
	if got, err := Peek(signed); err != nil || got != c {
		t.Errorf("%+v %v", got, err)
	}
	root := c.Root.String()
	for _, bad := range []string{
		"", "\n1\n" + root + "\n", testOrigin + "\n012\n" + root + "\n", testOrigin + "\n-1\n" + root + "\n",
		testOrigin + "\n+1\n" + root + "\n", testOrigin + "\n9223372036854775808\n" + root + "\n", testOrigin + "\n12\n" + root,
		testOrigin + "\n12\n" + root + "\nmore\n", testOrigin + "\n12\n" + root[:40] + "\n",
		testOrigin + "\n99999999999999999999\n" + root + "\n", testOrigin + "\n12\n" + root[1:] + "\n",
		testOrigin + "\n12\n" + strings.TrimSuffix(root, "=") + "\n",
	} {
		if c, err := ParseText(bad); err == nil {
			t.Errorf("%q was read as %+v", bad, c)
		}
	}
	var not *NotSigned
	if _, err := Open(signed, newPair(t, testOrigin).key); !errors.As(err, &not) || not.By[0] != KeyID(k.key) {
		t.Errorf("%v", err)
	}
}

func TestAKeyVouchesForTheNext(t *testing.T) {
	t.Parallel()
	a, b := newPair(t, testOrigin), newPair(t, testOrigin)
	v, err := Vouch(a, b.text)
	if err != nil {
		t.Fatal(err)
	}
	if next, err := OpenVouch(v, a.key); err != nil || next != b.text {
		t.Errorf("%q %v", next, err)
	}
	if _, err := OpenVouch(v, b.key); err == nil {
		t.Error("a key vouched for itself")
	}
	if _, err := OpenVouch(bytes.Replace(v, []byte("7qx3a"), []byte("7qx3b"), 1), a.key); err == nil {
		t.Error("an altered note passed")
	}
	checkpoint, err := Checkpoint{Origin: testOrigin, Size: 1}.Sign(a)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := OpenVouch(checkpoint, a.key); err == nil {
		t.Error("a checkpoint was taken for a note about a key")
	}
	if _, err := Open(v, a.key); err == nil {
		t.Error("a note about a key was taken for a checkpoint")
	}
	if _, err := Vouch(a, "PRIVATE+KEY+x"); err == nil || !strings.Contains(err.Error(), "secret") {
		t.Errorf("%v", err)
	}
}
