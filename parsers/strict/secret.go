package strict

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
)

// Secret says where a password, a token or a key is kept: file:/path or env:NAME. The secret itself never stands in a
// configuration, and a Secret never holds it.
type Secret struct{ ref string }

const (
	secretAllowed = "file:/absolute/path or env:NAME"
	maxSecret     = 64 << 10 // bytes
)

var envName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

// errSecretForm does not repeat what was written: it may be the secret itself.
var errSecretForm = errors.New("a secret is not written into the file: say where it is kept")

// SecretFrom makes a Secret from its reference, as it is written in a file.
func SecretFrom(ref string) (Secret, error) {
	var s Secret
	err := s.UnmarshalText([]byte(ref))
	return s, err
}

// UnmarshalText reads file:/path or env:NAME.
func (s *Secret) UnmarshalText(b []byte) error {
	text := string(b)
	if path, ok := strings.CutPrefix(text, "file:"); ok {
		if !filepath.IsAbs(path) {
			return errors.New("the path after file: is not absolute; the daemon does not run in this folder")
		}
		s.ref = text
		return nil
	}
	if name, ok := strings.CutPrefix(text, "env:"); ok && envName.MatchString(name) {
		s.ref = text
		return nil
	}
	return errSecretForm
}

// MarshalText writes the reference, never the secret.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.ref), nil }

// String tells where the secret is kept, never the secret.
func (s Secret) String() string {
	if s.ref == "" {
		return "no secret"
	}
	return "the secret in " + s.ref
}

// IsZero says that no secret is configured.
func (s Secret) IsZero() bool { return s.ref == "" }

// Resolve reads the secret. One line end after it is dropped. A file that is missing, empty or longer than 64 KiB, and a
// variable that is not set or empty, are errors that name the place and not the content.
func (s Secret) Resolve() ([]byte, error) {
	if path, ok := strings.CutPrefix(s.ref, "file:"); ok {
		return readSecret(path)
	}
	name, ok := strings.CutPrefix(s.ref, "env:")
	if !ok {
		return nil, errors.New("no secret is configured")
	}
	v := os.Getenv(name)
	if v == "" {
		return nil, fmt.Errorf("the environment variable %s, which should hold a secret, is not set", name)
	}
	return []byte(v), nil
}

func readSecret(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("a secret cannot be read: %w", err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxSecret+1))
	if err != nil {
		return nil, fmt.Errorf("a secret cannot be read: %w", err)
	}
	if len(b) > maxSecret {
		return nil, fmt.Errorf("the file %s, which should hold a secret, is longer than 64 KiB", path)
	}
	b = bytes.TrimSuffix(bytes.TrimSuffix(b, []byte("\n")), []byte("\r"))
	if len(b) == 0 {
		return nil, fmt.Errorf("the file %s, which should hold a secret, is empty", path)
	}
	return b, nil
}
