package record

import (
	"encoding/json"
	"time"
)

// SettingsPending says that a change of settings waits for a person, and that weighpost runs as before meanwhile.
type SettingsPending struct {
	Head
	Change string `json:"change"` // id of the change: a hash of what is and what would be, so that what was seen is what is adopted
	// Replaces is the id of the change that waited before and no longer does: this one has taken its place.
	Replaces string   `json:"replaces,omitempty"`
	Sections []string `json:"sections"` // parts of the configuration that it is about
	Changes  []string `json:"changes"`  // a sentence for each difference, from what is in force to what would be
	Needs    string   `json:"needs"`    // one or two: how many people it takes, as policy says
	From     string   `json:"from"`     // sha256: of the redacted configuration that goes on
	To       string   `json:"to"`       // sha256: of the redacted configuration that would hold
	// Config is the redacted configuration that would hold, in the form whose hash is To.
	Config json.RawMessage `json:"configuration"`
	// Layouts holds the source of every layout that would come into use and is not in use now, by its sha256:.
	Layouts map[string]string `json:"layouts,omitempty"`
	// Proposed lists everybody whose proposal is in it, beginning with the first, as far as known.
	Proposed []Actor `json:"proposed"`
	Reason   string  `json:"reason,omitempty"`
	By       *Actor  `json:"by"` // who had it looked at: the last of Proposed, or whoever started weighpost
	Stamp    Stamp   `json:"stamp"`
}

func (s *SettingsPending) Kind() Kind      { return KindSettingsPending }
func (s *SettingsPending) Subject() string { return "" }
func (s *SettingsPending) Time() time.Time { return s.Stamp.UTC.Time() }

// What became of a change of settings that waited.
const (
	SettingsAdopted    = "adopted"     // it holds from the next entry on, which is one of the kind configured
	SettingsTurnedDown = "turned-down" // somebody decided against it
	SettingsWithdrawn  = "withdrawn"   // the file no longer says so
)

// SettingsDecided says what became of a change of settings that waited.
type SettingsDecided struct {
	Head
	Change   string   `json:"change"`   // id of the change
	Decision string   `json:"decision"` // one of the words above
	Sections []string `json:"sections"`
	Changes  []string `json:"changes"`  // a sentence for each difference that it would have made, or makes
	Proposed []Actor  `json:"proposed"` // as in the entry of the kind settings-pending
	Reason   string   `json:"reason,omitempty"`
	By       *Actor   `json:"by"`
	Stamp    Stamp    `json:"stamp"`
}

func (s *SettingsDecided) Kind() Kind      { return KindSettingsDecided }
func (s *SettingsDecided) Subject() string { return "" }
func (s *SettingsDecided) Time() time.Time { return s.Stamp.UTC.Time() }

// SettingsWaiting is what an entry of the kind configured carries on about a change that waits, so that a start knows of it
// without looking for it.
type SettingsWaiting struct {
	Change   string  `json:"change"`
	Proposed []Actor `json:"proposed"`
	Reason   string  `json:"reason,omitempty"`
	// TurnedDown: somebody decided against it, and the file says so all the same.
	TurnedDown bool `json:"turned_down,omitempty"`
	Since      UTC  `json:"since"`
}
