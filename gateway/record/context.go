package record

import (
	"errors"
	"fmt"
	"time"
	"unicode"
	"unicode/utf8"
)

// How an item of a context was learnt.
const (
	BySignedIn = "signed-in"
	ByScanned  = "scanned"
	BySent     = "sent"  // by another system
	ByTyped    = "typed" // by a person
	ByPrinted  = "printed"
)

// The items that every context has a place for. Fields come on top, under names of their own.
const (
	ItemPerson = "person"
	ItemSample = "sample"
	ItemMethod = "method"
	ItemRun    = "run"
	ItemLot    = "lot"
)

// ContextRequest asks for a change of what a balance's next weighings are tied to.
type ContextRequest struct {
	Person, Sample, Method, Run, Lot *ContextItem            // nil: not named; an item with ID "" ends it
	Fields                           map[string]*ContextItem // free fields by name; same rules

	Whole   bool   // items that are not named end too (PUT and context/set); false: they stay (PATCH and context/change)
	SignOut bool   // ends everything (DELETE)
	By      string // how it was learnt: signed-in, scanned, sent, typed
	Where   string // the way it came: an address, a topic, a port
	Actor   *Actor // who asks, as far as known; nil for a scan
	Raw     []byte // a scan, exactly as received
	// Step is what whoever stands at the balance says of the sample on it: next, repeat or abandon, beside which nothing is named; ""
	// for nothing. How is how they said so: key, button, card, or print (by the balance itself).
	Step, How string
	// Confirm says that whoever asked was told what is unusual about the sample, and means it (see ContextRefused.Ask).
	Confirm bool
	// Sure says that whoever asks knows what the policy for samples would ask about, and what the sample was announced with: a run that comes
	// to its next step.
	Sure bool
	// Label is what somebody read off the balance: its id, its serial number or the name that it prints; "" for nothing. It
	// confirms which balance is connected, and a request with the label of another balance is refused as a whole.
	Label   string
	Request string // the sender's own mark, which its answer carries: at most 64 characters, "" for none
	// Sent and Valid are the sender's word on how long the request holds (see CheckAge); zero where it gave none.
	Sent  time.Time
	Valid time.Duration
	At    time.Time // arrival, with the monotonic clock
}

// ContextItem is one item of a request.
type ContextItem struct {
	ID   string
	Name string        // a person's, as it is then
	Role string        // likewise
	How  string        // how the person was identified: one of the words of Actor.By
	For  time.Duration // how long it holds; 0: the configured default
	Uses int           // how many weighings it holds for; 0: the configured default; below 0: until it is replaced
	Ends time.Time     // of a sample: when its label says that it is not to be weighed any more; zero: it does not say
	// Session is the public id of the session in which a person showed who they are; "": in none. With it they end at the balance.
	Session string
}

// FromRun is the way by which a run of a procedure sets what its balance weighs next: by it, what is the run's own is told from what a person or
// a system set.
const FromRun = "run"

// Names says whether the request changes anything of the context.
func (r *ContextRequest) Names() bool {
	return r.Whole || r.SignOut || r.Step != "" || len(r.Fields) > 0 || r.Person != nil || r.Sample != nil || r.Method != nil || r.Run != nil || r.Lot != nil
}

// Item gives the place of a fixed item in the request by its name, or nil where there is no such item.
func (r *ContextRequest) Item(name string) **ContextItem {
	switch name {
	case ItemPerson:
		return &r.Person
	case ItemSample:
		return &r.Sample
	case ItemMethod:
		return &r.Method
	case ItemRun:
		return &r.Run
	case ItemLot:
		return &r.Lot
	}
	return nil
}

// ContextView is what is held now.
type ContextView struct {
	Balance string `json:"balance"`
	// Identity is confirmed, or unconfirmed where nobody knows which balance is connected since its port was lost.
	Identity string        `json:"identity" enum:"confirmed,unconfirmed"`
	Items    []ContextHeld `json:"items"` // the fixed ones first, then fields by name; empty, never null
}

// ContextHeld is one item that the next weighing would carry.
type ContextHeld struct {
	Name  string `json:"name"` // person, sample, method, run, lot, or the name of a field
	ID    string `json:"id"`
	By    string `json:"by"`
	Since UTC    `json:"since"`
	// Age is how long ago it was set, From the way it came (an address, a topic, a port, a file), and Actor who set it, as far as
	// that is known.
	Age   Span   `json:"age_s"`
	From  string `json:"from,omitempty"`
	Actor *Actor `json:"actor,omitempty"`
	// Of a person: name and role as they were when it was set, and how the person was identified.
	Person string `json:"person,omitempty"`
	Role   string `json:"role,omitempty"`
	How    string `json:"how,omitempty"`
	Until  *UTC   `json:"until,omitempty"`     // absent: no limit of time
	Uses   *int   `json:"uses_left,omitempty"` // weighings that it still holds for; absent: no limit
}

// ContextRefused says why a request for a context was not carried out, in a sentence for whoever asked.
type ContextRefused struct {
	Why   string
	Noted bool // it is an entry already
	// Ask says that it is carried out once the same request comes again within ConfirmWithin with Confirm set, or, at a scanner,
	// the same code: the policy for samples asks.
	Ask bool
}

// ConfirmWithin is how long a request that was asked about can be confirmed.
const ConfirmWithin = 30 * time.Second

func (r *ContextRefused) Error() string { return r.Why }

// ErrNoBalance says that there is no balance of the id that was asked for.
var ErrNoBalance = errors.New("there is no balance of that id")

// Limits on an id in a context, which comes from scanners, systems and keyboards.
const (
	maxContextID    = 128 // characters
	maxContextField = 32  // names in fields
	maxRequestMark  = 64  // characters
	maxRequestBytes = 16 << 10
	maxContextFor   = 31 * 24 * time.Hour
	maxContextUses  = 1_000_000
)

// CheckContextID says why a text cannot be the id of a person, a sample or any other item, or nil. The error continues a
// sentence that begins with the name of the item. What cannot be seen, controls and marks that turn the direction of text
// among it, is refused and never taken out: an id is taken as it is or not at all.
func CheckContextID(id string) error {
	switch {
	case id == "":
		return errors.New("is empty")
	case !utf8.ValidString(id):
		return errors.New("is not UTF-8 text")
	case utf8.RuneCountInString(id) > maxContextID:
		return fmt.Errorf("has %d characters: at most %d are allowed", utf8.RuneCountInString(id), maxContextID)
	case id[0] == ' ' || id[len(id)-1] == ' ':
		return errors.New("begins or ends with a space")
	}
	for _, r := range id {
		if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			return fmt.Errorf("holds the character %U, which cannot be seen", r)
		}
	}
	return nil
}

// CheckFieldName says why a text cannot name a field of a context, or nil.
func CheckFieldName(name string) error {
	if new(ContextRequest).Item(name) != nil {
		return fmt.Errorf("is an item of its own: name it beside fields, not in it")
	}
	return CheckName(name)
}

// Set puts an item in its place: one of the fixed ones, or a field.
func (c *Context) Set(name string, l *Learnt) {
	switch name {
	case ItemPerson:
		c.Person = l
	case ItemSample:
		c.Sample = l
	case ItemMethod:
		c.Method = l
	case ItemRun:
		c.Run = l
	case ItemLot:
		c.Lot = l
	default:
		if c.Fields == nil {
			c.Fields = map[string]string{}
		}
		c.Fields[name] = l.ID
	}
}

// Get gives a fixed item of the context by its name, or nil.
func (c *Context) Get(name string) *Learnt {
	switch name {
	case ItemPerson:
		return c.Person
	case ItemSample:
		return c.Sample
	case ItemMethod:
		return c.Method
	case ItemRun:
		return c.Run
	case ItemLot:
		return c.Lot
	}
	return nil
}

// Empty says whether nothing is known.
func (c *Context) Empty() bool {
	return c.Person == nil && c.Sample == nil && c.Method == nil && c.Run == nil && c.Lot == nil && len(c.Fields) == 0
}
