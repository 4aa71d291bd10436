package gateway

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// noteName is a file in the journal's folder that lasts while the configuration file is changed for somebody: from before the
// file is written until the entry is. After a kill in between, the next start records under their name what it finds in the
// file. Whoever can write there has the journal's key beside it; the file takes no trust that they have not.
const noteName = "settings-change.json"

// settingsNote is what it says.
type settingsNote struct {
	By      record.Actor `json:"by"`
	Reason  string       `json:"reason,omitempty"`
	Before  string       `json:"before"`                // sha256: of the file as it was
	After   string       `json:"after"`                 // and as it is to be
	Decided string       `json:"turned_down,omitempty"` // id of the change that waited and is turned down by it

	Central *record.Central `json:"central,omitempty"` // the signed file that is taken with it
}

// What a start finds of a change that was cut off.
type cutOff int

const (
	notWritten cutOff = iota // or there is no note
	written                  // the file says what it was to say
	mixed                    // and somebody has edited it since
)

func textSum(text []byte) string {
	sum := sha256.Sum256(text)
	return "sha256:" + hex.EncodeToString(sum[:])
}

// write puts the note into a folder, on the disk.
func (n settingsNote) write(folder string) error {
	b, err := json.Marshal(n)
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(folder, "."+noteName+".*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = f.Write(append(b, '\n'))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), filepath.Join(folder, noteName)); err != nil {
		return err
	}
	return syncFolder(folder)
}

// noting is writing with a note around it: settle takes the note away once it is recorded, or undone.
func (g *Gateway) noting(n settingsNote, path string, before, after []byte, kept string) (undo func(), err error) {
	n.Before, n.After = textSum(before), textSum(after)
	folder := g.now.Load().cfg.Journal.Folder
	if err := n.write(folder); err != nil {
		return nil, fmt.Errorf("who changes the file cannot be noted in %s, so that nothing was changed: %w", folder, err)
	}
	undo, err = replaceFile(path, before, after, kept)
	if err != nil {
		g.forgetNote()
		return nil, err
	}
	return func() { undo(); g.forgetNote() }, nil
}

func (g *Gateway) forgetNote() {
	if err := os.Remove(filepath.Join(g.now.Load().cfg.Journal.Folder, noteName)); err != nil && !errors.Is(err, os.ErrNotExist) {
		g.log.Warn("the note of a change of settings is left behind", "err", err)
	}
}

// readNote reads what a change that was cut off has left, and what became of the file. A note that cannot be read is of no use,
// and no reason not to start.
func (g *Gateway) readNote(cfg *config.Config) (n settingsNote, found cutOff) {
	b, err := config.ReadFile(filepath.Join(cfg.Journal.Folder, noteName))
	if errors.Is(err, os.ErrNotExist) || cfg.File() == "" {
		return n, notWritten
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := errors.Join(err, d.Decode(&n)); err != nil || n.By.By == "" {
		g.log.Warn("the note of a change of settings cannot be read: what the file says is recorded as of whoever owns the host", "err", err)
		return settingsNote{}, notWritten
	}
	text, err := config.ReadFile(cfg.File())
	switch {
	case err == nil && textSum(text) == n.After: // the same as before, where layouts alone are put back
		return n, written
	case err != nil || textSum(text) == n.Before:
		return settingsNote{}, notWritten
	}
	return n, mixed
}

// writing puts a text into the place of another, for an order.
func (g *Gateway) writing(n settingsNote, path string, before, after []byte) func() (func(), error) {
	return func() (func(), error) {
		undo, err := g.noting(n, path, before, after, "")
		if err != nil {
			return nil, &console.SettingsConflict{Why: err.Error()}
		}
		return undo, nil
	}
}

// foundAtStart completes the entry of a start with who has changed what since weighpost last ran, as far as that is known, and gives
// the entries that go before it. w is what waits, or nil.
func (g *Gateway) foundAtStart(entry *record.Configured, w *waiting) (front []record.Body) {
	before, cfg, host := g.sifted.before, g.now.Load().cfg, *entry.By
	note, found := g.readNote(cfg)
	proposer, reason, decided := host, "", ""
	if found != notWritten {
		proposer, reason = note.By, note.Reason
	}
	if found == written && note.Decided != "" && before != nil && before.id == note.Decided && (w == nil || w.id != before.id) {
		decided = before.id
		front = append(front, &record.SettingsDecided{Change: decided, Decision: record.SettingsTurnedDown, Sections: before.sections,
			Changes: before.changes, Proposed: before.proposed, Reason: note.Reason, By: &note.By, Stamp: entry.Stamp})
		proposer, reason = host, "" // of what else waits
	}
	if w != nil {
		w.goesOn(before, proposer, reason, entry.Stamp.UTC)
		if found == mixed && !slices.Contains(w.proposed, host) {
			w.proposed = append(w.proposed, host)
		}
	}
	entry.Waiting = w.kept()
	if w == nil && found == written && decided == "" && len(entry.Changes) > 0 {
		entry.By, entry.Reason = &note.By, note.Reason
	}
	if c := note.Central; w == nil && found == written && c != nil && (g.roster.Central == nil || c.Serial > g.roster.Central.Serial) {
		g.roster.Central = c
	}
	return append(front, w.entries(before, cfg, decided, &proposer, entry.Stamp)...)
}
