package bundle

import (
	"bytes"
	"encoding/json"
	"fmt"
	"time"
)

// Schema names the form of a bundle. It grows by new members only.
const Schema = "weighpost.bundle/1"

// Whole, span or run: what a bundle is of.
const (
	OfAll  = "all"  // every entry that the checkpoint covers
	OfSpan = "span" // every entry from First to Last
	OfRun  = "run"  // the entries of a run, and those that it rests on
)

// About is what a bundle says of itself: bundle.json.
type About struct {
	Schema      string `json:"schema"`
	Of          string `json:"of"`
	Run         string `json:"run,omitempty"`
	From        string `json:"from,omitempty"` // of a span that was asked for by time, RFC 3339: what was asked
	To          string `json:"to,omitempty"`
	Site        string `json:"site"`
	Origin      string `json:"origin"` // name of the journal's tree in its checkpoints
	Incarnation string `json:"incarnation"`
	Entries     uint64 `json:"entries"` // inside
	First       uint64 `json:"first"`   // sequence of the first
	Last        uint64 `json:"last"`
	// Of a run: how many of the entries are its own. The others are what it rests on: the version of its procedure, layouts, configurations,
	// checks, judgements of doubtful weighings, corrections of stamps.
	Own     uint64   `json:"own,omitempty"`
	Size    uint64   `json:"size"`     // entries that the checkpoint covers
	Key     string   `json:"key"`      // id of the key that signed it: name+hash
	NotHeld []string `json:"not_held"` // sentences: kept files that entries name and that were not there
	Version string   `json:"version"`  // of the weighpost that made it
}

// Encode writes bundle.json. The inverse is ParseAbout.
func (a *About) Encode() ([]byte, error) {
	if a.NotHeld == nil {
		a.NotHeld = []string{}
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	err := e.Encode(a)
	return b.Bytes(), err
}

// ParseAbout reads bundle.json, and only what Encode writes. The error is a sentence.
func ParseAbout(b []byte) (a About, err error) {
	if err := json.Unmarshal(b, &a); err != nil {
		return a, fmt.Errorf("bundle.json cannot be read: %w", err)
	}
	if a.Schema != Schema {
		return a, fmt.Errorf("this is no bundle, or one of a newer weighpost: its form is %.60q and not %s", a.Schema, Schema)
	}
	again, err := a.Encode()
	if err != nil || !bytes.Equal(again, b) {
		return a, fmt.Errorf("bundle.json is not written as it has to be: it was altered, or is of a newer weighpost")
	}
	known := a.Of == OfAll || a.Of == OfSpan || a.Of == OfRun
	if !known || (a.Of == OfRun) != (a.Run != "") || a.Entries == 0 || a.First == 0 || a.Last < a.First || a.Size < a.Last || a.Size >= 1<<62 ||
		a.Entries > a.Last-a.First+1 || a.Own > a.Entries {
		return a, fmt.Errorf("bundle.json says what cannot be: %d entries from %d to %d of a tree of %d, of %.20q", a.Entries, a.First, a.Last, a.Size, a.Of)
	}
	return a, nil
}

// What tells in a sentence what a bundle is of.
func (a *About) What() string {
	switch {
	case a.Of == OfAll:
		return fmt.Sprintf("All %d entries of the journal that its checkpoint covers.", a.Entries)
	case a.Of == OfRun:
		return fmt.Sprintf("The run %s: %d entries of its own, and %d that it rests on.", a.Run, a.Own, a.Entries-a.Own)
	case a.From != "" || a.To != "":
		return fmt.Sprintf("Every entry from number %d to number %d of the journal, among which are all that were stamped%s.", a.First, a.Last, between(a.From, a.To))
	}
	return fmt.Sprintf("Every entry from number %d to number %d of the journal.", a.First, a.Last)
}

func between(from, to string) (text string) {
	if from != "" {
		text = " at or after " + from
	}
	if to != "" {
		text += " before " + to
	}
	return text
}

func instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339Nano)
}
