package dropped

import (
	"encoding/json"
	"fmt"

	"weighpost/gateway/record"
)

// Answer says what became of a file. It is what NAME.answer.json holds.
type Answer struct {
	File   string `json:"file"`             // as it was dropped
	SHA256 string `json:"sha256,omitempty"` // of its bytes; absent where they were not read
	// At is when it was answered, and KeptAs where the file lies now, within the folder.
	At      record.UTC `json:"at"`
	KeptAs  string     `json:"kept_as"`
	Done    int        `json:"done"`    // requests that were carried out
	Refused int        `json:"refused"` // and that were not
	// Why says why nothing of the file could be taken.
	Why      string               `json:"why,omitempty"`
	Requests []Outcome            `json:"requests,omitempty"` // in the order of the file
	Samples  *record.SamplesTaken `json:"samples,omitempty"`
	Runs     []RunOutcome         `json:"runs,omitempty"` // requests for runs, in the order of the file
}

// Outcome says what became of one request.
type Outcome struct {
	Number  int                  `json:"number"` // in the file, from 1
	Balance string               `json:"balance,omitempty"`
	Request string               `json:"request,omitempty"` // the sender's own mark
	OK      bool                 `json:"ok"`
	Why     string               `json:"why,omitempty"`  // where it was refused
	Ask     bool                 `json:"ask,omitempty"`  // it is carried out once it comes again, with confirm, within 30 s
	Note    string               `json:"note,omitempty"` // what else is to be known
	Entry   string               `json:"entry,omitempty"`
	Held    []record.ContextHeld `json:"held,omitempty"` // what the balance's next weighing carries
}

// RunOutcome says what became of one request for a run.
type RunOutcome struct {
	record.RequestStands
	Number int    `json:"number"` // in the file, from 1
	OK     bool   `json:"ok"`
	Why    string `json:"why,omitempty"`  // where it was refused
	Note   string `json:"note,omitempty"` // what else is to be known
	Entry  string `json:"entry,omitempty"`
}

// mostHeld bounds what an answer says of what is held, in bytes. After that it is left out, with a note.
const mostHeld = 4 << 20

// sum counts, and bounds what is said.
func (a *Answer) sum() {
	room := mostHeld
	for i := range a.Requests {
		o := &a.Requests[i]
		if !o.OK {
			a.Refused++
			continue
		}
		a.Done++
		b, err := json.Marshal(o.Held)
		if room -= len(b); err != nil || room < 0 {
			o.Held, o.Note = nil, "What is held is left out: the answer would be too long."
		}
	}
	for _, o := range a.Runs {
		if o.OK {
			a.Done++
		} else {
			a.Refused++
		}
	}
	switch {
	case a.Runs != nil:
	case a.Samples != nil:
		a.Done = 1
	case a.Requests == nil:
		a.Refused = 1
	}
}

// dir says into which folder the file goes: one of which nothing was carried out is refused.
func (a *Answer) dir() string {
	if a.Done == 0 {
		return refusedDir
	}
	return takenDir
}

func (a *Answer) bytes() ([]byte, error) {
	b, err := json.MarshalIndent(a, "", " ")
	if err != nil {
		return nil, fmt.Errorf("the answer cannot be written as JSON: %w", err)
	}
	return append(b, '\n'), nil
}
