package secret

import (
	"fmt"
	"time"
)

// MostFormer is how many former passwords of a person are kept at most.
const MostFormer = 24

// Kept is what the vault keeps of a person. The zero Kept is somebody without any secret.
type Kept struct {
	Hash   string    `json:"hash,omitempty"`   // PHC string of the password; "" where there is none
	Former []string  `json:"former,omitempty"` // PHC strings of the passwords before it, newest first, MostFormer at most
	Set    time.Time `json:"set,omitzero"`     // when the password was set
	Reset  bool      `json:"reset,omitempty"`  // it was set by somebody else, and can only be used to choose another
	PIN    string    `json:"pin,omitempty"`    // PHC string of the PIN
	PINSet time.Time `json:"pin_set,omitzero"`
	PINLen int       `json:"pin_len,omitempty"` // digits of the PIN: whether it may sign depends on it
}

// Vault is the file DIR/secrets.json. Every change is durable when it returns; one that fails changes nothing.
type Vault struct{}

// OpenVault reads the file. Where there is none it is made with the first change, and Fresh says so: whoever knows that there
// were accounts with secrets must then say that nobody can sign in, and why. A file that others may read, or that is damaged
// or cut, is refused with a sentence: it is never taken as empty.
func OpenVault(dir string) (*Vault, error) { return nil, fmt.Errorf("not built yet") }

// Fresh says whether there is no file yet.
func (v *Vault) Fresh() bool { return true }

// Path is where the file is.
func (v *Vault) Path() string { return "" }

// Person gives what is kept of a person.
func (v *Vault) Person(id string) (Kept, bool) { return Kept{}, false }

// Change changes what is kept of a person, by a function on a copy. Its error, or one of writing, leaves everything as it was.
// Who is left with the zero Kept is dropped.
func (v *Vault) Change(id string, change func(*Kept) error) error { return fmt.Errorf("not built yet") }

// Key gives the hash of a program's key, "" where there is none.
func (v *Vault) Key(id string) string { return "" }

// SetKey keeps the hash of a program's key; "" drops it.
func (v *Vault) SetKey(id, hash string) error { return fmt.Errorf("not built yet") }

// MakeSetUp makes the one-time token of the first start, keeps its hash, and writes the token into DIR/set-up.token, which only
// its owner may read. One that was there before is no longer good.
func (v *Vault) MakeSetUp() (path string, err error) { return "", fmt.Errorf("not built yet") }

// SetUpDue says whether there is a set-up token that was not spent.
func (v *Vault) SetUpDue() bool { return false }

// IsSetUp says whether this is the token; it stays good.
func (v *Vault) IsSetUp(token string) bool { return false }

// SpendSetUp ends the token, durably, and removes its file.
func (v *Vault) SpendSetUp() error { return fmt.Errorf("not built yet") }
