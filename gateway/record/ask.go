package record

import (
	"errors"
	"fmt"
	"time"
)

// TriggerAsked is the trigger of a weighing that was recorded because a request asked for it.
const TriggerAsked = "asked"

// ReadRequest asks a balance for its weight now.
type ReadRequest struct {
	Record bool          // the answer is recorded
	Wait   time.Duration // for how long to ask again while the balance says that the weight moves; 0: the first answer counts
	Where  string        // the way it came
	Mark   string        // of the request, as of Actor.Request; "": its sender gave it none
	Person string        // who asks and weighs under their own name only; "": whoever may ask for anybody
}

// longestReadWait bounds ReadRequest.Wait.
const longestReadWait = 60 * time.Second

// ReadAnswer is what a balance answered.
type ReadAnswer struct {
	Balance  string   `json:"balance"`
	Stamp    Stamp    `json:"stamp"`
	Value    Value    `json:"value"`
	Printed  *Printed `json:"printed,omitempty"`
	Recorded string   `json:"recorded,omitempty"` // id of the weighing, which is durable; absent where it was not to be recorded
}

// CommandRequest asks for a command of a balance to be sent to it.
type CommandRequest struct {
	Name, Where string
	By          *Actor // nil: not known
}

// CommandInfo is a command that a balance has.
type CommandInfo struct {
	Name    string `json:"name" doc:"What the configuration calls it." example:"tare"`
	About   string `json:"about,omitempty" doc:"What it does."`
	Caution string `json:"caution,omitempty" doc:"What whoever sends it has to know."`
	Send    string `json:"send" doc:"What is sent, with control characters as the configuration writes them." example:"\"T\\r\\n\""`
	Answer  string `json:"answer" doc:"Whether the balance answers." enum:"none,frame"`
}

// CommandAnswer says that a command was sent.
type CommandAnswer struct {
	Balance string `json:"balance"`
	Command string `json:"command"`
	Caution string `json:"caution,omitempty" doc:"What whoever sends it has to know."`
	Entry   string `json:"entry" doc:"Id of the entry that was in the journal before anything was sent."`
	State   string `json:"state" doc:"sent, or answered where an answer was awaited." enum:"sent,answered"`
	Answer  []byte `json:"answer,omitempty" doc:"The frame that the balance answered, exactly as received."`
	Text    string `json:"text,omitempty" doc:"The same as text, with control characters as the configuration writes them."`
}

// AskRefused says in a sentence why a balance was not asked, or why its answer does not count.
type AskRefused struct {
	Why   string
	Noted bool // it is an entry already
}

func (r *AskRefused) Error() string { return r.Why }

// NoAnswer says in a sentence that a balance was asked and has not answered.
type NoAnswer struct{ Why string }

func (n *NoAnswer) Error() string { return n.Why }

// ErrNoCommand says that the balance has no command of that name.
var ErrNoCommand = errors.New("the balance has no command of that name")

// ErrUnrecorded says that something was not done, or is not certain, because the journal did not take its entry in time.
var ErrUnrecorded = errors.New("it is not in the journal")

// The states of a Command.
const (
	CommandAsked      = "asked"      // about to be sent: the entry is durable before the first byte goes out
	CommandSent       = "sent"       // the port took it; no answer was awaited
	CommandAnswered   = "answered"   // and the balance answered
	CommandUnanswered = "unanswered" // the port took it, and no answer came in time
	CommandNotSent    = "not-sent"   // the balance has not got it, or not all of it
)

// Command says that something was sent to a balance on request. It is two entries: one with the state asked before anything
// is sent, and one that says what became of it and names the first. Where the second is missing, weighpost ended in between,
// and nobody knows whether the balance got it.
type Command struct {
	Head
	Balance About  `json:"balance"`
	Name    string `json:"name"`
	State   string `json:"state"`
	Send    []byte `json:"send"`
	Caution string `json:"caution,omitempty"` // that was shown to whoever sent it
	Where   string `json:"where"`             // the way the request came
	By      *Actor `json:"by,omitempty"`      // who asked for it, as far as known
	// Asked is the id of the first entry of the two; absent in the first.
	Asked  string `json:"asked,omitempty"`
	Why    string `json:"why,omitempty"`    // where it was not sent, or not answered
	Answer []byte `json:"answer,omitempty"` // the frame that the balance answered, exactly as received
	Port   string `json:"port"`
	Stamp  Stamp  `json:"stamp"`
}

func (c *Command) Kind() Kind      { return KindCommand }
func (c *Command) Subject() string { return c.Balance.ID }
func (c *Command) Time() time.Time { return c.Stamp.UTC.Time() }

// ParseReadRequest reads the JSON form of a request for a weight: {"record": true, "wait_s": 10}. Nothing at all is a
// request that records nothing. wait_s is above 0 and at most 60. Unknown names and names that are there twice are refused.
// The error is a sentence.
func ParseReadRequest(b []byte) (ReadRequest, error) {
	var r ReadRequest
	if len(b) == 0 {
		return r, nil
	}
	s := scanner{b: b}
	err := s.whole("the request", func(name string) error {
		known, err := r.member(&s, name)
		if !known {
			return s.wrong(fmt.Sprintf("%q is unknown: a request has record and wait_s", name))
		}
		return err
	})
	return r, err
}

// ParseSentReadRequest reads the same where it carries the mark of its sender in itself, as over a broker:
// {"record": true, "wait_s": 10, "request": "42"}. After an error only the mark counts, where that was readable.
func ParseSentReadRequest(b []byte) (r ReadRequest, mark string, err error) {
	if len(b) == 0 {
		return r, "", nil
	}
	s := scanner{b: b}
	err = s.whole("the request", func(name string) (err error) {
		if name == "request" {
			mark, err = s.mark()
			return err
		}
		known, err := r.member(&s, name)
		if !known {
			return s.wrong(fmt.Sprintf("%q is unknown: a request has record, wait_s and request", name))
		}
		return err
	})
	if err != nil {
		return ReadRequest{}, mark, err
	}
	return r, mark, nil
}

// member reads a member that a request has in each form, and says whether the name is one.
func (r *ReadRequest) member(s *scanner, name string) (known bool, err error) {
	switch name {
	case "record":
		r.Record, err = s.bool(name)
	case "wait_s":
		r.Wait, err = s.seconds(name)
		if err == nil && r.Wait > longestReadWait {
			err = fmt.Errorf("wait_s is above %d: ask again instead", longestReadWait/time.Second)
		}
	default:
		return false, nil
	}
	return true, err
}

// ParseNothing reads the JSON form of a request that needs nothing said: no body, or an object without members.
func ParseNothing(b []byte) error {
	if len(b) == 0 {
		return nil
	}
	s := scanner{b: b}
	return s.whole("the request", func(name string) error {
		return s.wrong(fmt.Sprintf("%q is unknown: the request has no members", name))
	})
}

// whole reads one object and nothing after it.
func (s *scanner) whole(what string, each func(name string) error) error {
	if len(s.b) > maxRequestBytes {
		return fmt.Errorf("%s has %d bytes: at most %d are taken", what, len(s.b), maxRequestBytes)
	}
	err := s.members(what, each)
	if s.next(); err == nil && s.i < len(s.b) {
		err = s.wrong("more follows after the end of " + what)
	}
	return err
}

// bool reads true or false.
func (s *scanner) bool(name string) (bool, error) {
	c := s.next()
	if c != 't' && c != 'f' {
		return false, s.wrong(name + " is true or false")
	}
	return c == 't', s.value(1)
}
