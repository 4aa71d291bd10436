package files

import (
	"context"
	"time"

	"weighpost/sinks/folder"
)

// checkpointFolder holds the journal's signed checkpoints, one line of JSON each, one file a month. No field of an entry
// begins a name with an underscore unless a person's text does.
const checkpointFolder = folder.CheckpointFolder

// Checkpoint keeps one signed note (C2SP tlog-checkpoint), so that a copy is held outside the journal.
func (s *Sink) Checkpoint(ctx context.Context, signedNote []byte) error {
	line, key, _, err := folder.CheckpointLine(signedNote)
	if err != nil {
		return err
	}
	_, err = s.work.Do(ctx, func(context.Context) (int, error) {
		if err := s.open(); err != nil {
			return 0, err
		}
		name := checkpointFolder + "/" + time.Now().UTC().Format("2006-01") + ".ndjson"
		return 0, s.add(&addition{name: name, rows: []row{{key: keyOf(name, key), end: len(line)}}, text: line})
	})
	return err
}
