package console

import (
	"context"
	"encoding/json"
	"errors"

	"weighpost/gateway/record"
)

// Settings shows and changes what weighpost is set to. Who asks is rights.From(ctx), and each method judges its right at the act.
type Settings interface {
	// Settings gives the configuration that holds in the form of its file, without secrets, and its hash.
	Settings() (doc map[string]any, hash string)
	// ChangeSettings makes a change hold, or has it wait for a person, as policy says. Errors are ErrSettingsMoved, a
	// *SettingsConflict, a *SettingsForbidden, a *rights.Denied, strict.Faults (every mistake, with its path), or say that it
	// could not be recorded. After each of them nothing has changed.
	ChangeSettings(ctx context.Context, c SettingsChange) (SettingsAnswer, error)
	// CentralSettings gives the signed file of settings that was taken last, while such are pulled: the parts that it sets are not
	// changed here. nil: there is none.
	CentralSettings() *record.Central
	// PendingSettings gives the change that waits, or nil.
	PendingSettings() *PendingSettings
	// DecideSettings adopts the change that waits, or turns it down. Errors are as those of ChangeSettings.
	DecideSettings(ctx context.Context, d SettingsDecision) (SettingsAnswer, error)
	// CompareSettings says what differs between two configurations as entries of the kinds configured and settings-pending hold
	// them.
	CompareSettings(before, after json.RawMessage) ([]SettingsDifference, error)
	// LayoutInForce gives what describes a balance's lines: as a document, and as its file says it. false: there is no such balance.
	LayoutInForce(balance string) (doc map[string]any, text string, ok bool)
}

// SettingsChange is one change that is asked for: a patch, or one balance or sink.
type SettingsChange struct {
	Seen   []string // hashes that the sender saw; one of them has to be that of what holds
	By     record.Actor
	Reason string
	DryRun bool // nothing is done
	Patch  any  // RFC 7396, on the document that Settings gives; nil where List is set

	List, ID string         // balances or sinks, and the id of the one that is meant
	Item     map[string]any // what it is to be; nil: it goes

	// Layout is what describes the lines of the balance from now on; nil: what its settings name. It is written as a file of its
	// own in the folder layouts, which the settings then name. Frames are read by it where it is only tried.
	Layout map[string]any
	Frames [][]byte
}

// SettingsDecision is what somebody decides of a change that waits.
type SettingsDecision struct {
	Change string // its id
	Adopt  bool
	By     record.Actor
	Reason string
}

// What became of a change.
const (
	SettingsHold    = "holds"       // it is in force
	SettingsWait    = "waits"       // it, or a part of it, waits for a person
	SettingsSame    = "the-same"    // it says what is
	SettingsValid   = "valid"       // it was only tried
	SettingsInvalid = "invalid"     // it was only tried, and has mistakes
	SettingsDropped = "turned-down" // somebody decided against it
)

// SettingsAnswer says what became of a change.
type SettingsAnswer struct {
	Outcome  string   `json:"outcome" enum:"holds,waits,the-same,valid,invalid,turned-down" doc:"What became of the change."`
	Hash     string   `json:"hash" doc:"Of the settings that hold now: the entity tag."`
	Changes  []string `json:"changes" nullable:"false" doc:"A sentence for each difference that it makes, or would make."`
	Sections []string `json:"sections" nullable:"false" doc:"The parts of the settings that it touches."`
	// Differences says the same as Changes by key.
	Differences []SettingsDifference `json:"differences" nullable:"false" doc:"What the file says before and after, by key."`
	Read        []FrameRead          `json:"read,omitempty" doc:"The frames that were sent along, as the layout that was only tried reads them."`
	Pending     string               `json:"pending,omitempty" doc:"Id of the change that waits for a person."`
	Note        string               `json:"note,omitempty" doc:"What else is to be known."`
	Mistakes    []Mistake            `json:"mistakes" nullable:"false" doc:"Every mistake, where it was only tried."`
}

// SettingsDifference is one key that a change touches.
type SettingsDifference struct {
	Path   string `json:"path" doc:"Which key: balances[b-1].port.speed."`
	From   string `json:"from" doc:"What the file says before; empty: nothing is written there, and what applies then holds."`
	To     string `json:"to" doc:"What the file says after; empty as in from."`
	Secret bool   `json:"secret,omitempty" doc:"Where a secret is kept: the values are withheld."`
}

// FrameRead is a frame as a layout reads it.
type FrameRead struct {
	Frame  []byte       `json:"frame" doc:"As received."`
	Pieces []FramePiece `json:"pieces" nullable:"false" doc:"What each piece of the template takes, as far as the frame fits."`
	Why    string       `json:"why,omitempty" doc:"Why it is no reading; absent where it is one."`
}

// FramePiece is what one piece of a layout's template takes of a frame.
type FramePiece struct {
	Name string `json:"name" doc:"Name of the field; empty for text that always stands there."`
	From int    `json:"from" doc:"Its first byte in the frame, from 0."`
	To   int    `json:"to" doc:"The byte behind its last."`
}

// Mistake is one thing that is wrong with a change.
type Mistake struct {
	Path    string `json:"path" doc:"Where: balances[0].port.speed; empty for all of it."`
	What    string `json:"what" doc:"What is wrong."`
	Allowed string `json:"allowed,omitempty" doc:"What would be right, where that can be said in short."`
}

// PendingSettings is a change that waits for a person.
type PendingSettings struct {
	Change   string   `json:"change" doc:"Its id: a hash of what is and what would be, so that what was seen is what is adopted."`
	Sections []string `json:"sections" nullable:"false"`
	Changes  []string `json:"changes" nullable:"false" doc:"A sentence for each difference."`
	// Differences says the same by key.
	Differences []SettingsDifference `json:"differences" nullable:"false" doc:"What the file says of what holds, and of what would, by key."`
	Needs       string               `json:"needs" enum:"one,two" doc:"How many people it takes, as policy says."`
	Proposed    []record.Actor       `json:"proposed" nullable:"false" doc:"Everybody whose proposal is in it."`
	Reason      string               `json:"reason,omitempty" doc:"Why it was proposed, where that was said."`
	TurnedDown  bool                 `json:"turned_down,omitempty" doc:"Somebody decided against it, and the file says so all the same."`
	Whole       bool                 `json:"whole,omitempty" doc:"Nothing else of the file was taken either: its parts do not fit the rest of what holds."`
	Since       record.UTC           `json:"since"`
}

// ErrSettingsMoved says that the settings are others than those that were seen.
var ErrSettingsMoved = errors.New("the settings are no longer those that were seen")

// SettingsConflict says in a sentence why a change cannot be made as things are.
type SettingsConflict struct{ Why string }

func (s *SettingsConflict) Error() string { return s.Why }

// SettingsForbidden says in a sentence why somebody who has the right may not do this all the same.
type SettingsForbidden struct{ Why string }

func (s *SettingsForbidden) Error() string { return s.Why }
