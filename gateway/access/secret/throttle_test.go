package secret

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/parsers/strict"
)

// clock is a clock that a test sets.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) add(d time.Duration) {
	c.mu.Lock()
	c.now = c.now.Add(d)
	c.mu.Unlock()
}

func openThrottle(t *testing.T, dir string, c LockConfig, k *clock) *Throttle {
	t.Helper()
	th, err := OpenThrottle(dir, func() LockConfig { return c }, k.Now)
	if err != nil {
		t.Fatal(err)
	}
	return th
}

// wrong tries a wrong secret, having waited as long as it has to, unless the account is locked.
func wrong(t *testing.T, th *Throttle, k *clock, a Attempt) (locked bool, failures int) {
	t.Helper()
	y := begin(t, th, k, a)
	if y == nil {
		return true, -1
	}
	return y.Wrong()
}

func begin(t *testing.T, th *Throttle, k *clock, a Attempt) *Try {
	t.Helper()
	for range 3 {
		y, err := th.Begin(a)
		var b *Blocked
		switch {
		case err == nil:
			return y
		case !errors.As(err, &b):
			t.Fatal(err)
		case b.Locked:
			return nil
		}
		k.add(b.After)
	}
	t.Fatalf("%+v: waiting as long as is said does not help", a)
	return nil
}

var somebody = Attempt{Way: Password, Account: "p-1", Known: true, Address: "10.0.0.1"}

func from(address string, a Attempt) Attempt {
	a.Address = address
	return a
}

// TestNoMoreThanAHundred: NIST SP 800-63B-4, 3.2.2: at most 100 failures in a row, whatever the lab says, and then only by
// somebody else's act.
func TestNoMoreThanAHundred(t *testing.T) {
	for _, c := range []LockConfig{{}, {After: 100}, {After: 7}, {After: 100, For: strict.Duration(time.Minute)}} {
		k := &clock{now: at(0)}
		dir := t.TempDir()
		th := openThrottle(t, dir, c, k)
		looked := 0
		for i := range 1000 {
			if _, n := wrong(t, th, k, from(fmt.Sprintf("10.0.%d.%d", i/250, i%250), somebody)); n > 0 {
				looked++
			}
			k.add(30 * time.Minute)
		}
		locked, until := th.Locked(Password, "p-1")
		if looked != 100 || !locked || !until.IsZero() {
			t.Errorf("%+v: %d were looked at; locked %t until %s", c, looked, locked, until)
		}
		k.add(10 * 365 * 24 * time.Hour)
		if err := th.Unlock(Password, "p-1"); err != nil || begin(t, th, k, somebody) == nil {
			t.Errorf("it cannot be unlocked (%v)", err)
		}
	}
}

func TestLock(t *testing.T) {
	k := &clock{now: at(0)}
	dir := t.TempDir()
	th := openThrottle(t, dir, LockConfig{After: 5}, k)
	for i := range 5 {
		if locked, n := wrong(t, th, k, somebody); locked != (i == 4) || n != i+1 {
			t.Errorf("failure %d: locked %t, %d failures", i+1, locked, n)
		}
	}
	other := somebody
	other.Account = "p-2"
	for _, th := range []*Throttle{th, openThrottle(t, dir, LockConfig{After: 5}, k)} { // a kill and a start
		var b *Blocked
		if _, err := th.Begin(from("10.9.9.9", somebody)); !errors.As(err, &b) || !b.Locked || b.After <= 0 || b.After > 16*time.Minute {
			t.Errorf("locked: %v", err)
		}
		if begin(t, th, k, from("10.9.9.9", other)) == nil {
			t.Error("somebody else is locked as well")
		}
	}
	k.add(16 * time.Minute)
	begin(t, th, k, somebody).Right()
	if locked, n := wrong(t, th, k, somebody); locked || n != 1 {
		t.Errorf("after a right one: locked %t, %d failures", locked, n)
	}
}

// TestTheRightSecretFromElsewhere is looked at at once, however one address guesses, until the account is locked.
func TestTheRightSecretFromElsewhere(t *testing.T) {
	k := &clock{now: at(0)}
	th := openThrottle(t, t.TempDir(), LockConfig{}, k)
	waited := time.Duration(0)
	for i := range 19 {
		begin(t, th, k, somebody).Wrong()
		if i < 2 {
			continue
		}
		var b *Blocked
		if _, err := th.Begin(somebody); !errors.As(err, &b) || b.Locked || b.After < waited && b.After < time.Minute {
			t.Fatalf("failure %d: %v after %s", i+1, err, waited)
		} else {
			waited = b.After
		}
		y, err := th.Begin(from("10.0.0.2", somebody))
		if err != nil {
			t.Fatalf("from elsewhere after %d failures: %v", i+1, err)
		}
		y.Void()
	}
	if waited != 5*time.Minute {
		t.Errorf("the longest wait is %s", waited)
	}
}

// TestOneAddressOverManyAccounts is slowed down, whatever the accounts.
func TestOneAddressOverManyAccounts(t *testing.T) {
	k := &clock{now: at(0)}
	th := openThrottle(t, t.TempDir(), LockConfig{}, k)
	looked := 0
	for i := range 3600 {
		a := somebody
		a.Account = fmt.Sprintf("p-%d", i)
		if y, err := th.Begin(a); err == nil {
			y.Wrong()
			looked++
		}
		k.add(time.Second)
	}
	if looked < 10 || looked > 100 {
		t.Errorf("%d accounts in an hour", looked)
	}
	if _, err := th.Begin(from("2001:db8::1", somebody)); err != nil {
		t.Error(err)
	}
	if network("2001:db8::1") != network("2001:db8::ffff:1") || network("2001:db8::1") == network("2001:db8:0:1::1") || network("::ffff:10.0.0.1") != "10.0.0.1" {
		t.Error("addresses of one network are not one")
	}
}

// TestAPINLocksThePINAlone, and the keys of programs are never locked.
func TestAPINLocksThePINAlone(t *testing.T) {
	k := &clock{now: at(0)}
	th := openThrottle(t, t.TempDir(), LockConfig{PINAfter: 4}, k)
	pin, key := somebody, somebody
	pin.Way, key.Way = PIN, Key
	for range 4 {
		wrong(t, th, k, pin)
	}
	k.add(1000 * time.Hour)
	if locked, until := th.Locked(PIN, "p-1"); !locked || !until.IsZero() {
		t.Errorf("the PIN: %t, %s", locked, until)
	}
	if locked, _ := th.Locked(Password, "p-1"); locked || begin(t, th, k, somebody) == nil {
		t.Error("the password is locked with the PIN")
	}
	for range 300 {
		if locked, _ := wrong(t, th, k, key); locked {
			t.Fatal("a key is locked")
		}
	}
}

// TestAKillNeverGivesAttempts: whatever happens between Begin and the answer, a start afterwards counts at least as much.
func TestAKillNeverGivesAttempts(t *testing.T) {
	for _, after := range []int{3, 5, 20, 100} {
		k := &clock{now: at(0)}
		dir := t.TempDir()
		looked := 0
		for range 50 + 2*after { // each round is a start, an attempt or two, and a kill, before or after its answer
			th := openThrottle(t, dir, LockConfig{After: after, UntilUnlocked: true}, k)
			for i := range 1 + looked%2 {
				y, err := th.Begin(from(fmt.Sprint(looked), somebody))
				if err != nil {
					break
				}
				if looked++; i == 0 {
					y.Wrong()
				}
			}
			_ = th.file.close()
			k.add(time.Hour)
		}
		if looked > after || looked < 1 {
			t.Errorf("locks after %d: %d were looked at", after, looked)
		}
	}
}

// TestManyAtOnceAreNotMoreThanAllowed: attempts in flight count before they are answered.
func TestManyAtOnceAreNotMoreThanAllowed(t *testing.T) {
	k := &clock{now: at(0)}
	th := openThrottle(t, t.TempDir(), LockConfig{After: 10}, k)
	var tries []*Try
	for i := range 200 {
		if y, err := th.Begin(from(fmt.Sprint(i), somebody)); err == nil {
			tries = append(tries, y)
		}
	}
	if len(tries) != 10 {
		t.Fatalf("%d are looked at at once", len(tries))
	}
	tries[3].Void()
	tries[3].Void()
	if begin(t, th, k, from("elsewhere", somebody)) == nil {
		t.Error("one that was not compared counts")
	}
}

func TestACleanStopKeepsTheCountAsItIs(t *testing.T) {
	k := &clock{now: at(0)}
	dir := t.TempDir()
	th := openThrottle(t, dir, LockConfig{}, k)
	wrong(t, th, k, somebody)
	if err := th.Close(); err != nil {
		t.Fatal(err)
	}
	th = openThrottle(t, dir, LockConfig{}, k)
	if _, n := wrong(t, th, k, somebody); n != 2 {
		t.Errorf("%d failures", n)
	}
}

// TestAMillionNamesAndAddresses take no more memory than ten thousand, and make nobody's count forgotten. A million are many
// seconds with the race detector: without WEIGHPOST_LONG=1 it is each place taken three times over.
func TestAMillionNamesAndAddresses(t *testing.T) {
	many, _ := needs.Rounds(t, 3*mostPlaces, 1_000_000)
	k := &clock{now: at(0)}
	th := openThrottle(t, t.TempDir(), LockConfig{}, k)
	wrong(t, th, k, somebody)
	for i := range many {
		key := digestOf(fmt.Sprint(i))
		th.account(key, false)
		th.pairs.get(key, func() *place { return &place{} })
		th.places.get(key, func() *place { return &place{} })
	}
	if len(th.names.at) != mostNames || th.names.order.Len() != mostNames || len(th.pairs.at) != mostPlaces || len(th.places.at) != mostPlaces {
		t.Errorf("%d names, %d pairs, %d places", len(th.names.at), len(th.pairs.at), len(th.places.at))
	}
	if _, n := wrong(t, th, k, somebody); n != 2 {
		t.Errorf("somebody's count is %d", n)
	}
}

// TestTheFileDoesNotGrow: it is written anew where most of it no longer counts.
func TestTheFileDoesNotGrow(t *testing.T) {
	k := &clock{now: at(0)}
	dir := t.TempDir()
	th := openThrottle(t, dir, LockConfig{}, k)
	for i := range 2500 {
		if err := th.write(mark{key: digestOf(fmt.Sprint(i % 3)), charge: 1}, false); err != nil {
			t.Fatal(err)
		}
	}
	if info, err := os.Stat(filepath.Join(dir, attemptsName)); err != nil || info.Size() > 100_000 {
		t.Errorf("%d bytes, %v", info.Size(), err)
	}
}

func TestMarks(t *testing.T) {
	m := mark{key: digestOf("p-1"), known: true, charge: 17, until: 1_800_000_000}
	n := mark{key: digestOf("p-2"), charge: 100, until: forGood}
	text := m.line() + n.line()
	all, err := readMarks([]byte(text))
	if err != nil || all[m.key] != m || all[n.key] != n || len(all) != 2 {
		t.Errorf("%v, %v", all, err)
	}
	for cut := range len(n.line()) - 1 { // a kill in the middle of the last line
		all, err := readMarks([]byte(text[:len(m.line())+cut]))
		if err != nil || len(all) != 1 {
			t.Errorf("cut after %d: %v, %v", cut, all, err)
		}
	}
	for i := range m.line() {
		b := []byte(text)
		b[i] ^= 1
		if got, err := readMarks(b); err == nil {
			t.Errorf("byte %d changed: %v", i, got)
		}
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, attemptsName), []byte("x\n"+text), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenThrottle(dir, func() LockConfig { return LockConfig{} }, nil); err == nil || !strings.Contains(err.Error(), "line 1") || !strings.Contains(err.Error(), "move the file away") {
		t.Errorf("%v", err)
	}
}

func FuzzMarks(f *testing.F) {
	f.Add([]byte((mark{key: digestOf("p-1"), known: true, charge: 17, until: 1_800_000_000}).line()))
	f.Fuzz(func(t *testing.T, b []byte) {
		all, err := readMarks(b)
		for key, m := range all {
			if err == nil && (m.key != key || m.charge < 0 || m.charge > mostFailures) {
				t.Errorf("%+v", m)
			}
		}
	})
}
