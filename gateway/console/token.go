package console

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"regexp"
	"runtime"
)

// Token is what a program shows to change something: a bearer token (RFC 6750). Only its hash is kept in memory.
type Token struct {
	hash [sha256.Size]byte
	set  bool
}

// tokenForm is RFC 6750's b64token of at least 128 bits, written six bits a character.
var tokenForm = regexp.MustCompile(`^[A-Za-z0-9._~+/-]{22,512}=*$`)

// NewToken makes a token of a text that is kept elsewhere.
func NewToken(text string) Token { return Token{hash: sha256.Sum256([]byte(text)), set: true} }

// Is compares in a time that does not depend on how much of the text is right. No token is every text.
func (t Token) Is(text string) bool {
	hash := sha256.Sum256([]byte(text))
	return subtle.ConstantTimeCompare(hash[:], t.hash[:]) == 1 && t.set
}

// OpenToken reads the token of a file, and makes the file with a random token of 256 bits where there is none. A file that
// others than its owner may read or write is refused: what is in it may be known, and is no secret any more.
func OpenToken(path string) (Token, error) {
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		if err := makeToken(path); err != nil {
			return Token{}, fmt.Errorf("the token file %s cannot be made: %w", path, err)
		}
	}
	f, err := os.Open(path)
	if err != nil {
		return Token{}, fmt.Errorf("the token file cannot be read: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return Token{}, fmt.Errorf("the token file cannot be read: %w", err)
	case !info.Mode().IsRegular():
		return Token{}, fmt.Errorf("the token file %s is no file", path)
	case runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0:
		return Token{}, fmt.Errorf("the token file %s may be read or changed by others (%s)", path, info.Mode().Perm())
	}
	b, err := io.ReadAll(io.LimitReader(f, 1024))
	if err != nil {
		return Token{}, fmt.Errorf("the token file cannot be read: %w", err)
	}
	b = bytes.TrimRight(b, "\r\n")
	if !tokenForm.Match(b) {
		return Token{}, fmt.Errorf("the token file %s holds no token: one line of at least 22 letters, digits and the signs . _ ~ + / -", path)
	}
	return NewToken(string(b)), nil
}

// makeToken writes a new token beside its place and moves it there, so that no half of one is ever found.
func makeToken(path string) error {
	secret := make([]byte, 32)
	if _, err := rand.Read(secret); err != nil {
		return err
	}
	beside := path + ".new"
	if err := os.Remove(beside); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := os.OpenFile(beside, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.WriteString(f, base64.RawURLEncoding.EncodeToString(secret)+"\n")
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(beside, path)
}
