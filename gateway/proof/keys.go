package proof

import (
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// KeyID names a key as signed-note has it: its name, which is the origin of the journal, and the first four bytes of
// SHA-256 over name and public key, in hexadecimal.
func KeyID(key note.Verifier) string { return fmt.Sprintf("%s+%08x", key.Name(), key.KeyHash()) }

func ids(keys []note.Verifier) []string {
	list := make([]string, len(keys))
	for i, k := range keys {
		list[i] = KeyID(k)
	}
	return list
}

// ParseKey reads the text of a public key: NAME+HASH+BASE64, the form of a signed-note verifier key, with white space around
// it. A secret key is refused with a sentence that says so.
func ParseKey(text string) (note.Verifier, error) {
	text = strings.TrimSpace(text)
	if strings.HasPrefix(text, "PRIVATE+") {
		return nil, errors.New("this is the secret key, which signs; give the public one (key.pub), and show this one to nobody")
	}
	key, err := note.NewVerifier(text)
	if err != nil {
		return nil, fmt.Errorf("this is no public key of a journal (NAME+HASH+BASE64): %w", err)
	}
	return key, nil
}

// vouchContext opens the text by which a key vouches for the next one, so that it is never taken for a checkpoint.
const vouchContext = "weighpost/key-rotated/1"

// Vouch lets a key say which key comes after it: a signed note of two lines, the context and the text of the next public
// key. The name of the next key is the origin of the checkpoints that it signs.
func Vouch(old note.Signer, next string) ([]byte, error) {
	if _, err := ParseKey(next); err != nil {
		return nil, err
	}
	return note.Sign(&note.Note{Text: vouchContext + "\n" + strings.TrimSpace(next) + "\n"}, old)
}

// OpenVouch reads which key comes next, in a note signed by old, and gives the text of that key.
func OpenVouch(signed []byte, old note.Verifier) (next string, err error) {
	n, err := openNote(signed, old)
	if err != nil {
		return "", err
	}
	line := strings.Split(n.Text, "\n")
	if len(line) != 3 || line[0] != vouchContext || line[2] != "" {
		return "", fmt.Errorf("what %s signed there names no next key", KeyID(old))
	}
	if _, err := ParseKey(line[1]); err != nil || line[1] != strings.TrimSpace(line[1]) {
		return "", fmt.Errorf("what %s signed there names no next key: %q", KeyID(old), line[1])
	}
	return line[1], nil
}
