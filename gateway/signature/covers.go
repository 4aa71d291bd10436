package signature

import (
	"bytes"
	"encoding/json"
	"fmt"

	"weighpost/gateway/record"
)

// Covers says whether signatures under a run cover an entry, by what its own bytes say: the run's beginning, steps and end, what was
// corrected of it, the acts of its review but for those that only looked, earlier signatures, and the weighings, results and typed slips
// that carry its id in their context. Attempts to sign that failed, reports and deliveries change nothing of a run. The error says that an
// entry cannot be read.
func Covers(run string, e record.Entry) (bool, error) {
	if !bytes.Contains(e.JSON, []byte(run)) { // an id of a run has no letter that JSON could spell in two ways, as weighpost writes it
		return false, nil
	}
	name, err := runOf(e)
	return name == run && run != "", err
}

// runOf is the run that an entry is covered with; "" where it is none's.
func runOf(e record.Entry) (string, error) {
	var in struct {
		Run     *record.RunRef  `json:"run"`
		Act     string          `json:"act"`
		Context *record.Context `json:"context"`
	}
	switch e.Kind {
	case record.KindRunBegun, record.KindRunStep, record.KindRunEnded, record.KindRunCorrected, record.KindRunReviewed, record.KindSignature,
		record.KindWeighing, record.KindResult, record.KindLateEntered:
	default:
		return "", nil
	}
	if err := json.Unmarshal(e.JSON, &in); err != nil {
		return "", fmt.Errorf("entry %d cannot be read: %w", e.Seq, err)
	}
	switch {
	case e.Kind == record.KindRunReviewed && in.Act == record.ActLook:
		return "", nil
	case in.Run != nil:
		return in.Run.ID, nil
	case in.Context != nil && in.Context.Run != nil:
		return in.Context.Run.ID, nil
	}
	return "", nil
}

// Cover gives what a signature that is made now covers: these entries, which Covers has picked, in the order of the journal.
func Cover(entries []record.Entry) record.Covered {
	c := record.Covered{Entries: uint64(len(entries)), Root: Root(texts(entries))}
	if len(entries) > 0 {
		c.Last = entries[len(entries)-1].Seq
	}
	return c
}

func texts(entries []record.Entry) [][]byte {
	list := make([][]byte, len(entries))
	for i, e := range entries {
		list[i] = e.JSON
	}
	return list
}
