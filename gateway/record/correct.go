package record

import (
	"errors"
	"fmt"
	"time"
	"unicode"
	"unicode/utf8"
)

// ClockCorrection asks for an entry that says by how much the stamps of a span of entries were wrong, where weighpost itself
// could not see it.
type ClockCorrection struct {
	From, To uint64 // sequences of the first entry and of the last
	Offset   Offset // what has to be added to the stamps
	Bound    Span   // how far a corrected stamp may still be off; above 0
	Reason   string
	By       Actor
}

// ClockCorrectionAnswer says what became of it.
type ClockCorrectionAnswer struct {
	Entry   string `json:"entry" doc:"Id of the entry that says so, which is durable."`
	Seq     uint64 `json:"seq" doc:"Its sequence."`
	Stamps  uint64 `json:"stamps" doc:"Of how many entries it corrects the stamp."`
	FromUTC UTC    `json:"from_utc" doc:"The earliest of their stamps, as written."`
	ToUTC   UTC    `json:"to_utc" doc:"The latest of them."`
}

// RequestRefused says in a sentence why something that a person asked for was not done.
type RequestRefused struct{ Why string }

func (r *RequestRefused) Error() string { return r.Why }

const (
	maxReason    = 500 // characters
	maxActorName = 128 // characters
)

// CheckReason says why a text cannot be the reason for an act, or nil. The error continues a sentence that begins with what
// it is about.
func CheckReason(text string) error {
	if text == "" {
		return errors.New("is missing: say why, for whoever reads the journal later")
	}
	return checkText(text, maxReason)
}

// CheckActorName says why a text cannot name the one who acts, or nil. The error continues a sentence likewise.
func CheckActorName(text string) error {
	if text == "" {
		return errors.New("is missing: say who does this")
	}
	return checkText(text, maxActorName)
}

func checkText(text string, most int) error {
	if !utf8.ValidString(text) {
		return errors.New("is not UTF-8 text")
	}
	if n := utf8.RuneCountInString(text); n > most {
		return fmt.Errorf("has %d characters: at most %d are taken", n, most)
	}
	for _, r := range text {
		if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			return fmt.Errorf("holds the character %U, which cannot be seen", r)
		}
	}
	return nil
}

// Check says what is wrong with a correction by itself, or nil: a sentence without its full stop.
func (c *ClockCorrection) Check() error {
	switch {
	case c.From == 0 || c.To < c.From:
		return fmt.Errorf("from %d to %d is no span of entries: they count from 1, and from is not after to", c.From, c.To)
	case c.Offset == 0:
		return errors.New("offset is 0, which corrects nothing")
	case c.Bound <= 0:
		return errors.New("bound is not above 0: say how far a corrected stamp may still be off")
	}
	if err := CheckReason(c.Reason); err != nil {
		return fmt.Errorf("the reason %w", err)
	}
	return nil
}

// ParseClockCorrection reads the JSON form of a request:
//
//	{"from": 12, "to": 40, "offset_s": "-3.2", "bound_s": 0.5, "reason": "the computer's battery was flat", "by": "ada"}
//
// All of it is needed but for by. Unknown names and names that are there twice are refused. The error is a sentence without its full stop.
func ParseClockCorrection(b []byte) (ClockCorrection, error) {
	var c ClockCorrection
	s := scanner{b: b}
	err := s.whole("the request", func(name string) (err error) {
		switch name {
		case "from":
			c.From, err = s.sequence(name)
		case "to":
			c.To, err = s.sequence(name)
		case "offset_s":
			var text string
			if text, err = s.string(name); err == nil {
				c.Offset, err = ParseOffset(text)
			}
		case "bound_s":
			var d time.Duration
			d, err = s.seconds(name)
			c.Bound = Span(d)
		case "reason":
			c.Reason, err = s.string(name)
		case "by":
			c.By.ID, err = s.string(name)
		default:
			err = s.wrong(fmt.Sprintf("%q is unknown: a request has from, to, offset_s, bound_s, reason and by", name))
		}
		return err
	})
	if err == nil {
		err = c.Check()
	}
	if err == nil && c.By.ID != "" {
		if why := CheckActorName(c.By.ID); why != nil {
			err = fmt.Errorf("by %w", why)
		}
	}
	return c, err
}

// sequence reads the sequence of an entry.
func (s *scanner) sequence(name string) (uint64, error) {
	if n, err := s.unsigned(); err == nil {
		return n, nil
	}
	return 0, s.wrong(name + " is no sequence of an entry, a whole number")
}
