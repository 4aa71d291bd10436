package record

import (
	"errors"
	"fmt"
)

// MostDropped is how many requests one file may hold.
const MostDropped = 1000

// DroppedRequest is one request of a file, with the balance that it is for. With Err nothing of it counts but the balance and the sender's
// mark, where they were readable.
type DroppedRequest struct {
	Balance string
	Request ContextRequest
	Err     error // a sentence for whoever wrote the file
}

// ParseDropped reads the requests of a file: one, or a list of at most MostDropped. Each is as ParseContextRequest takes it, with the
// balance that it is for beside the rest:
//
//	{"balance": "b-12", "sample": {"id": "LOT-1003"}, "request": "42"}
//
// One that cannot be taken says so by itself and does not hold up the others. The error is about a file that as a whole is not JSON, or
// no object and no list of them.
func ParseDropped(b []byte) ([]DroppedRequest, error) {
	s := scanner{b: b}
	if s.next() != '[' {
		one, err := s.dropped()
		if err == nil {
			err = s.ended()
		}
		return []DroppedRequest{one}, err
	}
	s.i++
	if s.take(']') {
		return nil, errors.New("the list is empty")
	}
	var list []DroppedRequest
	for {
		if len(list) == MostDropped {
			return nil, fmt.Errorf("the list has more than %d requests", MostDropped)
		}
		one, err := s.dropped()
		if err != nil {
			return nil, err
		}
		list = append(list, one)
		if s.take(']') {
			return list, s.ended()
		}
		if !s.take(',') {
			return nil, s.wrong("a comma or the end of the list should stand here")
		}
	}
}

func (s *scanner) ended() error {
	if s.next(); s.i < len(s.b) {
		return s.wrong("more follows after the end")
	}
	return nil
}

// dropped takes one request. The error says that it is not even an object in JSON.
func (s *scanner) dropped() (DroppedRequest, error) {
	const deepest = 6 // a request has three levels: more is refused as unknown
	if s.next() != '{' {
		return DroppedRequest{}, s.wrong("a request is an object in JSON, or a list of them")
	}
	start := s.i
	if err := s.value(deepest); err != nil {
		return DroppedRequest{}, err
	}
	var d DroppedRequest
	d.Err = d.read(s.b[start:s.i])
	return d, nil
}

func (d *DroppedRequest) read(b []byte) error {
	if len(b) > maxRequestBytes {
		return fmt.Errorf("the request has %d bytes: at most %d are taken", len(b), maxRequestBytes)
	}
	s := scanner{b: b}
	named := false
	err := s.members("the request", func(name string) (err error) {
		if name != "balance" {
			return d.Request.member(&s, name)
		}
		named = true
		if d.Balance, err = s.string("balance"); err != nil {
			return err
		}
		if err := CheckContextID(d.Balance); err != nil {
			d.Balance = ""
			return fmt.Errorf("balance %w", err)
		}
		return nil
	})
	switch {
	case err != nil:
	case !named:
		err = errors.New("balance is missing: name the one that the request is for")
	default:
		err = d.Request.together()
	}
	if err != nil {
		d.Request = ContextRequest{Request: d.Request.Request}
	}
	return err
}
