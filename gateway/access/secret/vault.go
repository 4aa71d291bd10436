package secret

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path/filepath"
	"reflect"
	"slices"
	"sync"
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

func (k Kept) clone() Kept {
	k.Former = slices.Clone(k.Former)
	return k
}

// Vault is the file DIR/secrets.json. Every change is durable when it returns; one that fails changes nothing. One process at a
// time: whoever opens it holds the journal's lock.
type Vault struct {
	path    string
	writing sync.Mutex   // one change after the other; taken before reading
	reading sync.RWMutex // guards what follows, and is never held over a write to disk
	now     content
	fresh   bool
}

// OpenVault reads the file. Where there is none it is made with the first change, and Fresh says so: whoever knows that there
// were accounts with secrets must then say that nobody can sign in, and why. A file that others may read, or that is damaged
// or cut, is refused with a sentence: it is never taken as empty.
func OpenVault(dir string) (*Vault, error) {
	v := &Vault{path: filepath.Join(dir, FileName), now: content{People: map[string]Kept{}, Keys: map[string]string{}}}
	b, err := readOwn(v.path, largest)
	if errors.Is(err, fs.ErrNotExist) {
		v.fresh = true
		return v, nil
	}
	if err != nil {
		return nil, fmt.Errorf("the file with everybody's secrets: %w", err)
	}
	if v.now, err = decodeVault(b); err != nil {
		return nil, fmt.Errorf("the file with everybody's secrets, %s: %w: nobody can sign in until it is put back from a backup of the keys, or is moved away and every secret is set anew from this computer", v.path, err)
	}
	return v, nil
}

// Fresh says whether there is no file yet.
func (v *Vault) Fresh() bool {
	v.reading.RLock()
	defer v.reading.RUnlock()
	return v.fresh
}

// Path is where the file is.
func (v *Vault) Path() string { return v.path }

// Person gives what is kept of a person.
func (v *Vault) Person(id string) (Kept, bool) {
	v.reading.RLock()
	defer v.reading.RUnlock()
	k, ok := v.now.People[id]
	return k.clone(), ok
}

// Change changes what is kept of a person, by a function on a copy. Its error, or one of writing, leaves everything as it was.
// Who is left with the zero Kept is dropped.
func (v *Vault) Change(id string, change func(*Kept) error) error {
	return v.change(func(c *content) error {
		k := c.People[id].clone()
		if err := change(&k); err != nil {
			return err
		}
		c.People = maps.Clone(c.People)
		c.People[id] = k
		if reflect.ValueOf(k).IsZero() || reflect.DeepEqual(k, Kept{Former: []string{}}) {
			delete(c.People, id)
		}
		return nil
	})
}

// Key gives the hash of a program's key, "" where there is none.
func (v *Vault) Key(id string) string {
	v.reading.RLock()
	defer v.reading.RUnlock()
	return v.now.Keys[id]
}

// SetKey keeps the hash of a program's key; "" drops it.
func (v *Vault) SetKey(id, hash string) error {
	return v.change(func(c *content) error {
		c.Keys = maps.Clone(c.Keys)
		c.Keys[id] = hash
		if hash == "" {
			delete(c.Keys, id)
		}
		return nil
	})
}

// change writes what a function makes of the content, whose maps it must copy before it changes them.
func (v *Vault) change(f func(*content) error) error {
	v.writing.Lock()
	defer v.writing.Unlock()
	next := v.now // only a writer changes it, and this is the only one
	if err := f(&next); err != nil {
		return err
	}
	if err := next.validate(); err != nil {
		return fmt.Errorf("nothing was changed, because what was to be kept is wrong: %w", err)
	}
	b, err := encodeVault(next)
	if err != nil {
		return fmt.Errorf("nothing was changed: %w", err)
	}
	placed, err := replaceFile(v.path, b)
	if placed {
		v.reading.Lock()
		v.now, v.fresh = next, false
		v.reading.Unlock()
	}
	switch {
	case err != nil && placed:
		return fmt.Errorf("the change is in %s, but it is not known whether it outlasts a power cut: %w", v.path, err)
	case err != nil:
		return fmt.Errorf("nothing was changed, because %s cannot be written (is the disk full?): %w", v.path, err)
	}
	return nil
}
