package qualification

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/proof"
)

// Files are the three files of a report: the data, the paper, and the signed note that names both with their hashes.
type Files struct {
	Name              string // of each, without its ending
	JSON, PDF, Signed []byte
}

// Endings of the files.
const (
	EndJSON, EndPDF, EndNote = ".json", ".pdf", ".note"
)

// Make writes the data and the paper of a report. sign has the journal's key stand for both.
func (r *Report) Make(sign func([]proof.SignedFile) ([]byte, error)) (f Files, err error) {
	f.Name = r.ID
	if f.JSON, err = json.MarshalIndent(r, "", "  "); err != nil {
		return f, err
	}
	f.JSON = append(f.JSON, '\n')
	sum := sha256.Sum256(f.JSON)
	var paper bytes.Buffer
	if err := r.Write(&paper, f.Name+EndJSON, hex.EncodeToString(sum[:])); err != nil {
		return f, fmt.Errorf("the report cannot be put on paper: %w", err)
	}
	f.PDF = paper.Bytes()
	f.Signed, err = sign([]proof.SignedFile{{Name: f.Name + EndJSON, SHA256: sum}, {Name: f.Name + EndPDF, SHA256: sha256.Sum256(f.PDF)}})
	return f, err
}

// longest is how long a report's file may be that is read, in bytes.
const longest = 32 << 20

// Found is what holding a report against its signature found.
type Found struct {
	Valid  bool     `json:"valid"`
	Report *Report  `json:"report"` // nil where its data cannot be relied on
	Key    string   `json:"key"`    // that signed, NAME+HASH
	Files  []string `json:"files"`  // that were held against the note
	Faults []string `json:"faults"`
}

// Verify holds a report against its note and the journal's public key. open opens a file beside the note, by its name. It needs no
// journal.
func Verify(signed []byte, key note.Verifier, open func(name string) (io.ReadCloser, error)) Found {
	f := Found{Key: proof.KeyID(key), Files: []string{}, Faults: []string{}}
	files, err := proof.OpenFiles(signed, key)
	if err != nil {
		f.Faults = append(f.Faults, "the note: "+err.Error())
		return f
	}
	for _, one := range files {
		text, err := readAll(open, one.Name)
		switch {
		case err != nil:
			f.Faults = append(f.Faults, fmt.Sprintf("the file %s, which the note names, cannot be read: %v", one.Name, err))
			continue
		case sha256.Sum256(text) != one.SHA256:
			f.Faults = append(f.Faults, fmt.Sprintf("the file %s is not the one that was signed: its bytes are others", one.Name))
			continue
		}
		f.Files = append(f.Files, one.Name)
		if strings.HasSuffix(one.Name, EndJSON) {
			f.take(one.Name, text)
		}
	}
	if f.Report == nil && len(f.Faults) == 0 {
		f.Faults = append(f.Faults, "the note names no report as data")
	}
	f.Valid = len(f.Faults) == 0
	return f
}

// take reads the data of a report that is the one that was signed.
func (f *Found) take(name string, text []byte) {
	r := &Report{}
	if err := json.Unmarshal(text, r); err != nil || r.Schema != Schema {
		f.Faults = append(f.Faults, fmt.Sprintf("the file %s is signed, and is no report of the form %s", name, Schema))
		return
	}
	f.Report = r
}

func readAll(open func(string) (io.ReadCloser, error), name string) ([]byte, error) {
	r, err := open(name)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	text, err := io.ReadAll(io.LimitReader(r, longest+1))
	if err == nil && len(text) > longest {
		err = fmt.Errorf("it is longer than %d bytes", longest)
	}
	return text, err
}
