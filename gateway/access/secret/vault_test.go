package secret

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
)

func openVault(t *testing.T, dir string) *Vault {
	t.Helper()
	v, err := OpenVault(dir)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func set(hash string) func(*Kept) error {
	return func(k *Kept) error { k.SetPassword(hash, at(0), false); return nil }
}

func TestVaultKeeps(t *testing.T) {
	dir := t.TempDir()
	v := openVault(t, dir)
	if !v.Fresh() {
		t.Error("a vault without a file is not fresh")
	}
	h := NewHasher(cheap, 1, 1)
	one, two, pin := mustHash(t, h, "one"), mustHash(t, h, "two"), mustHash(t, h, "805317")
	_, key, _ := NewKey("lims-1")
	for _, err := range []error{
		v.Change("p-1", set(one)), v.Change("p-1", set(two)), v.Change("p-2", set(one)), v.SetKey("lims-1", key), v.SetKey("gone", key),
		v.Change("p-1", func(k *Kept) error { k.SetPIN(pin, 6, at(1)); return nil }), v.SetKey("gone", ""),
		v.Change("p-2", func(k *Kept) error { *k = Kept{}; return nil }),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Change("p-1", func(k *Kept) error { k.Hash = ""; k.Former[0] = ""; return errors.New("no") }); err == nil || err.Error() != "no" {
		t.Errorf("%v", err)
	}
	for _, v := range []*Vault{v, openVault(t, dir)} {
		k, ok := v.Person("p-1")
		if !ok || k.Hash != two || len(k.Former) != 1 || k.Former[0] != one || k.PIN != pin || k.PINLen != 6 || !k.Set.Equal(at(0)) {
			t.Errorf("%+v, %t", k, ok)
		}
		if _, ok := v.Person("p-2"); ok || v.Key("lims-1") != key || v.Key("gone") != "" || v.Fresh() {
			t.Error("what was dropped is there, or what was kept is not")
		}
	}
	if info, err := os.Stat(v.Path()); err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
}

// TestAVaultThatOthersMayReadIsRefused, and so is one that is no ordinary file.
func TestAVaultThatOthersMayReadIsRefused(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("a file has no such rights on Windows")
	}
	for _, mode := range []os.FileMode{0o640, 0o604, 0o620, 0o666} {
		dir := t.TempDir()
		if err := openVault(t, dir).Change("p-1", set(mustHash(t, NewHasher(cheap, 1, 1), "x"))); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, FileName)
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		if _, err := OpenVault(dir); err == nil || !strings.Contains(err.Error(), "chmod 600 "+path) {
			t.Errorf("%o: %v", mode, err)
		}
	}
	dir := t.TempDir()
	if err := os.Symlink("/dev/zero", filepath.Join(dir, FileName)); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenVault(dir); err == nil || !strings.Contains(err.Error(), "no ordinary file") {
		t.Errorf("%v", err)
	}
}

// TestADamagedVaultIsNeverTakenAsEmpty: every cut, and every bit of it turned over once.
func TestADamagedVaultIsNeverTakenAsEmpty(t *testing.T) {
	dir := t.TempDir()
	v := openVault(t, dir)
	_, key, _ := NewKey("lims-1")
	if err := errors.Join(v.Change("p-1", set(mustHash(t, NewHasher(cheap, 1, 1), "x"))), v.SetKey("lims-1", key)); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(v.Path())
	if err != nil {
		t.Fatal(err)
	}
	try := func(what string, b []byte) {
		if err := os.WriteFile(v.Path(), b, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := OpenVault(dir); err == nil {
			t.Errorf("%s: taken", what)
		} else if !strings.Contains(err.Error(), v.Path()) || !strings.Contains(err.Error(), "nobody can sign in until") {
			t.Errorf("%s: %v", what, err)
		}
	}
	for n := range len(whole) - 1 { // without its last line end it is whole
		try(fmt.Sprintf("cut to %d bytes", n), whole[:n])
	}
	for i := range len(whole) - 1 {
		b := bytes.Clone(whole)
		b[i] ^= 1 << (i % 8)
		if c, err := decodeVault(b); err == nil && !bytes.EqualFold(b, whole) { // the names of keys are read in any case
			t.Errorf("a bit of byte %d turned over: taken as %+v", i, c)
		}
	}
	try("doubled", append(bytes.Clone(whole), whole...))
	try("of a later version", bytes.Replace(whole, []byte(vaultSchema), []byte("weighpost.secrets/2"), 1))
}

func TestVaultFromManyAtOnce(t *testing.T) {
	dir := t.TempDir()
	v := openVault(t, dir)
	hash := mustHash(t, NewHasher(cheap, 1, 1), "x")
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			for j := range 5 {
				id := fmt.Sprintf("p-%d-%d", i, j)
				if err := errors.Join(v.Change(id, set(hash)), v.Change("all", set(hash))); err != nil {
					t.Error(err)
				}
				if k, ok := v.Person(id); !ok || k.Hash != hash {
					t.Errorf("%s is not kept", id)
				}
			}
		})
	}
	all.Wait()
	again := openVault(t, dir)
	if len(again.now.People) != 41 {
		t.Errorf("%d of 41 are kept", len(again.now.People))
	}
	if k, _ := again.Person("all"); len(k.Former) != MostFormer {
		t.Errorf("%d former ones", len(k.Former))
	}
}

func TestSetUpToken(t *testing.T) {
	dir := t.TempDir()
	v := openVault(t, dir)
	if v.SetUpDue() || v.IsSetUp("") {
		t.Error("there is a token before one was made")
	}
	path, err := v.MakeSetUp()
	if err != nil {
		t.Fatal(err)
	}
	info, _ := os.Stat(path)
	b, _ := os.ReadFile(path)
	token := strings.TrimSpace(string(b))
	if runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 || !v.IsSetUp(token) || v.IsSetUp(token+"x") || v.IsSetUp("") || !v.SetUpDue() {
		t.Errorf("%v, %q", info.Mode(), token)
	}
	if kept, _ := os.ReadFile(v.Path()); bytes.Contains(kept, []byte(token[len(setUpPrefix):])) {
		t.Error("the token itself is in the vault")
	}
	v = openVault(t, dir)
	if _, err := v.MakeSetUp(); err != nil || !v.IsSetUp(token) {
		t.Errorf("another start made the token worthless (%v)", err)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if _, err := v.MakeSetUp(); err != nil || v.IsSetUp(token) {
		t.Errorf("a token whose file is gone is good (%v)", err)
	}
	b, _ = os.ReadFile(path)
	token = strings.TrimSpace(string(b))
	if err := v.SpendSetUp(); err != nil || v.IsSetUp(token) || v.SetUpDue() || openVault(t, dir).IsSetUp(token) {
		t.Errorf("it is good twice (%v)", err)
	}
	if _, err := os.Stat(path); err == nil {
		t.Error("its file is still there")
	}
	if _, _, err := ParseKey(token); !errors.Is(err, ErrNotAKey) {
		t.Errorf("a set-up token is taken as a key: %v", err)
	}
}

func FuzzVault(f *testing.F) {
	good, _ := encodeVault(content{People: map[string]Kept{"p-1": {Reset: true}}, Keys: map[string]string{}})
	f.Add(good)
	f.Add([]byte(`{"schema":"weighpost.secrets/1","sum":"","content":null}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := decodeVault(b)
		if err != nil {
			return
		}
		again, err := encodeVault(c)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := decodeVault(again); err != nil {
			t.Errorf("what was read cannot be written and read again: %v", err)
		}
	})
}
