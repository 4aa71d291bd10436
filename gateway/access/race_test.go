package access_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// TestAllAtOnce: sign-ins, changes, sign-outs, keys and reads at once; what is then known is what the journal says, every session is
// begun and ended once, and nobody who is disabled is signed in.
func TestAllAtOnce(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := newRig(t)
	ids := []string{"p-1", "p-2", "p-3", "p-4"}
	for _, id := range ids {
		r.add(id, rights.Operator)
	}
	r.add("boss", rights.IT)
	var all sync.WaitGroup
	for n := range 8 {
		all.Go(func() {
			random := rand.New(rand.NewPCG(seed, uint64(n)))
			for i := range 40 {
				r.one(random, ids[random.IntN(len(ids))], fmt.Sprintf("k-%d-%d", n, i))
			}
		})
	}
	all.Wait()
	live, err := r.book.Sessions(host, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range live {
		if p, err := r.book.Person(host, s.Person); err != nil || p.Disabled {
			t.Errorf("%s is signed in and disabled", s.Person)
		}
	}
	before := r.people()
	r.close()
	remove(t, r.dir)
	r.open()
	if after := r.people(); after != before {
		t.Errorf("before %s\nafter %s", before, after)
	}
	r.waitFor("every session is ended", func() bool {
		return len(entries[record.SignedIn](r, record.KindSignedIn)) == len(entries[record.SignedOut](r, record.KindSignedOut))
	})
	begun, ended := map[string]int{}, map[string]int{}
	for _, e := range entries[record.SignedIn](r, record.KindSignedIn) {
		begun[e.Session]++
	}
	for _, e := range entries[record.SignedOut](r, record.KindSignedOut) {
		ended[e.Session]++
	}
	for id, n := range begun {
		if n != 1 || ended[id] != 1 {
			t.Errorf("session %s began %d times and ended %d times", id, n, ended[id])
		}
	}
	if len(begun) < 20 {
		t.Errorf("only %d sessions: the test does too little", len(begun))
	}
}

// one does one thing at random. It may be refused; it may not do half of it.
func (r *rig) one(random *rand.Rand, id, key string) {
	ctx := context.Background()
	var err error
	switch random.IntN(8) {
	case 0, 1, 2:
		var s rights.Session
		if s, err = r.book.SignIn(ctx, rights.SignIn{Login: id, Secret: good(id), Address: "192.0.2.7"}); err == nil && random.IntN(2) == 0 {
			err = r.book.SignOut(ctx, s.Who)
		}
	case 3:
		on := random.IntN(2) == 0
		_, err = r.book.ChangePerson(ctx, host, id, rights.PersonChange{Disabled: &on, Reason: "a test"})
	case 4:
		off := false
		_, err = r.book.ChangePerson(ctx, host, id, rights.PersonChange{Disabled: &off, Reason: "a test"})
	case 5:
		_, err = r.book.SignOutEverywhere(ctx, host, id)
	case 6:
		_, err = r.book.MakeKey(ctx, host, rights.NewKey{ID: key, Name: "K", Roles: []string{rights.Machine}})
	case 7:
		r.people()
		r.book.Reload()
	}
	var refused *rights.Refused
	var throttled *rights.Throttled
	if err != nil && !errors.As(err, &refused) && !errors.As(err, &throttled) && !errors.Is(err, rights.ErrNoSession) && !errors.Is(err, rights.ErrWrong) {
		r.t.Errorf("%v", err)
	}
}

// TestTwoOfOneID: of many who add the same id at once, one gets it.
func TestTwoOfOneID(t *testing.T) {
	r := newRig(t)
	var all sync.WaitGroup
	var mu sync.Mutex
	made := 0
	for i := range 16 {
		all.Go(func() {
			id := "twin"
			if i%2 == 0 {
				id = "TWIN"
			}
			if _, err := r.book.AddPerson(context.Background(), host, rights.NewPerson{ID: id, Name: "T", Roles: []string{rights.Operator}}); err == nil {
				mu.Lock()
				made++
				mu.Unlock()
			}
		})
	}
	all.Wait()
	if made != 1 {
		t.Errorf("%d people have the id", made)
	}
}
