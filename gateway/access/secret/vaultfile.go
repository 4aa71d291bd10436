package secret

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
)

// FileName is the vault's name in the journal's folder.
const FileName = "secrets.json"

const (
	vaultSchema = "weighpost.secrets/1"
	largest     = 64 << 20 // bytes of a vault: some 100,000 people
)

// content is what the vault keeps.
type content struct {
	People map[string]Kept   `json:"people"`
	Keys   map[string]string `json:"keys"`
	SetUp  string            `json:"set_up,omitempty"`
}

// envelope is the file: its sum is over the bytes of the content, so that one that is cut or changed by a bad disk is noticed.
type envelope struct {
	Schema  string          `json:"schema"`
	Sum     string          `json:"sum"`
	Content json.RawMessage `json:"content"`
}

var keyHash = regexp.MustCompile(`^sha256:[0-9a-f]{64}$`)

func encodeVault(c content) ([]byte, error) {
	body, err := json.Marshal(c)
	if err != nil {
		return nil, err
	}
	b, err := json.Marshal(envelope{Schema: vaultSchema, Sum: sumOf(body), Content: body})
	if err == nil && len(b)+1 > largest {
		err = errors.New("there are more secrets than one file may hold")
	}
	return append(b, '\n'), err
}

func sumOf(b []byte) string {
	sum := sha256.Sum256(b)
	return "sha256:" + hex.EncodeToString(sum[:])
}

// decodeVault is the inverse of encodeVault. Its errors are halves of sentences: what is wrong.
func decodeVault(b []byte) (content, error) {
	var e envelope
	if err := decodeWhole(b, &e); err != nil {
		return content{}, errors.New("it is damaged or cut off: it is not what was written")
	}
	if e.Schema != vaultSchema {
		return content{}, fmt.Errorf("its form is %q, and this version of the daemon knows %q", cut(e.Schema, 64), vaultSchema)
	}
	if sumOf(e.Content) != e.Sum {
		return content{}, errors.New("it is damaged, or was changed by hand: its checksum does not fit")
	}
	var c content
	if err := decodeWhole(e.Content, &c); err != nil {
		return content{}, errors.New("its content is not what this version of the daemon writes")
	}
	if err := c.validate(); err != nil {
		return content{}, err
	}
	if c.People == nil {
		c.People = map[string]Kept{}
	}
	if c.Keys == nil {
		c.Keys = map[string]string{}
	}
	return c, nil
}

// decodeWhole takes one value, and nothing after it and nothing that it does not know: what is not understood would be lost
// with the next change.
func decodeWhole(b []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("something follows")
	}
	return nil
}

func (c content) validate() error {
	for id, k := range c.People {
		hashes := append([]string{k.Hash, k.PIN}, k.Former...)
		for i, h := range hashes {
			if _, err := parsePHC(h); err != nil && (h != "" || i > 1) {
				return fmt.Errorf("a hash of %q is damaged", cut(id, 64))
			}
		}
		if len(k.Former) > MostFormer {
			return fmt.Errorf("%q has more former passwords than are kept", cut(id, 64))
		}
	}
	for id, h := range c.Keys {
		if !keyHash.MatchString(h) {
			return fmt.Errorf("the hash of the key %q is damaged", cut(id, 64))
		}
	}
	if c.SetUp != "" && !keyHash.MatchString(c.SetUp) {
		return errors.New("the hash of the set-up token is damaged")
	}
	return nil
}

func cut(s string, most int) string {
	if len(s) > most {
		return s[:most] + "…"
	}
	return s
}
