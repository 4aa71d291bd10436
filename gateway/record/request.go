package record

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"time"
	"unicode/utf8"
)

// ParseContextRequest reads the JSON form of a request, which the HTTP API and the broker take alike:
//
//	{"person": {"id": "p-07", "for_s": 3600}, "sample": {"id": "LOT-1003", "uses": 1}, "lot": null,
//	 "fields": {"box": {"id": "B7"}}, "request": "42"}
//
// or {"sign_out": true}, which ends everything and stands beside no item. A sender whose request may be on its way for long
// adds "sent": "2026-11-25T10:04:05Z" and "valid_s": 30: later than that it is refused.
//
// "label": "0047-112" confirms which balance is connected: what somebody read off it, its id, serial number or printed name.
//
// "confirm": true says that whoever sends it was told what is unusual about the sample (see ContextRefused.Ask), and means it.
//
// null, and an id that is empty, end an item. for_s is above 0 and at most 31 days; uses is 1 to 1,000,000, or -1 for until
// it is replaced. Unknown names and names that are there twice are refused. After an error, which is a sentence that names
// the member, nothing of the request counts but its Request, where that was readable.
func ParseContextRequest(b []byte) (ContextRequest, error) {
	if len(b) > maxRequestBytes {
		return ContextRequest{}, fmt.Errorf("the request has %d bytes: at most %d are taken", len(b), maxRequestBytes)
	}
	s := scanner{b: b}
	var r ContextRequest
	err := s.members("the request", func(name string) error { return r.member(&s, name) })
	if s.next(); err == nil && s.i < len(b) {
		err = s.wrong("more follows after the end of the request")
	}
	if err == nil {
		err = r.together()
	}
	if err != nil {
		return ContextRequest{Request: r.Request}, err
	}
	return r, nil
}

// together finds members that do not fit each other.
func (r *ContextRequest) together() error {
	switch {
	case r.Sent.IsZero() != (r.Valid == 0):
		return errors.New("sent and valid_s go together: when the request was sent, and for how many seconds from then on it holds")
	case r.SignOut && (len(r.Fields) > 0 || r.Person != nil || r.Sample != nil || r.Method != nil || r.Run != nil || r.Lot != nil):
		return errors.New("sign_out ends everything, so no item may stand beside it")
	}
	return nil
}

// CheckAge says in a sentence why a request that says how long it holds is not to be carried out at a time, or nil. bound is
// how far that time may be off.
func (r *ContextRequest) CheckAge(now time.Time, bound time.Duration) error {
	const slack = 5 * time.Second // between the clocks of two systems that nobody would call wrong
	if r.Sent.IsZero() {
		return nil
	}
	age := now.Sub(r.Sent).Round(time.Millisecond)
	switch {
	case age > r.Valid:
		return &ContextRefused{Why: fmt.Sprintf("The request was sent %s ago and holds for %s: it came too late.", age, r.Valid)}
	case age < -slack-bound:
		return &ContextRefused{Why: fmt.Sprintf("The request says that it was sent %s from now: the clocks of its sender and of weighpost differ.", -age)}
	}
	return nil
}

// members walks over an object and refuses a name that is there twice or is spelt with escapes.
func (s *scanner) members(what string, each func(name string) error) error {
	seen := map[string]bool{}
	if s.next() != '{' {
		return s.wrong(what + " has to be an object")
	}
	return s.object(func(name []byte) error {
		switch n := string(name); {
		case bytes.IndexByte(name, '\\') >= 0:
			return s.wrong("the name of a member is written with escapes")
		case seen[n]:
			return s.wrong("the name " + strconv.Quote(n) + " is there twice")
		default:
			seen[n] = true
			return each(n)
		}
	})
}

func (r *ContextRequest) member(s *scanner, name string) (err error) {
	if place := r.Item(name); place != nil {
		*place, err = s.item(name)
		return err
	}
	switch name {
	case "fields":
		return r.fields(s)
	case "request":
		r.Request, err = s.mark()
		return err
	case "confirm":
		r.Confirm, err = s.truth("confirm")
		return err
	case "label":
		if r.Label, err = s.string("label"); err != nil {
			return err
		}
		if err := CheckContextID(r.Label); err != nil {
			return fmt.Errorf("label %w", err)
		}
		return nil
	case "sign_out":
		if s.next() != 't' {
			return s.wrong("sign_out is true, or left out")
		}
		r.SignOut = true
		return s.value(1)
	case "sent":
		text, err := s.string("sent")
		if err != nil {
			return err
		}
		if r.Sent, err = time.Parse(time.RFC3339, text); err != nil || r.Sent.IsZero() {
			return fmt.Errorf("sent is no time as in RFC 3339, such as 2026-11-25T10:04:05Z")
		}
		return nil
	case "valid_s":
		r.Valid, err = s.seconds("valid_s of the request")
		return err
	}
	return s.wrong(strconv.Quote(name) + " is unknown: a request has person, sample, method, run, lot, fields, label, sign_out, confirm, request, sent and valid_s")
}

func (r *ContextRequest) fields(s *scanner) error {
	return s.members("fields", func(name string) error {
		if err := CheckFieldName(name); err != nil {
			return fmt.Errorf("the name %q in fields %w", name, err)
		}
		if len(r.Fields) == maxContextField {
			return fmt.Errorf("fields has more than %d names", maxContextField)
		}
		item, err := s.item(name)
		if err != nil {
			return err
		}
		if r.Fields == nil {
			r.Fields = map[string]*ContextItem{}
		}
		r.Fields[name] = item
		return nil
	})
}

// item reads an item, where null is one that ends.
func (s *scanner) item(name string) (*ContextItem, error) {
	if s.next() == 'n' {
		return &ContextItem{}, s.value(1)
	}
	item, named := ContextItem{}, false
	err := s.members(name, func(member string) (err error) {
		switch member {
		case "id":
			named = true
			item.ID, err = s.string("the id of " + name)
			if err == nil && item.ID != "" {
				if err := CheckContextID(item.ID); err != nil {
					return fmt.Errorf("the id of %s %w", name, err)
				}
			}
		case "for_s":
			item.For, err = s.seconds("for_s of " + name)
		case "uses":
			item.Uses, err = s.uses(name)
		default:
			err = s.wrong(strconv.Quote(member) + " is unknown: " + name + " has id, for_s and uses")
		}
		return err
	})
	switch {
	case err != nil:
		return nil, err
	case !named:
		return nil, fmt.Errorf("%s has no id: give it one, or null to end it", name)
	case item.ID == "" && item != ContextItem{}:
		return nil, fmt.Errorf("%s has an empty id, which ends it, and a limit beside it: give one of the two", name)
	}
	return &item, nil
}

// string reads a text.
func (s *scanner) string(name string) (string, error) {
	inner, err := s.quoted(name)
	if err != nil {
		return "", err
	}
	if !utf8.Valid(inner) {
		return "", s.wrong(name + " is not UTF-8 text")
	}
	return unquote(inner)
}

func (s *scanner) seconds(name string) (time.Duration, error) {
	text, err := s.numeral()
	var span Span
	if err == nil {
		err = span.UnmarshalJSON(text)
	}
	if d := time.Duration(span); err != nil || d <= 0 || d > maxContextFor {
		return 0, fmt.Errorf("%s is no length of time that can be used: a number of seconds above 0, at most %d", name, maxContextFor/time.Second)
	}
	return time.Duration(span), nil
}

func (s *scanner) uses(name string) (int, error) {
	text, err := s.numeral()
	n := 0
	if err == nil {
		n, err = strconv.Atoi(string(text))
	}
	if err != nil || n != -1 && (n < 1 || n > maxContextUses) {
		return 0, fmt.Errorf("uses of %s is no number that can be used: 1 to %d weighings, or -1 for until it is replaced", name, maxContextUses)
	}
	return n, nil
}

// numeral consumes a number and gives it as written.
func (s *scanner) numeral() ([]byte, error) {
	if c := s.next(); c != '-' && (c < '0' || c > '9') {
		return nil, errors.New("no number")
	}
	start := s.i
	err := s.number()
	return s.b[start:s.i], err
}
