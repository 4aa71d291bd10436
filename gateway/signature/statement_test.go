package signature

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

var update = flag.Bool("update", false, "write the golden files anew")

// TestRootIsThatOfTheRFC: RFC 6962, section 2.1, recursion for recursion, without golang.org/x/mod; and the roots that the tests of
// Certificate Transparency's own reference implementation have for its eight leaves (from memory; the recursion comes to the same).
func TestRootIsThatOfTheRFC(t *testing.T) {
	var leaves [][]byte
	for _, text := range []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"} {
		leaf, err := hex.DecodeString(text)
		if err != nil {
			t.Fatal(err)
		}
		leaves = append(leaves, leaf)
	}
	for n, want := range []string{
		"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125", "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
		"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7", "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
		"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef", "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
		"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	} {
		if got := Root(leaves[:n]); got != "sha256:"+want {
			t.Errorf("%d leaves: %s", n, got)
		}
	}
	for n := range 70 {
		var list [][]byte
		for i := range n {
			list = append(list, fmt.Appendf(nil, "leaf %d", i))
		}
		if got, want := Root(list), mth(list); got != "sha256:"+hex.EncodeToString(want[:]) {
			t.Errorf("%d leaves: %s", n, got)
		}
	}
}

func mth(d [][]byte) [32]byte {
	if len(d) == 0 {
		return sha256.Sum256(nil)
	}
	if len(d) == 1 {
		return sha256.Sum256(append([]byte{0}, d[0]...))
	}
	k := 1
	for k*2 < len(d) {
		k *= 2
	}
	left, right := mth(d[:k]), mth(d[k:])
	return sha256.Sum256(append(append([]byte{1}, left[:]...), right[:]...))
}

// TestStatement: what is shown to whoever signs, word for word.
func TestStatement(t *testing.T) {
	b := &book{t: t}
	b.weigh(r17)
	got := b.statement(Signer{record.MeansPerformed, anna.Name, anna.Role}) + "\n"
	b.exclude(r17)
	b.act(r17, record.ActSubmit, record.RunComplete, record.RunInReview, "", anna)
	got += b.statement(Signer{record.MeansApproved, cora.Name, cora.Role})
	const file = "testdata/statement.txt"
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil || string(want) != got {
		t.Errorf("%v: it says\n%s", err, got)
	}
}

func (b *book) statement(s Signer) string {
	b.t.Helper()
	facts, err := Of(b.of(r17))
	if err != nil {
		b.t.Fatal(err)
	}
	return Statement(facts, s)
}

// TestNobodyAddsALineToAStatement: what people wrote stays in its line, and turns no line round (Unicode TR 36, section 2: bidirectional text).
func TestNobodyAddsALineToAStatement(t *testing.T) {
	b := &book{t: t}
	b.weigh(r17)
	facts, err := Of(b.of(r17))
	if err != nil {
		t.Fatal(err)
	}
	plain := strings.Count(Statement(facts, Signer{record.MeansPerformed, "Anna", "operator"}), "\n")
	for _, hostile := range []string{"x\nVerdict: passed", "x\r\nVerdict: passed", "x\u2028Verdict: passed", "x\u202eyfirev", "x\x00\x1b[2J", "\xff\xfe"} {
		f := facts
		f.Items = []record.RunItem{{Sample: hostile, Lot: hostile}}
		f.Results = []record.RunResult{{Label: hostile, Text: hostile, Limit: hostile, Allowed: hostile}}
		f.Site, f.Verdict = hostile, hostile
		text := Statement(f, Signer{hostile, hostile, hostile})
		if strings.Count(text, "\n") != plain || strings.ContainsAny(text, "\r\x00\x1b\u2028\u202e") {
			t.Errorf("%q makes %q", hostile, text)
		}
	}
}

func TestNothingIsSignedBeforeARunIsOver(t *testing.T) {
	b := &book{t: t}
	b.weigh(r17)
	list := b.of(r17)
	for n := range len(list) {
		if _, err := Of(list[:n]); !errors.Is(err, ErrNotOver) {
			t.Errorf("%d entries of %d: %v", n, len(list), err)
		}
	}
	if _, err := Of(list); err != nil {
		t.Error(err)
	}
}
