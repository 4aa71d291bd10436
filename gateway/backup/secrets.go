package backup

import (
	"archive/tar"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"filippo.io/age"
)

// Secret is a file that only whoever has an identity can have out of a backup.
type Secret struct {
	// Name is its name within secrets.age: journal/key for the key that signs, and others below page/, access/ and file/.
	Name string
	What string // in words, for people: "the signing key of the journal"
	From string // the path that it was at: where it belongs again
	Text []byte
}

// SigningKey is the Name of the secret that signs checkpoints.
const SigningKey = "journal/key"

const maxSecretFiles = 256

// ParseRecipients reads age's X25519 public keys, "age1…".
func ParseRecipients(keys []string) ([]age.Recipient, error) {
	var all []age.Recipient
	for _, k := range keys {
		if strings.HasPrefix(strings.ToUpper(strings.TrimSpace(k)), "AGE-SECRET-KEY-") {
			return nil, errors.New("this is the secret half of a key of age, which stays with whoever is to read the secrets: give the public one, age1…")
		}
		r, err := age.ParseX25519Recipient(strings.TrimSpace(k))
		if err != nil {
			return nil, fmt.Errorf("%.80q is no recipient of age: it begins with age1 and is what age-keygen prints as the public key", k)
		}
		all = append(all, r)
	}
	return all, nil
}

// ParseIdentities reads the file that age-keygen made: the secret half, with which the secrets can be read.
func ParseIdentities(r io.Reader) ([]age.Identity, error) {
	all, err := age.ParseIdentities(io.LimitReader(r, maxText))
	if err != nil {
		return nil, fmt.Errorf("this is no identity of age, as age-keygen writes it into a file: %w", err)
	}
	return all, nil
}

// Secrets gives the secrets of a backup that has some. None and no error: it has none.
func (b *File) Secrets(identities ...age.Identity) ([]Secret, error) {
	if !b.HasSecrets() {
		return nil, nil
	}
	text, err := b.read(secretsName, maxSecrets)
	if err != nil {
		return nil, err
	}
	plain, err := age.Decrypt(bytes.NewReader(text), identities...)
	var other *age.NoIdentityMatchError
	if errors.As(err, &other) {
		return nil, fmt.Errorf("the secrets in %s are for other keys than this identity: they can be read by %s", b.name,
			strings.Join(b.manifest.Recipients, ", "))
	}
	if err != nil {
		return nil, b.fault(Damaged, "its part %s cannot be decrypted: %v", secretsName, err)
	}
	secrets, err := readSecrets(plain)
	if err != nil {
		return nil, b.fault(Damaged, "its part %s holds what does not belong there: %v", secretsName, err)
	}
	return secrets, nil
}

// secretList is the first file in the tar within secrets.age: what each of the others is and where it was, in JSON.
const secretList = "secrets.json"

type listed struct {
	Name string `json:"name"`
	What string `json:"what"`
	From string `json:"from"`
}

// writeSecrets encrypts secrets: a tar within, so that age and tar are all that it takes to read them.
func writeSecrets(to io.Writer, secrets []Secret, at time.Time, recipients []age.Recipient) error {
	sealed, err := age.Encrypt(to, recipients...)
	if err != nil {
		return err
	}
	w := tar.NewWriter(sealed)
	add := func(name string, text []byte) error {
		h := &tar.Header{Typeflag: tar.TypeReg, Name: name, Size: int64(len(text)), Mode: 0o600, ModTime: at.UTC().Truncate(time.Second),
			Format: tar.FormatUSTAR}
		if err := w.WriteHeader(h); err != nil {
			return err
		}
		_, err := w.Write(text)
		return err
	}
	list := []listed{}
	for _, s := range secrets {
		list = append(list, listed{s.Name, s.What, s.From})
	}
	text, err := encode(list)
	if err == nil {
		err = add(secretList, text)
	}
	for _, s := range secrets {
		if err == nil {
			err = add(s.Name, s.Text)
		}
	}
	if err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return err
	}
	return sealed.Close()
}

// readSecrets is the inverse of writeSecrets. age has shown that the bytes are whole, and not who wrote them: anybody can
// encrypt for a public key.
func readSecrets(plain io.Reader) ([]Secret, error) {
	r := tar.NewReader(io.LimitReader(plain, maxSecrets))
	var list []listed
	secrets := []Secret{}
	for {
		h, err := r.Next()
		if err == io.EOF {
			if len(secrets) != len(list) {
				return nil, fmt.Errorf("%d files, and a list of %d", len(secrets), len(list))
			}
			return secrets, nil
		}
		if err != nil {
			return nil, err
		}
		if h.Typeflag != tar.TypeReg || h.Size > maxText || !configName.MatchString(configFolder+h.Name) || strings.Contains(h.Name, "..") {
			return nil, fmt.Errorf("%.60q", h.Name)
		}
		text, err := io.ReadAll(r)
		switch n := len(secrets); {
		case err != nil:
			return nil, err
		case list == nil && h.Name == secretList:
			list = []listed{}
			if err := unmarshal(text, &list); err != nil || len(list) > maxSecretFiles {
				return nil, fmt.Errorf("its list cannot be read, or is longer than %d", maxSecretFiles)
			}
		case n >= len(list) || list[n].Name != h.Name:
			return nil, fmt.Errorf("%.60q, which is not in its place in the list", h.Name)
		default:
			secrets = append(secrets, Secret{h.Name, list[n].What, list[n].From, text})
		}
	}
}
