package proof

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
)

// maxHeldLines is how many checkpoints are taken from one file: three years of one a minute.
const maxHeldLines = 2_000_000

// Checkpoints finds the signed checkpoints in what somebody kept: a signed note, a proof file, or lines of JSON with a note
// each, as the files sink writes them. It looks at no signature.
func Checkpoints(content []byte) ([][]byte, error) {
	switch trimmed := bytes.TrimLeft(content, " \t\r\n"); {
	case bytes.HasPrefix(content, []byte(fileHeader+"\n")):
		p, err := Parse(content)
		if err != nil {
			return nil, err
		}
		return [][]byte{p.Checkpoint}, nil
	case len(trimmed) == 0:
		return nil, errors.New("there is nothing in it: a signed checkpoint, a proof, or lines of checkpoints were expected")
	case trimmed[0] == '{':
		return noteLines(trimmed)
	}
	if _, err := Peek(content); err != nil {
		return nil, fmt.Errorf("this is no signed checkpoint, no proof and no lines of checkpoints: %w", err)
	}
	return [][]byte{content}, nil
}

// noteLines reads JSON objects, each with a signed note under "note".
func noteLines(content []byte) (notes [][]byte, err error) {
	for i := 1; len(content) > 0; i++ {
		line, rest, _ := bytes.Cut(content, []byte("\n"))
		content = rest
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		var one struct {
			Note string `json:"note"`
		}
		if err := json.Unmarshal(line, &one); err != nil || one.Note == "" {
			return nil, fmt.Errorf("line %d of the checkpoints holds none", i)
		}
		if _, err := Peek([]byte(one.Note)); err != nil {
			return nil, fmt.Errorf("line %d of the checkpoints: %w", i, err)
		}
		if len(notes) == maxHeldLines {
			return nil, fmt.Errorf("the file holds more than %d checkpoints: take a part of it", maxHeldLines)
		}
		notes = append(notes, []byte(one.Note))
	}
	return notes, nil
}
