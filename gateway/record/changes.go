package record

import (
	"encoding/json"
	"time"
)

// ContextChange says that somebody set or ended what a balance's next weighings are tied to, or was refused.
type ContextChange struct {
	Head
	Balance About   `json:"balance"`
	Before  Context `json:"before"`
	After   Context `json:"after"`
	// Cause is set, signed-out, expired, refused, asked (it is not carried out unless it is confirmed), or confirmed: the label of the balance itself was scanned, which confirms
	// its identity and changes nothing else; or a step at the bench: next, repeat, abandon. What a weighing uses up is told by the weighing itself.
	Cause string `json:"cause"`
	Why   string `json:"why,omitempty"` // where it was not set by a request, and of a step how it was said
	Where string `json:"where"`         // the way it came: an address, a topic, a port
	By    *Actor `json:"by,omitempty"`  // who did it, as far as known; absent for a scan
	Raw   []byte `json:"raw,omitempty"` // a scan, exactly as received
	// Verdicts are what the policy for samples said: those that failed were asked about, and confirmed where Cause is set.
	Verdicts []Verdict `json:"verdicts,omitempty"`
	Request  string    `json:"request,omitempty"` // the sender's own mark, or that of a file
	// Times is how many refused requests this entry stands for; absent: one. The rest of it tells of the last of them.
	Times int   `json:"times,omitempty"`
	Stamp Stamp `json:"stamp"`
}

func (c *ContextChange) Kind() Kind      { return KindContextChanged }
func (c *ContextChange) Subject() string { return c.Balance.ID }
func (c *ContextChange) Time() time.Time { return c.Stamp.UTC.Time() }

// Configured says which configuration holds from now on, at a start and at each reload that was taken or refused.
type Configured struct {
	Head
	From string `json:"from,omitempty"` // sha256: of the redacted configuration before, also at a start; empty where there was none
	To   string `json:"to"`             // sha256: of the redacted configuration that holds from now on
	// Config is the redacted configuration in the form whose hash is To; absent where another was refused.
	Config  json.RawMessage `json:"configuration,omitempty"`
	Changes []string        `json:"changes"`           // a sentence for each difference
	Refused string          `json:"refused,omitempty"` // why nothing changed
	// Known lists every balance that this journal has ever had, with its serial number as far as it was ever known: an id is
	// never given to another balance. Absent where a configuration was refused.
	Known []KnownBalance `json:"known,omitempty"`
	// Layouts holds the source of every layout in use, by its sha256:, so that the frames can be read again from the journal
	// alone. Absent where a configuration was refused.
	Layouts map[string]string `json:"layouts,omitempty"`
	// BalanceLayouts says which balance has which of them. Absent where a configuration was refused, and in older entries.
	BalanceLayouts map[string]string `json:"balance_layouts,omitempty"`
	// SecretPlaces lists every secret that was ever in use, by where it is kept, with digests of where it went by the latest
	// configuration that named it: it is not sent elsewhere by a request. Absent as Known is, and in older entries.
	SecretPlaces map[string][]string `json:"secret_places,omitempty"`
	By           *Actor              `json:"by,omitempty"`     // who had it loaded
	Reason       string              `json:"reason,omitempty"` // why, where one was given
	// Adopted is the id of the change that waited and was adopted with this entry; empty where none was.
	Adopted string `json:"adopted,omitempty"`
	// Waiting is a change of settings that goes on waiting; absent where none does.
	Waiting *SettingsWaiting `json:"waiting,omitempty"`
	// Central is the signed file of settings that was taken last; absent where none ever was, and where a configuration was refused.
	Central *Central `json:"central,omitempty"`
	Stamp   Stamp    `json:"stamp"`
}

// Central is a signed file of settings as it was taken. Each configuration carries it on, so that no older file is ever taken.
type Central struct {
	Serial   uint64   `json:"serial"`
	Sum      string   `json:"sum"`      // sha256: of its contents
	Signed   []string `json:"signed"`   // ids of the keys that signed it
	Sections []string `json:"sections"` // parts of the configuration that it sets
	Until    UTC      `json:"until"`    // when it could be taken last
}

// KnownBalance says to which balance an id belongs, for as long as the journal lives.
type KnownBalance struct {
	ID     string `json:"id"`
	Serial string `json:"serial,omitempty"`
}

func (c *Configured) Kind() Kind      { return KindConfigured }
func (c *Configured) Subject() string { return "" }
func (c *Configured) Time() time.Time { return c.Stamp.UTC.Time() }

// LayoutChange says that the frames of a balance after this entry were read by another layout.
type LayoutChange struct {
	Head
	Balance About  `json:"balance"`
	From    string `json:"from,omitempty"` // sha256: of the layout before; empty at a start
	To      string `json:"to"`
	Text    string `json:"text"` // the layout's source, so that the frames can be read again
	Stamp   Stamp  `json:"stamp"`
}

func (l *LayoutChange) Kind() Kind      { return KindLayoutChanged }
func (l *LayoutChange) Subject() string { return l.Balance.ID }
func (l *LayoutChange) Time() time.Time { return l.Stamp.UTC.Time() }
