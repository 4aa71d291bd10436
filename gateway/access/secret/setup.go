package secret

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

const (
	setUpName   = "set-up.token"
	setUpPrefix = "wpsetup_"
)

// MakeSetUp makes the one-time token of the first start, keeps its hash, and writes the token into DIR/set-up.token, which only
// its owner may read. The one that is there goes on being good; one whose file is gone or damaged does not.
func (v *Vault) MakeSetUp() (path string, err error) {
	path = filepath.Join(filepath.Dir(v.path), setUpName)
	if b, err := readOwn(path, 1<<10); err == nil && v.IsSetUp(strings.TrimSpace(string(b))) {
		return path, nil
	}
	random := make([]byte, keyBytes)
	if _, err := rand.Read(random); err != nil {
		return "", fmt.Errorf("this computer gives no random numbers, and without them no token can be made: %w", err)
	}
	body := setUpPrefix + base.EncodeToString(random)
	token := body + checksum(body)
	if err := v.setSetUp(hashKey(token)); err != nil {
		return "", err
	}
	if _, err := replaceFile(path, []byte(token+"\n")); err != nil {
		return "", fmt.Errorf("the set-up token cannot be written to %s: %w", path, err)
	}
	return path, nil
}

func (v *Vault) setSetUp(hash string) error {
	return v.change(func(c *content) error { c.SetUp = hash; return nil })
}

// SetUpDue says whether there is a set-up token that was not spent.
func (v *Vault) SetUpDue() bool {
	v.reading.RLock()
	defer v.reading.RUnlock()
	return v.now.SetUp != ""
}

// IsSetUp says whether this is the token; it stays good.
func (v *Vault) IsSetUp(token string) bool {
	v.reading.RLock()
	kept := v.now.SetUp
	v.reading.RUnlock()
	return len(token) <= longestKey && SameHash(kept, hashKey(token))
}

// SpendSetUp ends the token, durably, and removes its file.
func (v *Vault) SpendSetUp() error {
	if err := v.setSetUp(""); err != nil {
		return err
	}
	path := filepath.Join(filepath.Dir(v.path), setUpName)
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("the set-up token is spent, but its file %s cannot be removed: remove it by hand (%w)", path, err)
	}
	return nil
}
