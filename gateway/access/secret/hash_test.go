package secret

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

// cheap is little work, for tests that are not about it.
var cheap = Work{Passes: 1, MemoryK: 64, Lanes: 1}

// TestHashOfTheReference: the vectors of the reference implementation's own tests (phc-winner-argon2, src/test.c, argon2id,
// version 19). The vector of RFC 9106 section 5.3 has a secret and associated data, which the library does not take.
func TestHashOfTheReference(t *testing.T) {
	for _, v := range []struct{ phc, secret, tag string }{
		{"$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", "password",
			"09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7"},
		{"$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4", "password",
			"9dfeb910e80bad0311fee20f9c0e2b12c17987b4cac90c2ef54d5b3021c68bfe"},
		{"$argon2id$v=19$m=256,t=2,p=2$c29tZXNhbHQ$bQk8UB/VmZZF4Oo79iDXuL5/0ttZwg2f/5U52iv1cDc", "password",
			"6d093c501fd5999645e0ea3bf620d7b8be7fd2db59c20d9fff9539da2bf57037"},
	} {
		h, err := parsePHC(v.phc)
		if err != nil {
			t.Fatal(err)
		}
		if got := hex.EncodeToString(h.tagOf(v.secret)); got != v.tag || hex.EncodeToString(h.tag) != v.tag {
			t.Errorf("%s: %s", v.phc, got)
		}
	}
}

// TestHashOfTheProgram holds our hashes against the command argon2 (Debian package argon2, the reference implementation): one of
// the work that is asked for now, and others of little work.
func TestHashOfTheProgram(t *testing.T) {
	needs.Programs(t, "argon2")
	for secret, work := range map[string]Work{"correct horse battery staple": Now, "Saatgut wägen für Grün": {Passes: 3, MemoryK: 256, Lanes: 4}, "x": cheap} {
		ours := NewHasher(work, 1, 1)
		made := mustHash(t, ours, secret)
		h, err := parsePHC(made)
		if err != nil || h.work != work {
			t.Fatalf("%v, %v", h.work, err)
		}
		cmd := exec.CommandContext(t.Context(), "argon2", "saltsaltsaltsalt", "-id", "-t", fmt.Sprint(work.Passes), "-k", fmt.Sprint(work.MemoryK),
			"-p", fmt.Sprint(work.Lanes), "-l", "32", "-e")
		cmd.Stdin = strings.NewReader(secret)
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		theirs := strings.TrimSpace(string(out))
		if ok, stale, err := ours.Verify(t.Context(), theirs, secret); !ok || stale || err != nil {
			t.Errorf("%s: %t, %t, %v", theirs, ok, stale, err)
		}
		if ok, _, err := ours.Verify(t.Context(), theirs, secret+"."); ok || err != nil {
			t.Errorf("a wrong secret fits %s (%v)", theirs, err)
		}
		h.salt = []byte("saltsaltsaltsalt")
		h.tag = h.tagOf(secret)
		if h.String() != theirs {
			t.Errorf("ours %s, theirs %s", h, theirs)
		}
	}
	if ours.work != Now {
		t.Errorf("the hashes of this process are of the work %v", ours.work)
	}
}

// TestWorkIsAsRecommended: RFC 9106 section 4, second recommended option.
func TestWorkIsAsRecommended(t *testing.T) {
	if Now.Passes < 3 || Now.MemoryK < 64<<10 || Now.Lanes != 4 || saltLength*8 < 128 || tagLength*8 < 256 {
		t.Errorf("%+v, a salt of %d bytes, a tag of %d", Now, saltLength, tagLength)
	}
}

func TestVerify(t *testing.T) {
	h := NewHasher(Work{Passes: 2, MemoryK: 128, Lanes: 1}, 1, 4)
	old, _ := NewHasher(cheap, 1, 1).Hash(t.Context(), "a secret of somebody")
	small, _ := NewHasher(Work{Passes: 2, MemoryK: 64, Lanes: 1}, 1, 1).Hash(t.Context(), "a secret of somebody")
	now, err := h.Hash(t.Context(), "a secret of somebody")
	if err != nil {
		t.Fatal(err)
	}
	again, _ := h.Hash(t.Context(), "a secret of somebody")
	if now == again {
		t.Error("two hashes of one secret are the same: there is no salt")
	}
	for _, c := range []struct {
		name, hash, secret string
		ok, stale          bool
	}{
		{"right", now, "a secret of somebody", true, false},
		{"right, of less work", old, "a secret of somebody", true, true},
		{"right, of less memory", small, "a secret of somebody", true, true},
		{"wrong", now, "a secret of somebody ", false, false},
		{"wrong, of less work", old, "another", false, false},
		{"nobody", "", "", false, false},
		{"nobody's zero tag", "", "a secret of somebody", false, false},
		{"composed otherwise", mustHash(t, h, "Gru\u0308ne Saat im Feld"), "Gr\u00fcne Saat im Feld", true, false}, // UAX #15: NFC
	} {
		if ok, stale, err := h.Verify(t.Context(), c.hash, c.secret); ok != c.ok || stale != c.stale || err != nil {
			t.Errorf("%s: %t, %t, %v", c.name, ok, stale, err)
		}
	}
	if _, _, err := h.Verify(t.Context(), now[:len(now)-30], "a"); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("a cut hash: %v", err)
	}
}

func mustHash(t *testing.T, h *Hasher, secret string) string {
	t.Helper()
	s, err := h.Hash(t.Context(), secret)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestNobodyTakesAsLong: what is compared of nobody is a hash of the same work.
func TestNobodyTakesAsLong(t *testing.T) {
	if ours.nobody.work != Now || len(ours.nobody.salt) != saltLength || len(ours.nobody.tag) != tagLength {
		t.Errorf("%+v", ours.nobody)
	}
	h := NewHasher(Work{Passes: 3, MemoryK: 4 << 10, Lanes: 1}, 1, 1)
	kept := mustHash(t, h, "somebody's secret")
	took := func(hash string) time.Duration {
		best := time.Hour
		for range 15 {
			from := time.Now()
			if _, _, err := h.Verify(t.Context(), hash, "wrong"); err != nil {
				t.Fatal(err)
			}
			best = min(best, time.Since(from))
		}
		return best
	}
	if nobody, somebody := took(""), took(kept); nobody < somebody/3 {
		t.Errorf("the best of 15: nobody %s, somebody %s", nobody, somebody)
	}
}

// TestNoMoreThanAFewAtOnce: the rest waits, and what would be too many waiting is turned away at once.
func TestNoMoreThanAFewAtOnce(t *testing.T) {
	h := NewHasher(cheap, 1, 2)
	leave, err := h.enter(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var waiting sync.WaitGroup
	for range 2 {
		waiting.Go(func() {
			if _, err := h.Hash(t.Context(), "x"); err != nil {
				t.Error(err)
			}
		})
	}
	for len(h.inside) < 3 {
		time.Sleep(time.Millisecond)
	}
	if _, _, err := h.Verify(t.Context(), "", "x"); !errors.Is(err, ErrBusy) {
		t.Errorf("a fourth: %v", err)
	}
	if len(h.running) != 1 {
		t.Errorf("%d run at once", len(h.running))
	}
	leave()
	waiting.Wait()
	if len(h.inside) != 0 || len(h.running) != 0 {
		t.Error("places were not given back")
	}
}

func TestWhoWaitsMayGo(t *testing.T) {
	h := NewHasher(cheap, 1, 2)
	leave, _ := h.enter(t.Context())
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	if _, err := h.Hash(ctx, "x"); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v", err)
	}
	leave()
	if _, err := h.Hash(t.Context(), "x"); err != nil || len(h.inside) != 0 {
		t.Errorf("%v, %d inside", err, len(h.inside))
	}
}

func TestPHCRefused(t *testing.T) {
	good := mustHash(t, NewHasher(cheap, 1, 1), "x")
	for _, bad := range []string{
		"", "x", strings.Replace(good, "argon2id", "argon2i", 1), strings.Replace(good, "v=19", "v=16", 1),
		strings.Replace(good, "m=64", "m=064", 1), strings.Replace(good, "m=64", "m=7", 1), strings.Replace(good, "m=64", "m=4194304", 1),
		strings.Replace(good, "t=1", "t=0", 1), strings.Replace(good, "t=1", "t=65", 1), strings.Replace(good, "p=1", "p=17", 1),
		strings.Replace(good, "t=1", "t=+1", 1), good + "$", good + "=", good[:len(good)-1], "$argon2id$v=19$m=64,t=1,p=1$AAAA$" + strings.Repeat("A", 43),
		strings.Replace(good, ",p=1", ",p=1,data=AAAA", 1), strings.Repeat("$", 600),
	} {
		if _, err := parsePHC(bad); err == nil {
			t.Errorf("taken: %q", bad)
		}
	}
}

func FuzzPHC(f *testing.F) {
	f.Add("$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc")
	f.Add("$argon2id$v=19$m=64,t=1,p=1$$")
	f.Fuzz(func(t *testing.T, s string) {
		h, err := parsePHC(s)
		if err != nil {
			return
		}
		if h.String() != s || h.work.MemoryK > mostMemoryK || h.work.Passes > mostPasses || h.work.Passes < 1 || h.work.Lanes < 1 {
			t.Errorf("%q is %+v", s, h)
		}
	})
}
