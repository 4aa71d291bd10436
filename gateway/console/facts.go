package console

import (
	"encoding/json"
	"sync"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// Balance is what the page shows of one balance.
type Balance struct {
	ID          string `json:"id"`
	Serial      string `json:"serial,omitempty"`
	Place       string `json:"place,omitempty"`
	Readability string `json:"readability,omitempty"`
	Identity    string `json:"identity"` // confirmed or unconfirmed
	Rule        string `json:"rule"`     // what is recorded: printed, settled, every 5s, all
	Port        string `json:"port"`
	PortUp      bool   `json:"port_up"`

	Frames   uint64 `json:"frames"`   // received since the start
	Unread   uint64 `json:"unread"`   // of these, without a usable value
	Damaged  uint64 `json:"damaged"`  // bytes with a parity or framing error, where the driver can tell
	Breaks   uint64 `json:"breaks"`   // times that the line was held low, where the driver can tell
	Recorded uint64 `json:"recorded"` // weighings and results acknowledged since the start
	Waiting  int    `json:"waiting"`  // entries that wait for the journal
	Unkept   uint64 `json:"unkept"`   // readings that could not be recorded

	Context []record.ContextHeld `json:"context" nullable:"false"` // what the next weighing is tied to

	// Unprotected: the line has neither parity nor check characters, so that a disturbed one may read as another digit.
	Unprotected bool         `json:"unprotected"`
	LastUnread  *UnreadFrame `json:"last_unread,omitempty"` // nil where there was none since the start

	Tap    *Tap    `json:"tap,omitempty"`    // nil where it has none
	Asking *Asking `json:"asking,omitempty"` // absent where the balance is not asked

	// Fitness says whether the balance may be used; nil where nobody checks balances.
	Fitness *record.Fitness `json:"fitness,omitempty"`

	Live *record.Live `json:"live,omitempty"` // the latest reading; nil where none came yet
	Last *Recorded    `json:"last,omitempty"` // the latest recorded one; nil where there is none
}

// Recorded is a weighing or result that is in the journal.
type Recorded struct {
	ID     string       `json:"id"`
	UTC    record.UTC   `json:"utc"`
	Value  record.Value `json:"value"`
	Sample string       `json:"sample,omitempty"`
}

// Tap is what the page shows of the program that shares a balance. Counts are since the tap was opened first.
type Tap struct {
	Where         string `json:"where"`          // where the program finds the balance
	Open          bool   `json:"open"`           // it can come
	Program       bool   `json:"program"`        // it is there
	Received      uint64 `json:"received"`       // bytes that it was given
	Sent          uint64 `json:"sent"`           // bytes that it sent and the balance was given
	LinesLeftOut  uint64 `json:"lines_left_out"` // because it did not read
	LinesWithheld uint64 `json:"lines_withheld"` // because they answered somebody else
	NotSent       uint64 `json:"not_sent"`       // bytes that it sent and the balance was not given
	Why           string `json:"why,omitempty"`  // why the latest of them were not
	TurnedAway    uint64 `json:"turned_away"`    // programs that came while another one was there, and browsers
}

// Asking is how a balance is asked for its weight, and what became of the questions since the start.
type Asking struct {
	Send         string      `json:"send" doc:"What it is sent, with control characters as the configuration writes them."`
	EveryS       float64     `json:"every_s,omitempty" doc:"How often it is asked by itself, in seconds; absent: only on request."`
	WhileWatched bool        `json:"while_watched" doc:"Whether it is asked by itself only while somebody looks."`
	Confirm      int         `json:"confirm" doc:"How many equal answers a reading needs."`
	Questions    uint64      `json:"questions" doc:"Sent to the balance."`
	Answers      uint64      `json:"answers"`
	Missed       uint64      `json:"missed" doc:"Not answered in time, or that could not be sent."`
	Late         uint64      `json:"late" doc:"Readings that came after the time of a question had run out."`
	Differed     uint64      `json:"differed" doc:"Pairs of answers that were not equal."`
	LastAnswer   *record.UTC `json:"last_answer,omitempty" doc:"Absent where none came yet."`
	Why          string      `json:"why,omitempty" doc:"Why the latest question brought no reading; absent where it did."`
}

// UnreadFrame is a frame without a usable value.
type UnreadFrame struct {
	UTC   record.UTC `json:"utc"`
	Why   string     `json:"why"`
	Frame []byte     `json:"frame"` // as received, the first 256 bytes
}

// Sink is what the page shows of one destination.
type Sink struct {
	ID        string `json:"id"`
	Kind      string `json:"kind"`  // mqtt, files, http
	State     string `json:"state"` // working, retrying, waiting, stopped, paused
	Why       string `json:"why,omitempty"`
	Delivered uint64 `json:"delivered"` // entries since the start
	Parked    uint64 `json:"parked"`    // entries set aside, waiting for a person
	Lag       uint64 `json:"lag"`       // entries in the journal that it has not come to, wanted or not

	BehindSince *record.UTC `json:"behind_since,omitempty" doc:"When the oldest entry happened that it has not had; absent where it has had all, or that is not known."`
	LastSuccess *record.UTC `json:"last_success,omitempty" doc:"When the destination took an entry last; absent: not since the start."`
	LastError   string      `json:"last_error,omitempty" doc:"What went wrong last, also where it works again; absent: nothing since the start."`
	FailedAt    *record.UTC `json:"failed_at,omitempty" doc:"When that was."`
	NextTry     *record.UTC `json:"next_try,omitempty" doc:"When it is tried again by itself, where it waits or is stopped."`
	Where       string      `json:"where" doc:"Where it delivers to, without secrets."`

	Waiting   uint64      `json:"waiting" doc:"How many entries it wants and has not had, as far as was counted."`
	AtLeast   bool        `json:"at_least,omitempty" doc:"There may be more of these."`
	Oldest    string      `json:"oldest,omitempty" doc:"Id of the entry that has waited longest; absent where none waits, or that is not known."`
	PerMinute float64     `json:"per_minute" doc:"How many entries were delivered a minute, over the last five minutes or since the start."`
	Remedy    string      `json:"remedy,omitempty" doc:"What to do about its state; absent where there is nothing."`
	Paused    *SinkPaused `json:"paused,omitempty" doc:"Who paused its deliveries, and why; absent where nobody did."`

	Closed string `json:"-"` // what closes the batches that it gets: hour, day or a number; "": entries go as they come
	Holds  bool   `json:"-"` // weighings wait until somebody releases them
}

// SinkPaused says who stopped the deliveries of a sink for a time.
type SinkPaused struct {
	Who   string     `json:"who" doc:"Who paused them."`
	Why   string     `json:"why,omitempty" doc:"Why, as they said."`
	Since record.UTC `json:"since" doc:"Since when."`
	Entry string     `json:"entry" doc:"Id of the entry that says so."`
}

// Journal is what the page shows of the journal.
type Journal struct {
	Incarnation string `json:"incarnation"`
	Head        uint64 `json:"head"` // sequence of the latest entry

	Space    *Space    `json:"space,omitempty"` // absent until it was looked at
	Verified *Verified `json:"verified,omitempty"`
	// Checkpoints says which sink has taken which checkpoint, by the journal's own notes.
	Checkpoints []Acknowledged `json:"checkpoints,omitempty"`
}

// Verified is what the page shows of how far the journal was verified while it is written.
type Verified struct {
	Entries uint64      `json:"entries"`           // up to here, in the last whole pass since the start
	At      *record.UTC `json:"at,omitempty"`      // the end of that pass
	Reached uint64      `json:"reached,omitempty"` // how far the pass in hand has come
	Began   *record.UTC `json:"began,omitempty"`   // the pass in hand
	Damage  string      `json:"damage,omitempty"`  // what was found, because of which recording is stopped
}

// Acknowledged is the newest checkpoint that a sink has taken.
type Acknowledged struct {
	Sink string     `json:"sink"`
	Size uint64     `json:"size"` // entries that it covers
	At   record.UTC `json:"at"`
}

// Space is what the page shows of the space on the journal's disk, in bytes.
type Space struct {
	Free    uint64  `json:"free"`
	Reserve uint64  `json:"reserve"`           // with less than this left recording stops
	Journal uint64  `json:"journal"`           // what the journal takes up
	PerDay  *uint64 `json:"per_day,omitempty"` // by how much it grew of late; absent within the first hours
	Days    *uint64 `json:"days,omitempty"`    // until the disk is full at this rate, about; absent where that cannot be said
}

// Clock is what the page shows of the clock behind the stamps. Lengths are in seconds.
type Clock struct {
	State   string       `json:"state" enum:"checked,holdover,unchecked"`
	Since   record.UTC   `json:"since"`
	Why     string       `json:"why"`                     // a sentence on the state
	Bound   *record.Span `json:"bound_s" nullable:"true"` // how far a stamp may be wrong; null where that is not known
	Ceiling record.Span  `json:"ceiling_s"`               // with a larger bound a stamp is not checked
	Ahead   *float64     `json:"computer_ahead_s"`        // by how much the computer's own clock is ahead of the stamps; null where unknown
	Servers []TimeServer `json:"servers" nullable:"false"`
}

// TimeServer is what the page shows of one time server.
type TimeServer struct {
	Address    string      `json:"address"`
	Verdict    string      `json:"verdict"` // agreeing, falseticker, undecided, silent, refused
	Why        string      `json:"why,omitempty"`
	Offset     *float64    `json:"offset_s"` // of its time from the computer's clock; null without a usable answer
	Distance   *float64    `json:"root_distance_s"`
	LastAnswer *record.UTC `json:"last_answer,omitempty"`
}

// state is everything that the page shows, but for the balances.
type state struct {
	Site       string             `json:"site"`
	Version    string             `json:"version"`
	At         record.UTC         `json:"at"`
	Sinks      []Sink             `json:"sinks"`
	Conditions []health.Condition `json:"conditions"`
	Recording  bool               `json:"recording"` // what /readyz says
	Journal    Journal            `json:"journal"`
	Clock      Clock              `json:"clock"`

	Configuration *Configuration `json:"configuration,omitempty"`
}

// stateParts is the state at one moment as JSON, in parts, so that whoever looks at some balances costs no more than putting
// some together. It is not changed any more.
type stateParts struct {
	at       time.Time
	balances []encoded // in the order of the configuration
	rest     []byte    // an object without balances
}

// stateAge is how old the state may be that a page is given: many pages cost no more than one.
const stateAge = 400 * time.Millisecond

type stateCache struct {
	mu    sync.Mutex
	parts *stateParts
}

// stateParts gives the present state, at most stateAge old.
func (s *Server) stateParts() (*stateParts, error) {
	s.state.mu.Lock()
	defer s.state.mu.Unlock()
	now := time.Now()
	if p := s.state.parts; p != nil && now.Sub(p.at) < stateAge {
		return p, nil
	}
	p := &stateParts{at: now}
	for _, b := range s.deps.Source.Balances() {
		data, err := json.Marshal(b)
		if err != nil {
			return nil, err
		}
		p.balances = append(p.balances, encoded{b.ID, data})
	}
	list, recording := s.conditions()
	var configuration *Configuration
	if s.deps.Configuration != nil {
		c := s.deps.Configuration()
		configuration = &c
	}
	var err error
	p.rest, err = json.Marshal(state{
		Configuration: configuration,
		Site:          s.deps.Site, Version: s.deps.Version, At: record.UTC(now),
		Sinks: s.deps.Source.Sinks(), Conditions: list, Recording: recording, Journal: s.deps.Source.Journal(), Clock: s.deps.Source.TimeFacts(),
	})
	if err != nil {
		return nil, err
	}
	s.state.parts = p
	return p, nil
}

// of is the state with the balances that are looked at.
func (p *stateParts) of(look view) []byte {
	b := append(make([]byte, 0, 64+len(p.rest)), `{"balances":[`...)
	first := true
	for _, one := range p.balances {
		if !look.has(one.balance) {
			continue
		}
		if !first {
			b = append(b, ',')
		}
		b, first = append(b, one.json...), false
	}
	return append(append(b, "],"...), p.rest[1:]...)
}

// Now is the time at the site by the clock that stamps have, and the state of that clock: checked, holdover or unchecked. What is due, and
// what a label says of its day, goes by it, and not by the computer's own clock.
func (d *Deps) Now() (now time.Time, clock string) {
	c := d.Source.TimeFacts()
	now = time.Now()
	if c.Ahead != nil {
		now = now.Add(-time.Duration(*c.Ahead * float64(time.Second)))
	}
	return now, c.State
}
