package journal

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/proof"
)

// The files of the key. A new key waits as key.next until journal.db says that it is in force; then key.pub and key are
// replaced, key last, so that as long as key.next is there what is left can be done again.
const (
	nextKeyName = "key.next"
	nextPubName = "key.pub.next"
)

// signKey is a key that signs, with its public half.
type signKey struct {
	note.Signer
	secret string // PRIVATE+KEY+NAME+HASH+BASE64
	public string // NAME+HASH+BASE64
	key    note.Verifier
}

func (k signKey) id() string { return proof.KeyID(k.key) }

// newSignKey draws a key. Its name is the origin of the checkpoints that it signs.
func newSignKey(origin string) (signKey, error) {
	secret, _, err := note.GenerateKey(rand.Reader, origin)
	if err != nil {
		return signKey{}, err
	}
	return parseSignKey(secret)
}

// parseSignKey reads a secret key and works out its public half.
func parseSignKey(secret string) (k signKey, err error) {
	k.secret = strings.TrimSpace(secret)
	if k.Signer, err = note.NewSigner(k.secret); err != nil {
		return k, err
	}
	// PRIVATE+KEY+NAME+HASH+DATA, as NewSigner has found: data are the algorithm, 1 for Ed25519, and the seed.
	raw, err := base64.StdEncoding.DecodeString(strings.SplitN(k.secret, "+", 5)[4])
	if err != nil || len(raw) != 1+ed25519.SeedSize {
		return k, errors.New("it is no Ed25519 key")
	}
	public := ed25519.NewKeyFromSeed(raw[1:]).Public().(ed25519.PublicKey)
	if k.public, err = note.NewEd25519VerifierKey(k.Name(), public); err == nil {
		k.key, err = proof.ParseKey(k.public)
	}
	return k, err
}

// readKey reads the key that signs.
func readKey(d disk, dir string) (signKey, error) {
	text, err := d.ReadFile(in(dir, keyName))
	if errors.Is(err, fs.ErrNotExist) {
		return signKey{}, fmt.Errorf("the journal in %s has lost its key file %q, which signs its checkpoints. Nothing was changed. "+
			"Put the file back from a backup, or, where it is lost for good, have two people say so: "+replaceKeyCommand, dir, keyName)
	}
	if err != nil {
		return signKey{}, fmt.Errorf("the key of the journal in %s cannot be read: %w", dir, err)
	}
	k, err := parseSignKey(string(text))
	if err != nil {
		return signKey{}, fmt.Errorf("the file %q of the journal in %s holds no signing key (%w). Nothing was changed. Put the file "+
			"back from a backup, or, where it is lost for good, have two people say so: "+replaceKeyCommand, keyName, dir, err)
	}
	return k, nil
}

// stageKey puts a new key on the disk, where it waits until an entry says that it is in force.
func stageKey(d disk, dir string, k signKey) error {
	name := in(dir, nextKeyName)
	return errors.Join(d.RemoveAll(name), writeWhole(d, name, []byte(k.secret+"\n"), 0o600), d.SyncDir(dir))
}

// swapKey puts the staged key in the place of the one before.
func swapKey(d disk, dir, public string) error {
	pub := in(dir, nextPubName)
	if err := errors.Join(d.RemoveAll(pub), writeWhole(d, pub, []byte(public+"\n"), 0o644)); err != nil {
		return err
	}
	for _, move := range [][2]string{{nextPubName, pubName}, {nextKeyName, keyName}} {
		if err := d.Rename(in(dir, move[0]), in(dir, move[1])); err != nil {
			return err
		}
		if err := d.SyncDir(dir); err != nil {
			return err
		}
	}
	return nil
}

// findKey gives the key that signs from here on, and whether it still waits for its place. It writes nothing.
func findKey(d disk, dir string, s *state) (k signKey, waits bool, err error) {
	staged, err := d.ReadFile(in(dir, nextKeyName))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return k, false, fmt.Errorf("the key of the journal in %s cannot be read: %w", dir, err)
	}
	if err == nil && s.key != "" {
		if next, err := parseSignKey(string(staged)); err == nil && next.public == s.key {
			return next, true, nil
		}
	}
	k, err = readKey(d, dir)
	if err == nil {
		err = checkKey(d, dir, s, k)
	}
	return k, false, err
}

// settleKey gives the key that signs from here on. It ends a change of key that was cut short, takes away a key that never
// came into force, and refuses a key that is not the journal's.
func settleKey(d disk, dir string, s *state) (signKey, error) {
	k, waits, err := findKey(d, dir, s)
	switch {
	case err != nil:
		return k, err
	case waits:
		return k, swapKey(d, dir, k.public)
	}
	for _, name := range []string{nextKeyName, nextPubName} {
		there, err := d.Exists(in(dir, name))
		if err == nil && there {
			err = errors.Join(d.RemoveAll(in(dir, name)), d.SyncDir(dir))
		}
		if err != nil {
			return k, fmt.Errorf("the key files of the journal in %s cannot be put in order: %w", dir, err)
		}
	}
	return k, nil
}

// checkKey holds the key files against journal.db: which key is in force, and which signed the newest checkpoint.
func checkKey(d disk, dir string, s *state, k signKey) error {
	damaged := func(format string, args ...any) error {
		return &Damaged{dir, fmt.Sprintf(format, args...) + ". Put the key files back from a backup, or, where the key is lost for good, have two people say so: " +
			replaceKeyCommand}
	}
	if s.key != "" && k.public != s.key {
		return damaged("its file %q holds the key %s, and its checkpoints are signed by %s", keyName, k.id(), keyTextID(s.key))
	}
	if public, err := d.ReadFile(in(dir, pubName)); err == nil && strings.TrimSpace(string(public)) != k.public {
		return damaged("its file %q holds another key than %q, which is %s", pubName, keyName, k.id())
	}
	if s.note != nil && s.signed >= s.keyFrom {
		if _, err := proof.Open(s.note, k.key); err != nil {
			return damaged("its newest checkpoint, of %d entries, does not fit its key: %v", s.signed, err)
		}
	}
	return nil
}

// keyTextID is the id of a key of which only the text is at hand.
func keyTextID(text string) string {
	if key, err := proof.ParseKey(text); err == nil {
		return proof.KeyID(key)
	}
	return "a key that cannot be read"
}
