package secret

import (
	"fmt"
	"sync"
	"time"

	"weighpost/parsers/strict"
)

// Way is what is tried. Each has its own counts, so that a PIN that is locked leaves the password as it is.
type Way string

// The ways.
const (
	Password Way = "password" // passwords, of the lab or of a directory
	PIN      Way = "pin"
	Key      Way = "key"    // a program's key; the account is the key's id
	SetUp    Way = "set-up" // the token of the first start
)

// LockConfig is the policy on attempts that fail.
type LockConfig struct {
	After         int             `yaml:"after" desc:"So many wrong passwords in a row lock an account: 3 to 100." default:"20"`
	For           strict.Duration `yaml:"for" desc:"How long it is then locked: 1m to 24h. After 100 wrong ones in a row somebody with the right people has to unlock it (NIST SP 800-63B-4, 3.2.2)." default:"15m"`
	UntilUnlocked bool            `yaml:"until_unlocked" desc:"true: it is locked until somebody with the right people unlocks it, and for does not count." default:"false"`
	PINAfter      int             `yaml:"pin_after" desc:"So many wrong PINs in a row lock the PIN, and not the password, until somebody with the right people unlocks it: 3 to 100." default:"10"`
}

// Check adds every fault that it sees to r.
func (c *LockConfig) Check(r *strict.Report) {
	for key, n := range map[string]int{"after": c.After, "pin_after": c.PINAfter} {
		if n != 0 && (n < 3 || n > mostFailures) {
			r.At(key).Fault(fmt.Sprintf("%d attempts", n), "3 to 100")
		}
	}
	if d := c.For.D(); d != 0 && (d < time.Minute || d > 24*time.Hour) {
		r.At("for").Fault("locked for "+c.For.String(), "1m to 24h")
	}
}

// Blocked says that an attempt is not looked at now.
type Blocked struct {
	After  time.Duration // when the next one is looked at; 0 with Locked: when somebody has unlocked it
	Locked bool          // the account is locked, for everybody; else this address has to wait
}

func (b *Blocked) Error() string {
	switch {
	case b.Locked && b.After == 0:
		return "this account is locked after too many attempts that failed: somebody with the right \"people\" can unlock it"
	case b.Locked:
		return fmt.Sprintf("this account is locked after too many attempts that failed: try again in %s", b.wait())
	}
	return fmt.Sprintf("too many attempts from here failed: try again in %s", b.wait())
}

// wait is how long to wait, in whole seconds, and never none.
func (b *Blocked) wait() time.Duration {
	return max(time.Second, (b.After + time.Second - 1).Truncate(time.Second))
}

// Bounds. What is counted of names that nobody has, and of addresses, is forgotten from the oldest on where it would be more:
// whoever has so many names or addresses is slowed down by the other kind of count, and an account's own is never forgotten.
const (
	mostFailures = 100 // in a row, before somebody else has to unlock the account (NIST 3.2.2)
	mostNames    = 10_000
	mostPlaces   = 20_000
	ahead        = 5 // failures that are written before they happen, so that not each one waits for the disk
)

// Attempt is what somebody tries.
type Attempt struct {
	Way     Way
	Account string // id of the account; where there is none, the name that was given, in one normal form
	Known   bool   // there is such an account: its count is never forgotten
	Address string // network address without the port; for a scanner at a bench, the balance
}

// Throttle counts attempts that failed and makes whoever fails wait.
//
// What waits is a pair of account and address, longer with each failure, and an address that fails with whatever account: the
// right secret from elsewhere is looked at at once. Only the count of an account, from everywhere, locks it; where that is low,
// whoever knows a name can lock its account out, which is why the default is 20 and a quarter of an hour. Programs' keys and
// the set-up token are 256 random bits: they make an address wait, and are never locked, so that nobody can stop a lab system
// by its key's id.
//
// Counts of accounts outlast a restart: a failure is in the file before the attempt is looked at. They are written some ahead,
// so that a kill costs the account a few attempts and never gives any.
type Throttle struct {
	config func() LockConfig
	now    func() time.Time

	mu       sync.Mutex // guards what follows, writing included
	file     *attempts
	accounts map[digest]*account
	names    *recent[*account] // those of accounts that nobody has
	pairs    *recent[*place]
	places   *recent[*place]
}

// OpenThrottle reads the counts of DIR/attempts.log, which it makes where there is none.
func OpenThrottle(dir string, config func() LockConfig, now func() time.Time) (*Throttle, error) {
	if now == nil {
		now = time.Now
	}
	file, marks, err := openAttempts(dir)
	if err != nil {
		return nil, err
	}
	t := &Throttle{
		config: config, now: now, file: file, accounts: map[digest]*account{},
		names: newRecent[*account](mostNames), pairs: newRecent[*place](mostPlaces), places: newRecent[*place](mostPlaces),
	}
	for key, m := range marks {
		t.keep(key, &account{known: m.known, failed: m.charge, until: m.until, wrote: m})
	}
	return t, t.file.rewrite(t.marks(false))
}

// Begin says with a *Blocked why an attempt is not to be looked at, and counts it as failed from then on: a kill in the middle
// changes nothing about that. Exactly one of the Try's methods must follow. Another error: the count cannot be kept, and the
// attempt must not be looked at.
func (t *Throttle) Begin(a Attempt) (*Try, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := t.now()
	key := digestOf(string(a.Way), a.Account)
	y := &Try{t: t, way: a.Way, key: key, account: t.account(key, a.Known)}
	y.place = t.places.get(digestOf(string(a.Way), network(a.Address)), func() *place { return &place{free: 10, longest: time.Minute, forgets: time.Minute} })
	y.pair = t.pairs.get(digestOf(string(a.Way), a.Account, network(a.Address)), func() *place { return &place{free: 2, longest: 5 * time.Minute, forgets: time.Hour} })
	rule := t.config().rule(a.Way)
	if b := y.account.blocked(rule, now); b != nil {
		return nil, b
	}
	if wait := max(y.place.wait(now), y.pair.wait(now)); wait > 0 {
		return nil, &Blocked{After: wait}
	}
	if err := t.charge(y, rule, now); err != nil {
		return nil, err
	}
	y.place.fail(now)
	y.pair.fail(now)
	return y, nil
}

// Try is an attempt that is being looked at.
type Try struct {
	t       *Throttle
	way     Way
	key     digest
	account *account
	pair    *place
	place   *place
	over    bool
}

// end runs f once, under the lock.
func (y *Try) end(f func()) {
	y.t.mu.Lock()
	defer y.t.mu.Unlock()
	if !y.over {
		y.over = true
		y.account.pending--
		f()
	}
}

// Wrong says that it failed. Locked: this one locked the account. Failures: how many in a row, from everywhere.
func (y *Try) Wrong() (locked bool, failures int) {
	y.end(func() {
		y.account.failed = min(y.account.failed+1, mostFailures)
		rule := y.t.config().rule(y.way)
		// Where this is the last one that was allowed, the lock is in the file since Begin.
		locked, failures = rule.locks(y.account.failed), y.account.failed
		if locked {
			y.account.until = rule.until(y.account.failed, y.t.now())
		}
	})
	return locked, failures
}

// Right says that it succeeded: the account's failures are forgotten, and this pair of account and address need not wait.
func (y *Try) Right() {
	y.end(func() {
		y.account.failed, y.account.until = 0, 0
		*y.pair = place{free: y.pair.free, longest: y.pair.longest, forgets: y.pair.forgets}
		y.place.forgive()
		rule := y.t.config().rule(y.way)
		if to := max(rule.ahead(), y.account.pending); y.account.wrote.charge > to || y.account.wrote.until != 0 {
			y.t.lessen(y.key, y.account, to)
		}
	})
}

// Void says that nothing was compared (ErrBusy, a directory that does not answer, a context that ended): it does not count.
func (y *Try) Void() {
	y.end(func() {
		y.pair.forgive()
		y.place.forgive()
		if y.account.wrote.until != 0 { // it was the last one that was allowed: the lock is in the file
			y.t.lessen(y.key, y.account, y.account.failed+y.account.pending)
		}
	})
}

// Locked says whether an account is locked, and until when; the zero time: until somebody unlocks it.
func (t *Throttle) Locked(way Way, account string) (locked bool, until time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	a := t.find(digestOf(string(way), account))
	if a == nil {
		return false, time.Time{}
	}
	b := a.blocked(rule{}, t.now())
	if b == nil || !b.Locked {
		return false, time.Time{}
	}
	if b.After == 0 {
		return true, time.Time{}
	}
	return true, time.Unix(a.until, 0).UTC()
}

// Unlock forgets the failures of an account. It is durable when it returns; an error leaves it locked.
func (t *Throttle) Unlock(way Way, account string) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	key := digestOf(string(way), account)
	a := t.find(key)
	if a == nil {
		return nil
	}
	m := mark{key: key, known: a.known, charge: a.pending}
	if err := t.write(m, true); err != nil {
		return err
	}
	a.failed, a.until, a.wrote = 0, 0, m
	return nil
}

// Close writes the counts as they are, without what was written ahead.
func (t *Throttle) Close() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	err := t.file.rewrite(t.marks(true))
	if e := t.file.close(); err == nil {
		err = e
	}
	return err
}
