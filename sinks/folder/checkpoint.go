package folder

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"time"

	"weighpost/sinks/format"
)

// CheckpointLine gives a signed note (C2SP tlog-checkpoint) as one line of JSON, what is known again by, and its origin.
func CheckpointLine(signedNote []byte) (line []byte, key, origin string, err error) {
	parts := strings.SplitN(string(signedNote), "\n", 3) // origin, size of the tree, the rest
	if len(parts) < 3 {
		return nil, "", "", errors.New("the checkpoint is not a signed note")
	}
	key = parts[0] + "/" + parts[1]
	text, err := json.Marshal(struct {
		ID   string `json:"id"`
		Note string `json:"note"`
	}{key, string(signedNote)})
	return append(text, '\n'), key, parts[0], err
}

// Checkpoint keeps one signed note, in the place of the one before it of the same journal and month: nothing is added to files
// here, and the newest note vouches for all that earlier ones did.
func (f *Filing) Checkpoint(ctx context.Context, v *Visit, signedNote []byte, now time.Time) error {
	line, _, origin, err := CheckpointLine(signedNote)
	if err != nil {
		return err
	}
	name := CheckpointFolder + "/" + now.UTC().Format("2006-01") + "-" + format.SafeName(origin) + ".ndjson"
	if err := f.write(ctx, v, name, line, true); err != nil {
		return f.Explain(err)
	}
	_, err = v.Settle(ctx, []string{name})
	return f.explained(err)
}
