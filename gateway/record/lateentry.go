package record

import (
	"errors"
	"time"
)

// ErrNoSlip says that no slip of an id was typed in.
var ErrNoSlip = errors.New("no slip of that id was typed in")

// What the lab declares to be the original of a weight that was typed in.
const (
	OriginalSlip       = "slip"              // the paper: it is kept, and this entry is a copy
	OriginalElectronic = "electronic record" // this entry: the paper may go, by the lab's own rules
)

// LateEntered says that somebody typed in the slip of a weighing that weighpost had not read. It is never a weighing: a hand typed it, and
// it counts only once another person has confirmed it.
type LateEntered struct {
	Head
	Balance Balance   `json:"balance"`
	Value   Value     `json:"value"`                  // as printed: digits, unit, kind; stability is unknown
	Weighed UTC       `json:"weighed"`                // when, by a clock that is right, as the person says
	Slip    string    `json:"slip_clock,omitempty"`   // date and time as the slip has them; "" where it prints none
	Apart   string    `json:"slip_apart_s,omitempty"` // printed time less Weighed, in seconds
	Picture *KeptFile `json:"picture,omitempty"`      // of the slip
	Origin  string    `json:"original"`               // slip, electronic record: what the lab declares
	// Alike are weighings of the same digits that the journal had of that balance and time, and slips that had been typed in: whoever
	// typed this said that it is another. Whoever confirms it looks at them.
	Alike   []EntryRef `json:"alike,omitempty"`
	Context Context    `json:"context"`
	Reason  string     `json:"reason"`
	By      Actor      `json:"by"`
	Stamp   Stamp      `json:"stamp"` // of the typing
}

func (l *LateEntered) Kind() Kind      { return KindLateEntered }
func (l *LateEntered) Subject() string { return l.Balance.ID }
func (l *LateEntered) Time() time.Time { return l.Stamp.UTC.Time() }

// LateDecided says that a second person held what was typed in against the slip, and confirmed it or turned it down.
type LateDecided struct {
	Head
	Balance   Balance  `json:"balance"`
	Entered   EntryRef `json:"entered"`
	Confirmed bool     `json:"confirmed"`
	Reason    string   `json:"reason,omitempty"` // needed where it is turned down
	By        Actor    `json:"by"`
	Stamp     Stamp    `json:"stamp"`
}

func (l *LateDecided) Kind() Kind      { return KindLateDecided }
func (l *LateDecided) Subject() string { return l.Balance.ID }
func (l *LateDecided) Time() time.Time { return l.Stamp.UTC.Time() }
