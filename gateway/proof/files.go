package proof

import (
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// filesContext opens the text by which a key stands for files, so that it is never taken for a checkpoint or for the word of a key for
// the next one.
const filesContext = "weighpost/files/1"

// mostFiles is how many files one note may name.
const mostFiles = 100

// SignedFile is one file that a key stands for: its name, without a folder, and the SHA-256 of its bytes.
type SignedFile struct {
	Name   string
	SHA256 [32]byte
}

// check refuses a name that could lead elsewhere, or stand for two lines.
func (f SignedFile) check() error {
	if f.Name == "" || len(f.Name) > 200 || strings.HasPrefix(f.Name, ".") || strings.Trim(f.Name, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.") != "" {
		return fmt.Errorf("%.80q is no name of a file that is signed: letters, digits and the signs - _ . and no folder", f.Name)
	}
	return nil
}

// SignFiles makes the signed note by which a key stands for files: the context, and a line for each file. OpenFiles is its inverse.
func SignFiles(signer note.Signer, files []SignedFile) ([]byte, error) {
	text := filesContext + "\n"
	for _, f := range files {
		if err := f.check(); err != nil {
			return nil, err
		}
		text += "sha256:" + hex.EncodeToString(f.SHA256[:]) + " " + f.Name + "\n"
	}
	if _, err := parseFiles(text); err != nil {
		return nil, err
	}
	return note.Sign(&note.Note{Text: text}, signer)
}

// OpenFiles reads which files a key stands for. The note must be signed by one of the keys.
func OpenFiles(signed []byte, keys ...note.Verifier) ([]SignedFile, error) {
	n, err := openNote(signed, keys...)
	if err != nil {
		return nil, err
	}
	return parseFiles(n.Text)
}

// parseFiles reads exactly what SignFiles writes.
func parseFiles(text string) (files []SignedFile, err error) {
	lines := strings.Split(text, "\n")
	if len(lines) < 3 || len(lines) > mostFiles+2 || lines[0] != filesContext || lines[len(lines)-1] != "" {
		return nil, errors.New("the signed note names no files: it is a note of another kind")
	}
	seen := map[string]bool{}
	for _, line := range lines[1 : len(lines)-1] {
		sum, name, _ := strings.Cut(strings.TrimPrefix(line, "sha256:"), " ")
		f := SignedFile{Name: name}
		raw, err := hex.DecodeString(sum)
		if err != nil || len(raw) != len(f.SHA256) || strings.ToLower(sum) != sum || !strings.HasPrefix(line, "sha256:") {
			return nil, fmt.Errorf("the line %.120q of the signed note names no file and its hash", line)
		}
		copy(f.SHA256[:], raw)
		if err := f.check(); err != nil {
			return nil, err
		}
		if seen[name] {
			return nil, fmt.Errorf("the signed note names the file %s twice", name)
		}
		seen[name] = true
		files = append(files, f)
	}
	return files, nil
}
