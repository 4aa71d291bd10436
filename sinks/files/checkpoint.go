package files

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"time"
)

// checkpointFolder holds the journal's signed checkpoints, one line of JSON each, one file a month. No field of an entry
// begins a name with an underscore unless a person's text does.
const checkpointFolder = "_checkpoints"

// Checkpoint keeps one signed note (C2SP tlog-checkpoint), so that a copy is held outside the journal.
func (s *Sink) Checkpoint(ctx context.Context, signedNote []byte) error {
	lines := strings.SplitN(string(signedNote), "\n", 3) // origin, size of the tree, the rest
	if len(lines) < 3 {
		return errors.New("the checkpoint is not a signed note")
	}
	text, err := json.Marshal(struct {
		ID   string `json:"id"`
		Note string `json:"note"`
	}{lines[0] + "/" + lines[1], string(signedNote)})
	if err != nil {
		return err
	}
	_, err = s.work.do(ctx, func(context.Context) (int, error) {
		if err := s.open(); err != nil {
			return 0, err
		}
		name := checkpointFolder + "/" + time.Now().UTC().Format("2006-01") + ".ndjson"
		return 0, s.add(&addition{name: name, rows: []row{{key: lines[0] + "/" + lines[1], bytes: append(text, '\n')}}})
	})
	return err
}
