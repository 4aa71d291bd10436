//go:build linux

package gateway_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// bench is a daemon with scanners, and people with badges: B:0001 is p-1's and so on. The clock of sessions can be put forward.
type bench struct {
	*daemon
	t     *testing.T
	ahead atomic.Int64
	host  rights.Who
}

const benchRules = `[{prefix: "B:", item: person, badge: true, strip: true}, {prefix: "P-", item: person}, {prefix: LOT-, item: sample}, {prefix: END, sign_out: true}]`

func newBench(t *testing.T, balances, people int, policy string) *bench {
	t.Helper()
	b := &bench{t: t, host: rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "a test"})}
	b.daemon = newDaemon(t, daemonOptions{balances: balances, scanners: benchRules, more: policy,
		sessions: func() time.Time { return time.Now().Add(time.Duration(b.ahead.Load())) }})
	b.start(t)
	t.Cleanup(http.DefaultClient.CloseIdleConnections)
	for i := range people {
		id := fmt.Sprintf("p-%d", i+1)
		b.must(b.People().AddPerson(t.Context(), b.host, rights.NewPerson{ID: id, Name: "Ada " + id, Roles: []string{"operator"}, Reason: "a test"}))
		b.must(b.People().AddBadge(t.Context(), b.host, id, fmt.Sprintf("%04d", i+1), "a test"))
	}
	time.Sleep(500 * time.Millisecond) // of silence: the first line is heard from its beginning
	return b
}

func (b *bench) must(_ rights.PersonView, err error) {
	b.t.Helper()
	if err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) scan(k int, text string) {
	b.t.Helper()
	if _, err := b.scans[k].Write([]byte(text + "\r")); err != nil {
		b.t.Fatal(err)
	}
}

// held gives an item that is held at a balance, nil for none.
func (b *bench) held(k int, name string) *record.ContextHeld {
	view, err := b.ContextOf(fmt.Sprintf("b-%d", k+1))
	if err != nil {
		b.t.Fatal(err)
	}
	for i := range view.Items {
		if view.Items[i].Name == name {
			return &view.Items[i]
		}
	}
	return nil
}

// who is the person held at a balance, "" for nobody.
func (b *bench) who(k int) string {
	if p := b.held(k, record.ItemPerson); p != nil {
		return p.ID
	}
	return ""
}

// at is whose session is at a balance's bench.
func (b *bench) at(k int) string {
	if w, there := b.People().AtBench(fmt.Sprintf("b-%d", k+1)); there {
		return w.Person
	}
	return ""
}

// both waits until the balance and its bench name the same person.
func (b *bench) both(k int, id, otherwise string) {
	b.t.Helper()
	for limit := time.Now().Add(10 * time.Second); b.who(k) != id || b.at(k) != id; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			b.t.Fatalf("%s: %q weighs and %q is signed in, want %q", otherwise, b.who(k), b.at(k), id)
		}
	}
}

// prints has a balance print, and waits until that is recorded.
func (b *bench) prints(k, n int) {
	b.t.Helper()
	time.Sleep(30 * time.Millisecond) // whoever prints looks at the screen first
	before := b.Balances()[k].Recorded
	mustWrite(b.t, b.daemon, k, line(n))
	until(b.t, func() bool { return b.Balances()[k].Recorded == before+1 }, "a weighing is not recorded")
}

// sessions gives the entries of sessions, each as kind, person, how, balance and cause.
func (b *bench) sessions() (list []string) {
	for _, e := range entries(b.t, b.daemon) {
		if e.Kind != record.KindSignedIn && e.Kind != record.KindSignedOut {
			continue
		}
		var one struct {
			By      record.Actor
			Balance record.Bench
			Cause   string
		}
		if err := json.Unmarshal(e.JSON, &one); err != nil {
			b.t.Fatal(err)
		}
		list = append(list, strings.TrimSpace(fmt.Sprintf("%s %s %s %s %s", e.Kind, one.By.ID, one.By.By, one.Balance, one.Cause)))
	}
	return list
}

// TestWhoeverSignsInAtABalanceWeighsThere by badges, from the scanner on a pseudo-terminal to the entries.
func TestWhoeverSignsInAtABalanceWeighsThere(t *testing.T) {
	b := newBench(t, 1, 4, "people: {badge: {sign_in: true}}\n")
	b.scan(0, "B:0001")
	b.both(0, "p-1", "a badge")
	if p := b.held(0, record.ItemPerson); p.By != record.BySignedIn || p.How != record.ActorBadge || p.Person != "Ada p-1" || p.Role != "operator" || p.Until == nil {
		t.Errorf("%+v", p)
	}
	b.scan(0, "LOT-1")
	until(t, func() bool { return b.held(0, record.ItemSample) != nil }, "a sample is not taken")
	b.prints(0, 1000)
	b.scan(0, "LOT-2")
	until(t, func() bool { return b.held(0, record.ItemSample) != nil }, "a sample is not taken")
	b.scan(0, "B:0002")
	b.both(0, "p-2", "another badge")
	b.prints(0, 2000)
	b.scan(0, "B:9999")
	b.both(0, "", "a badge that nobody has")
	b.prints(0, 3000)

	disabled := true
	b.must(b.People().ChangePerson(t.Context(), b.host, "p-3", rights.PersonChange{Disabled: &disabled, Reason: "a test"}))
	b.must(b.People().EndBadge(t.Context(), b.host, "p-4", "0004", "lost"))
	for _, badge := range []string{"B:0003", "B:0004"} {
		b.scan(0, "B:0001")
		b.both(0, "p-1", "a badge")
		b.scan(0, badge)
		b.both(0, "", "a badge of nobody who may sign in")
	}
	b.scan(0, "B:0001")
	b.both(0, "p-1", "a badge")
	b.scan(0, "LOT-3")
	until(t, func() bool { return b.held(0, record.ItemSample) != nil }, "a sample is not taken")
	b.scan(0, "END")
	b.both(0, "", "a sign-out at the scanner")
	b.prints(0, 4000)
	b.stop(t)

	in, out := "signed-in p-1 badge b-1", "signed-out p-1 badge b-1 "
	if got, want := b.sessions(), []string{in, out + "another-person", "signed-in p-2 badge b-1", "signed-out p-2 badge b-1 bench",
		in, out + "bench", in, out + "bench", in, out + "asked"}; sorted(got) != sorted(want) || got[0] != in || !slices.Contains(got[1:3], "signed-in p-2 badge b-1") {
		t.Errorf("%q", got)
	}
	var got []string
	for _, w := range weighings(t, b.daemon) {
		p, s := record.Learnt{}, record.Learnt{}
		if w.Context.Person != nil {
			p = *w.Context.Person
		}
		if w.Context.Sample != nil {
			s = *w.Context.Sample
		}
		got = append(got, fmt.Sprintf("%s %s %s %s %s %s", w.Value.Digits, p.ID, p.By, p.How, p.Name+p.Role, s.ID))
	}
	if want := []string{"1.000 p-1 signed-in badge Ada p-1operator LOT-1", "2.000 p-2 signed-in badge Ada p-2operator ", "3.000     ", "4.000     "}; !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
}

func sorted(list []string) string {
	return strings.Join(slices.Sorted(slices.Values(list)), "\n")
}

// TestABadgeWithAPIN: where policy asks for a PIN the scanner alone signs nobody in, and the bench screen does with it.
func TestABadgeWithAPIN(t *testing.T) {
	t.Parallel() // it mostly waits
	b := newBench(t, 2, 2, "people: {badge: {sign_in: true, pin: true}}\n")
	for i, pin := range []string{"480713", "926158"} {
		b.must(b.People().SetPIN(t.Context(), b.host, fmt.Sprintf("p-%d", i+1), pin, "a test"))
	}
	b.scan(0, "B:0001")
	until(t, func() bool { return b.holds("context-refused") }, "a badge without its PIN is not refused")
	b.both(0, "", "a badge without its PIN")
	first, second := newVisitor(t, b.PageURL()), newVisitor(t, b.PageURL())
	asks := func(v *visitor, method, path, body string, want int) {
		t.Helper()
		if status, answer := v.asks(method, path, body); status != want {
			t.Fatalf("%s %s: %d %s, want %d", method, path, status, answer, want)
		}
	}
	asks(first, "POST", "session/badge", `{"code": "0001", "pin": "111222", "balance": "b-1"}`, 401)
	asks(first, "POST", "session/badge", `{"code": "0001", "balance": "b-1"}`, 409)
	b.both(0, "", "a wrong PIN")
	asks(first, "POST", "session/badge", `{"code": "0001", "pin": "480713", "balance": "b-1"}`, 200)
	b.both(0, "p-1", "a badge and its PIN")
	if p := b.held(0, record.ItemPerson); p.By != record.BySignedIn || p.How != record.ActorBadgePIN {
		t.Errorf("%+v", p)
	}
	asks(first, "PATCH", "balances/b-1/context", `{"sample": {"id": "LOT-1"}}`, 200)
	asks(first, "PATCH", "balances/b-2/context", `{"sample": {"id": "LOT-1"}}`, 403)
	asks(second, "POST", "session/badge", `{"code": "0002", "pin": "926158", "balance": "b-1"}`, 200)
	b.both(0, "p-2", "another person at the bench")
	if b.held(0, record.ItemSample) != nil {
		t.Error("the sample of whoever was there before is left to whoever comes")
	}
	asks(first, "PATCH", "balances/b-1/context", `{"sample": {"id": "LOT-1"}}`, 401)
	asks(second, "DELETE", "session", "", 200)
	b.both(0, "", "a sign-out at the page")
	asks(second, "POST", "session/badge", `{"code": "0002", "pin": "926158", "balance": "b-1"}`, 200)
	b.both(0, "p-2", "a badge and its PIN")
	b.scan(0, "END")
	b.both(0, "", "a sign-out at the scanner")
	b.stop(t)
}

// TestASessionAtABenchEndsWithItsContext and the other way round, for every cause.
func TestASessionAtABenchEndsWithItsContext(t *testing.T) {
	b := newBench(t, 2, 2, "people: {badge: {sign_in: true}, session: {bench_idle: 1h, absolute: 10h}}\n")
	ctx := t.Context()
	in := func() {
		t.Helper()
		b.scan(0, "B:0001")
		b.both(0, "p-1", "a badge")
		b.scan(0, "LOT-1")
		until(t, func() bool { return b.held(0, record.ItemSample) != nil }, "a sample is not taken")
	}
	id := func() string {
		list, err := b.People().Sessions(b.host, "p-1")
		if err != nil || len(list) != 1 {
			t.Fatalf("%v, %v", list, err)
		}
		return list[0].ID
	}
	yes, no := true, false
	for _, c := range []struct {
		cause string
		end   func() error
	}{
		{"idle", func() error { b.ahead.Add(int64(time.Hour)); return nil }},
		{"absolute", func() error {
			for range 10 { // somebody who goes on scanning
				b.ahead.Add(int64(59 * time.Minute))
				b.scan(0, "LOT-1")
				time.Sleep(50 * time.Millisecond)
			}
			b.ahead.Add(int64(20 * time.Minute))
			return nil
		}},
		{"asked", func() error { return b.People().EndSession(ctx, b.host, "p-1", id()) }},
		{"everywhere", func() error { _, err := b.People().SignOutEverywhere(ctx, b.host, "p-1"); return err }},
		{"disabled", func() error {
			_, err := b.People().ChangePerson(ctx, b.host, "p-1", rights.PersonChange{Disabled: &yes, Reason: "a test"})
			return err
		}},
		{"bench", func() error {
			_, err := b.People().ChangePerson(ctx, b.host, "p-1", rights.PersonChange{Disabled: &no, Reason: "a test"})
			in()
			return errors.Join(err, b.cords[0].Pull())
		}},
	} {
		if c.cause != "bench" {
			in()
		}
		if err := c.end(); err != nil {
			t.Fatal(err)
		}
		b.both(0, "", c.cause)
		if b.held(0, record.ItemSample) != nil {
			t.Errorf("%s: the sample stays", c.cause)
		}
	}
	// A system names somebody, and that account is disabled: nobody weighs under it any more.
	if _, err := b.SetContext(ctx, "b-2", record.ContextRequest{By: record.BySent, Person: &record.ContextItem{ID: "p-2"}, At: time.Now()}); err != nil {
		t.Fatal(err)
	}
	b.must(b.People().ChangePerson(ctx, b.host, "p-2", rights.PersonChange{Disabled: &yes, Reason: "a test"}))
	if got := b.who(1); got != "" {
		t.Errorf("%s weighs, whose account is disabled", got)
	}
	b.stop(t)
	var got []string
	for _, s := range b.sessions() {
		if cause, out := strings.CutPrefix(s, "signed-out p-1 badge b-1 "); out {
			got = append(got, cause)
		}
	}
	if want := []string{"idle", "absolute", "asked", "everywhere", "disabled", "bench"}; !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
}

// TestALongWeighingAndIdlePeople: prints count as presence only where policy says so.
func TestALongWeighingAndIdlePeople(t *testing.T) {
	t.Parallel() // it mostly waits
	for _, counts := range []bool{false, true} {
		b := newBench(t, 1, 1, fmt.Sprintf("people: {badge: {sign_in: true}, session: {bench_idle: 1h, absolute: 10h, balance_counts: %v}}\n", counts))
		b.scan(0, "B:0001")
		b.both(0, "p-1", "a badge")
		b.prints(0, 1)
		b.ahead.Add(int64(40 * time.Minute))
		b.prints(0, 1000)
		b.ahead.Add(int64(40 * time.Minute))
		want := map[bool]string{true: "p-1"}[counts]
		if !counts {
			b.both(0, want, "a long weighing")
		}
		time.Sleep(1500 * time.Millisecond) // sessions are looked at each second
		b.both(0, want, "a long weighing")
		b.prints(0, 2000)
		b.stop(t)
		w := weighings(t, b.daemon)
		if got := w[2].Context.Person != nil; got != counts || w[1].Context.Person == nil {
			t.Errorf("balance_counts %v: %+v", counts, w[2].Context.Person)
		}
	}
}

// TestNothingOfAPersonIsLeftAfterTheirSession does what can happen at benches in random order, beside a model of who is where. A
// weighing carries nobody but who the model says, and at no time does a balance hold a person whose session ended.
func TestNothingOfAPersonIsLeftAfterTheirSession(t *testing.T) {
	t.Parallel()
	acts := 60
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		acts = 3000
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	const balances, people = 2, 3
	b := newBench(t, balances, people, "people: {badge: {sign_in: true}, session: {bench_idle: 30m, absolute: 10h}}\n")
	m := [balances]string{} // who is at which balance
	pages := [people]*visitor{}
	disabled := [people]bool{}
	var want [balances][]string
	in := func(k, p int) {
		if m[k] = ""; !disabled[p] {
			m[k] = fmt.Sprintf("p-%d", p+1)
		}
	}
	gone := func(p int) {
		for k := range m {
			if m[k] == fmt.Sprintf("p-%d", p+1) {
				m[k] = ""
			}
		}
	}
	did := []string{}
	note := func(format string, args ...any) { did = append(did, fmt.Sprintf(format, args...)) }
	stop, watched := make(chan struct{}), make(chan struct{})
	go func() { defer close(watched); b.watch(stop, balances) }()
	for i := range acts {
		k, p := random.IntN(balances), random.IntN(people)
		id := fmt.Sprintf("p-%d", p+1)
		switch random.IntN(11) {
		case 0, 1, 2:
			note("badge %s at %d", id, k)
			b.scan(k, fmt.Sprintf("B:%04d", p+1))
			in(k, p)
		case 3:
			q := random.IntN(people)
			note("badges %s and p-%d at once at %d", id, q+1, k)
			b.scan(k, fmt.Sprintf("B:%04d\rB:%04d", p+1, q+1))
			in(k, q)
		case 4:
			note("badge %s at the page of %d", id, k)
			pages[p] = newVisitor(t, b.PageURL())
			if status, _ := pages[p].asks("POST", "session/badge", fmt.Sprintf(`{"code": "%04d", "balance": "b-%d"}`, p+1, k+1)); status == 200 {
				in(k, p)
			} else if !disabled[p] {
				t.Fatalf("%d", status)
			}
		case 5:
			note("sign-out at the scanner of %d", k)
			b.scan(k, "END")
			m[k] = ""
		case 6:
			note("a badge of nobody at %d", k)
			b.scan(k, "B:9999")
			m[k] = ""
		case 7:
			note("%s out everywhere", id)
			if _, err := b.People().SignOutEverywhere(t.Context(), b.host, id); err != nil {
				t.Fatal(err)
			}
			gone(p)
		case 8:
			note("%s disabled %v", id, !disabled[p])
			disabled[p] = !disabled[p]
			b.must(b.People().ChangePerson(t.Context(), b.host, id, rights.PersonChange{Disabled: &disabled[p], Reason: "a test"}))
			if disabled[p] {
				gone(p)
			}
		case 9:
			note("idle")
			b.ahead.Add(int64(31 * time.Minute))
			m = [balances]string{}
		case 10:
			note("%s is sent to %d", id, k)
			_, err := b.SetContext(t.Context(), fmt.Sprintf("b-%d", k+1), record.ContextRequest{By: record.BySent, Person: &record.ContextItem{ID: "x-9"}, At: time.Now()})
			if err != nil {
				t.Fatal(err)
			}
			m[k] = "x-9"
			b.both2(k, "x-9", "", did)
			b.scan(k, "END")
			m[k] = ""
		}
		time.Sleep(60 * time.Millisecond) // a scan that changes nothing cannot be waited for
		for k := range balances {
			b.both2(k, m[k], m[k], did)
		}
		if i%3 == 0 {
			b.prints(k, 1000+i)
			want[k] = append(want[k], m[k])
		}
	}
	close(stop)
	<-watched
	b.stop(t)
	var got [balances][]string
	for _, w := range weighings(t, b.daemon) {
		k, who := int(w.Balance.ID[2]-'1'), ""
		if w.Context.Person != nil {
			who = w.Context.Person.ID
		}
		got[k] = append(got[k], who)
	}
	for k := range want {
		if !slices.Equal(got[k], want[k]) {
			t.Errorf("balance %d: %q weighed, want %q", k, got[k], want[k])
		}
	}
	open := 0
	for _, s := range b.sessions() {
		if open++; strings.HasPrefix(s, "signed-out") {
			open -= 2
		}
	}
	if open < 0 || open > balances {
		t.Errorf("%d sessions more began than ended", open)
	}
}

func (b *bench) both2(k int, who, at string, did []string) {
	b.t.Helper()
	for limit := time.Now().Add(10 * time.Second); b.who(k) != who || b.at(k) != at; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			b.t.Fatalf("balance %d: %q weighs and %q is signed in, want %q and %q, after %q", k, b.who(k), b.at(k), who, at, did[max(0, len(did)-6):])
		}
	}
}

// watch looks all the time whether a balance holds a person as signed in whose session is over.
func (b *bench) watch(stop chan struct{}, balances int) {
	sessions := func() map[string]bool {
		list, err := b.People().Sessions(b.host, "")
		if err != nil {
			b.t.Error(err)
		}
		at := map[string]bool{}
		for _, s := range list {
			at[s.Person+" "+s.Balance] = true
		}
		return at
	}
	looks := 0
	for {
		select {
		case <-stop:
			if looks < 20 {
				b.t.Errorf("only %d looks", looks)
			}
			return
		case <-time.After(2 * time.Millisecond):
		}
		looks++
		for k := range balances {
			before := sessions()
			p := b.held(k, record.ItemPerson)
			if p == nil || p.By != record.BySignedIn {
				continue
			}
			if one := fmt.Sprintf("%s b-%d", p.ID, k+1); !before[one] && !sessions()[one] {
				b.t.Errorf("%s is held, and no session lasts", one)
			}
		}
	}
}
