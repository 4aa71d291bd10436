package secret

import (
	"fmt"
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
	After    int             `yaml:"after" desc:"So many wrong passwords in a row lock an account: 3 to 100." default:"20"`
	For      strict.Duration `yaml:"for" desc:"How long it is then locked; 0s: until somebody with the right people unlocks it. After 100 wrong ones in a row that is needed in any case (NIST SP 800-63B-4, 3.2.2)." default:"15m"`
	PINAfter int             `yaml:"pin_after" desc:"So many wrong PINs in a row lock the PIN, and not the password, until somebody with the right people unlocks it: 3 to 100." default:"10"`
}

// Check adds every fault that it sees to r.
func (c *LockConfig) Check(r *strict.Report) {
	for key, n := range map[string]int{"after": c.After, "pin_after": c.PINAfter} {
		if n != 0 && (n < 3 || n > mostFailures) {
			r.At(key).Fault(fmt.Sprintf("%d attempts", n), "3 to 100")
		}
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
		return fmt.Sprintf("this account is locked after too many attempts that failed: try again in %s", b.After.Round(time.Second))
	}
	return fmt.Sprintf("too many attempts from here failed: try again in %s", b.After.Round(time.Second))
}

// mostFailures is how many attempts may fail in a row before somebody else has to unlock the account (NIST 3.2.2).
const mostFailures = 100

// Attempt is what somebody tries.
type Attempt struct {
	Way     Way
	Account string // id of the account; where there is none, the name that was given, in one normal form
	Known   bool   // there is such an account: its count is never forgotten
	Address string // network address without the port; "" for this computer's own programs and scanners
}

// Throttle counts attempts that failed, by account and by address, and keeps the counts over a restart in a file of its own.
type Throttle struct{}

// OpenThrottle reads the counts of DIR/attempts.log, which it makes where there is none.
func OpenThrottle(dir string, config func() LockConfig, now func() time.Time) (*Throttle, error) {
	return nil, fmt.Errorf("not built yet")
}

// Begin says with a *Blocked why an attempt is not to be looked at, and counts it as failed from then on: a kill in the middle
// changes nothing about that. Exactly one of the Try's methods must follow. Another error: the count cannot be kept; nobody
// can sign in until it can.
func (t *Throttle) Begin(a Attempt) (*Try, error) { return nil, fmt.Errorf("not built yet") }

// Try is an attempt that is being looked at.
type Try struct{}

// Wrong says that it failed. Locked: this one locked the account. Failures: how many in a row, from everywhere.
func (y *Try) Wrong() (locked bool, failures int) { return false, 0 }

// Right says that it succeeded: the account's failures are forgotten, and this address need not wait for it.
func (y *Try) Right() {}

// Void says that nothing was compared (ErrBusy, a directory that does not answer, a context that ended): it does not count.
func (y *Try) Void() {}

// Locked says whether an account is locked, and until when; the zero time: until somebody unlocks it.
func (t *Throttle) Locked(way Way, account string) (locked bool, until time.Time) {
	return false, time.Time{}
}

// Unlock forgets the failures of an account. It is durable when it returns.
func (t *Throttle) Unlock(way Way, account string) error { return fmt.Errorf("not built yet") }

// Close writes what is counted.
func (t *Throttle) Close() error { return nil }
