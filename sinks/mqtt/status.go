package mqtt

import (
	"crypto/rand"
	"encoding/json"
	"time"

	"weighpost/gateway/record"
)

// Status is what the retained status topic says.
type Status struct {
	Schema string `json:"schema"`
	State  string `json:"state"` // online or offline
	Site   string `json:"site"`
	Sink   string `json:"sink"`
	// Connection is made anew for each connection, so that an offline can be matched with its online.
	Connection string `json:"connection"`
	// Connected is the time, by our own clock, at which the connection was made.
	Connected record.UTC `json:"connected"`
	// UTC is when an orderly end was published. It is absent in a last will, whose time only the broker knows.
	UTC *record.UTC `json:"utc,omitempty"`
	Why string      `json:"why,omitempty"` // of offline
	// Requests is open, or declined where the broker does not let us hear them. Absent where none are to be taken.
	Requests string `json:"requests,omitempty"`
	// Reads is the same for requests for a weight.
	Reads string `json:"reads,omitempty"`
	// Runs is the same for requests for runs.
	Runs string `json:"runs,omitempty"`
	// Conditions are what is wrong in the daemon, as it told. Absent as long as it has told nothing.
	Conditions json.RawMessage `json:"conditions,omitempty"`

	said *[]byte // what Conditions was made of
}

const (
	statusSchema = "weighpost.status/1"
	online       = "online"
	offline      = "offline"

	requestsOpen     = "open"
	requestsDeclined = "declined"

	whyLost    = "the connection was lost, or weighpost ended without saying so"
	whyStopped = "weighpost stopped in good order"
	whyMoved   = "weighpost went on with another broker"
)

// newStatus begins the status of a connection.
func newStatus(site, sink string, now time.Time) Status {
	return Status{Schema: statusSchema, State: online, Site: site, Sink: sink,
		Connection: rand.Text(), Connected: record.UTC(now.UTC())}
}

// say puts conditions, which are JSON or nil, into the status.
func (s *Status) say(conditions *[]byte) {
	if s.said = conditions; conditions != nil {
		s.Conditions = *conditions
	}
}

func (s Status) online() []byte { return s.encode() }

// will is what the broker publishes for us when it loses us.
func (s Status) will() []byte {
	s.State, s.Why, s.Requests, s.Reads, s.Runs, s.Conditions = offline, whyLost, "", "", "", nil
	return s.encode()
}

func (s Status) stopped(now time.Time) []byte { return s.ended(now, whyStopped) }
func (s Status) moved(now time.Time) []byte   { return s.ended(now, whyMoved) }

func (s Status) ended(now time.Time, why string) []byte {
	utc := record.UTC(now.UTC())
	s.State, s.Why, s.UTC, s.Requests, s.Reads, s.Runs, s.Conditions = offline, why, &utc, "", "", "", nil
	return s.encode()
}

func (s Status) encode() []byte {
	b, err := json.Marshal(s)
	if err != nil {
		panic("mqtt: a status cannot be encoded: " + err.Error()) // only strings, times and JSON that was validated: cannot happen
	}
	return b
}
