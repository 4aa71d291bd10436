package record

import (
	"errors"
	"fmt"
	"strconv"
	"time"
)

// Bounds of what a lab system sends at once.
const (
	MostRequests     = 100       // together
	MostRequestBytes = 256 << 10 // of one
)

// RequestSent is one thing that a lab system sends: a request, a change of one, or that one is cancelled. Err says in a sentence why it cannot
// be taken; then nothing of it counts but its ids and mark, where they could be read.
type RequestSent struct {
	Request LabRequest // beside Change and Cancel its ids alone count
	Change  *RequestChange
	Cancel  string // why; "": it is not cancelled
	Mark    string // the sender's own, of this message
	Err     error
}

// ParseLabRequests reads the JSON form of what a lab system sends about requests: one, or a list of at most MostRequests.
//
//	{"id": "R-1", "procedure": "thousand-seed-mass", "items": [{"sample": "LOT-1003"}], "priority": 2, "job": "J-7"}
//	{"id": "R-1", "change": {"priority": 1, "reason": "the customer waits"}}
//	{"id": "R-1", "cancel": "the lot was withdrawn"}
//
// Unknown names and names that are there twice are refused, null says nothing, but ends due and balance in a change. One that cannot be taken
// says so by itself and does not hold up the others. The error is about a text that as a whole is not JSON, or no object and no list of them.
// many says that it was a list. from is the sender where a request names none.
func ParseLabRequests(b []byte, from string) (list []RequestSent, many bool, err error) {
	s := scanner{b: b}
	if s.next() != '[' {
		one, err := s.sent(from)
		if err == nil {
			err = s.ended()
		}
		return []RequestSent{one}, false, err
	}
	s.i++
	if s.take(']') {
		return nil, true, errors.New("the list is empty")
	}
	for {
		if len(list) == MostRequests {
			return nil, true, fmt.Errorf("the list has more than %d requests", MostRequests)
		}
		one, err := s.sent(from)
		if err != nil {
			return nil, true, err
		}
		list = append(list, one)
		if s.take(']') {
			return list, true, s.ended()
		}
		if !s.take(',') {
			return nil, true, s.wrong("a comma or the end of the list should stand here")
		}
	}
}

// sent takes one. The error says that it is not even an object in JSON.
func (s *scanner) sent(from string) (one RequestSent, err error) {
	const deepest = 8 // a request has four levels: more is refused as unknown
	if s.next() != '{' {
		return one, s.wrong("a request is an object in JSON, or a list of them")
	}
	start := s.i
	if err := s.value(deepest); err != nil {
		return one, err
	}
	one.Request.From = from
	one.Err = one.read(s.b[start:s.i])
	if one.Err != nil {
		ref := one.Request.RequestRef
		for _, id := range []*string{&ref.From, &ref.ID} {
			if CheckContextID(*id) != nil {
				*id = ""
			}
		}
		one.Request, one.Change, one.Cancel = LabRequest{RequestRef: ref}, nil, ""
	}
	return one, nil
}

func (r *RequestSent) read(b []byte) error {
	if len(b) > MostRequestBytes {
		return fmt.Errorf("the request has %d bytes: at most %d are taken", len(b), MostRequestBytes)
	}
	s := scanner{b: b}
	more := "" // a member that stands beside neither change nor cancel
	err := s.members("the request", func(name string) (err error) {
		switch name {
		case "request":
			r.Mark, err = s.mark()
		case "change":
			r.Change = &RequestChange{}
			err = s.members("change", func(name string) error { return r.Change.member(&s, name) })
		case "cancel":
			if r.Cancel, err = s.string("cancel"); err == nil && CheckReason(r.Cancel) != nil {
				err = fmt.Errorf("the reason in cancel %w", CheckReason(r.Cancel))
			}
		default:
			if name != "id" && name != "from" {
				more = name
			}
			err = r.Request.member(&s, name)
		}
		return err
	})
	switch {
	case err != nil:
		return err
	case r.Change != nil && r.Cancel != "":
		return errors.New("it is changed and cancelled at once: say one of the two")
	case (r.Change != nil || r.Cancel != "") && more != "":
		return fmt.Errorf("%s stands beside a change: what changes is said within change, and only id and from beside it", more)
	case r.Change != nil || r.Cancel != "":
		return checkRef(r.Request.RequestRef)
	}
	return r.Request.Check()
}

func checkRef(ref RequestRef) error {
	for _, one := range []struct{ name, id string }{{"from", ref.From}, {"id", ref.ID}} {
		if err := CheckContextID(one.id); err != nil {
			return fmt.Errorf("%s %w", one.name, err)
		}
	}
	return nil
}

// member takes one member of a request.
func (l *LabRequest) member(s *scanner, name string) (err error) {
	if s.next() == 'n' {
		return s.value(1)
	}
	switch name {
	case "from":
		l.From, err = s.string(name)
	case "id":
		l.ID, err = s.string(name)
	case "procedure":
		l.Procedure, err = s.string(name)
	case "version":
		l.Version, err = s.count(name, mostRequestVersion)
	case "items":
		l.Items, err = s.runItems()
	case "parameters":
		l.Parameters, err = s.texts(name, mostRequestParameters)
	case "balance":
		l.Balance, err = s.string(name)
	case "priority":
		l.Priority, err = s.count(name, lastPriority)
	case "due":
		l.Due, err = s.instant(name)
	case "job":
		l.Job, err = s.string(name)
	case "task":
		l.Task, err = s.string(name)
	case "fields":
		l.Fields, err = s.texts(name, maxContextField)
	default:
		err = s.wrong(strconv.Quote(name) + " is unknown: a request has id, procedure, version, items, parameters, balance, priority, due, job, task, fields and from; or change, or cancel, beside its id")
	}
	return err
}

// member takes one member of a change.
func (c *RequestChange) member(s *scanner, name string) (err error) {
	none := s.next() == 'n'
	if none {
		err = s.value(1)
	}
	switch {
	case err != nil:
	case name == "due" && none:
		c.NotDue = true
	case name == "due":
		c.Due, err = s.instant(name)
	case name == "balance" && none:
		c.Balance = new(string)
	case name == "balance":
		c.Balance = new(string)
		*c.Balance, err = s.string(name)
	case name == "priority" && !none:
		c.Priority, err = s.count(name, lastPriority)
	case name == "reason" && !none:
		if c.Reason, err = s.string(name); err == nil && c.Reason != "" {
			if err = CheckReason(c.Reason); err != nil {
				err = fmt.Errorf("the reason %w", err)
			}
		}
	case name != "priority" && name != "reason":
		err = s.wrong(strconv.Quote(name) + " is unknown: priority, due and balance of a request change, for a reason")
	}
	return err
}

// ParseRequestChange reads a change alone: {"priority": 1, "due": null, "reason": "the customer waits"}.
func ParseRequestChange(b []byte) (c RequestChange, err error) {
	s := scanner{b: b}
	return c, s.whole("the change", func(name string) error { return c.member(&s, name) })
}

// runItems reads what a run is to be about.
func (s *scanner) runItems() ([]RunItem, error) {
	return objects(s, "items", "an item", MostRequestItems, (*RunItem).member)
}

func (i *RunItem) member(s *scanner, name string) (err error) {
	if s.next() == 'n' {
		return s.value(1)
	}
	switch name {
	case "sample":
		i.Sample, err = s.string(name)
	case "lot":
		i.Lot, err = s.string(name)
	case "container":
		i.Container, err = s.string(name)
	case "position":
		i.Position, err = s.count(name, MostRequestItems)
	case "fields":
		i.Fields, err = s.texts(name, maxContextField)
	default:
		err = s.wrong(strconv.Quote(name) + " is unknown: an item has sample, lot, container, position and fields")
	}
	return err
}

// texts reads an object of texts.
func (s *scanner) texts(what string, most int) (m map[string]string, err error) {
	err = s.members(what, func(name string) (err error) {
		if len(m) == most {
			return s.wrong(fmt.Sprintf("%s has more than %d names", what, most))
		}
		if m == nil {
			m = map[string]string{}
		}
		m[name], err = s.string(fmt.Sprintf("%.40q in %s", name, what))
		return err
	})
	return m, err
}

// count reads a whole number from 1.
func (s *scanner) count(name string, most int) (int, error) {
	text, err := s.numeral()
	n := 0
	if err == nil {
		n, err = strconv.Atoi(string(text))
	}
	if err != nil || n < 1 || n > most {
		return 0, fmt.Errorf("%s is no number that can be used: 1 to %d", name, most)
	}
	return n, nil
}

// instant reads a time as in RFC 3339.
func (s *scanner) instant(name string) (*UTC, error) {
	text, err := s.string(name)
	if err != nil {
		return nil, err
	}
	t, err := time.Parse(time.RFC3339, text)
	if t = t.UTC(); err != nil || t.Year() < 2000 || t.Year() > 2999 {
		return nil, fmt.Errorf("%s is no time as in RFC 3339, such as 2027-01-31T12:00:00Z", name)
	}
	u := UTC(t)
	return &u, nil
}
