package record

import (
	"fmt"
	"time"
)

// SampleList is what somebody announces.
type SampleList struct {
	Samples []Sample
	Request string
}

// MostSampleBytes bounds the JSON of samples that are announced together, and mostSamples their number.
const (
	MostSampleBytes = 4 << 20
	mostSamples     = 10_000
)

// ParseSamples reads the JSON form in which samples are announced: one, or several.
//
//	{"id": "LOT-1003", "lot": "2026-07", "method": "moisture", "run": "R-1", "fields": {"box": "B7"}, "expires": "2027-01-31T00:00:00Z"}
//	{"samples": [{"id": "LOT-1003"}, {"id": "LOT-1004"}], "request": "42"}
//
// Unknown names and names that are there twice are refused, null says nothing. The error is a sentence.
func ParseSamples(b []byte) (SampleList, error) {
	if len(b) > MostSampleBytes {
		return SampleList{}, fmt.Errorf("the request has %d bytes: at most %d are taken", len(b), MostSampleBytes)
	}
	s := scanner{b: b}
	var list SampleList
	var one Sample
	several := false
	err := s.members("the request", func(name string) (err error) {
		switch name {
		case "samples":
			several = true
			list.Samples, err = objects(&s, "samples", "a sample", mostSamples, (*Sample).member)
			return err
		case "request":
			list.Request, err = s.mark()
			return err
		}
		return one.member(&s, name)
	})
	if s.next(); err == nil && s.i < len(b) {
		err = s.wrong("more follows after the end of the request")
	}
	switch {
	case err != nil:
		return SampleList{}, err
	case !several:
		list.Samples = []Sample{one}
	case one.ID != "" || len(one.Brings()) > 0 || one.Expires != nil:
		return SampleList{}, fmt.Errorf("samples stands beside what is said of one sample: say it within samples")
	}
	for i := range list.Samples {
		if err := list.Samples[i].Check(); err != nil {
			return SampleList{}, fmt.Errorf("sample %d: %w", i+1, err)
		}
	}
	return list, nil
}

// objects reads a list of at most so many objects, which may be empty and is never nil. What is the name of the list, one that of what it holds.
func objects[T any](s *scanner, what, one string, most int, member func(*T, *scanner, string) error) ([]T, error) {
	list := []T{}
	if !s.take('[') {
		return nil, s.wrong(what + " is a list")
	}
	if s.take(']') {
		return list, nil
	}
	for {
		if len(list) == most {
			return nil, s.wrong(fmt.Sprintf("%s has more than %d", what, most))
		}
		var t T
		if err := s.members(one, func(name string) error { return member(&t, s, name) }); err != nil {
			return nil, err
		}
		list = append(list, t)
		if s.take(']') {
			return list, nil
		}
		if !s.take(',') {
			return nil, s.wrong("a comma or the end of the list should stand here")
		}
	}
}

// member takes one member of what is said of a sample.
func (p *Sample) member(s *scanner, name string) (err error) {
	if s.next() == 'n' && name != "id" {
		return s.value(1)
	}
	switch name {
	case "id":
		p.ID, err = s.string("id")
	case "lot":
		p.Lot, err = s.string("lot")
	case "method":
		p.Method, err = s.string("method")
	case "run":
		p.Run, err = s.string("run")
	case "fields":
		return s.members("fields", func(field string) error {
			if len(p.Fields) == maxContextField {
				return fmt.Errorf("fields has more than %d names", maxContextField)
			}
			if p.Fields == nil {
				p.Fields = map[string]string{}
			}
			p.Fields[field], err = s.string("the field " + field)
			return err
		})
	case "expires":
		var text string
		if text, err = s.string("expires"); err == nil {
			p.Expires, err = ParseExpires(text)
		}
	default:
		err = s.wrong(fmt.Sprintf("%q is unknown: a sample has id, lot, method, run, fields and expires", name))
	}
	return err
}

// ParseExpires reads until when a sample may be weighed: a time as in RFC 3339, or a day, which counts up to its end (UTC).
func ParseExpires(text string) (*UTC, error) {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		if t, err = time.Parse(time.DateOnly, text); err == nil {
			t = t.AddDate(0, 0, 1)
		}
	}
	if err != nil || t.Year() < 2000 || t.Year() > 2999 {
		return nil, fmt.Errorf("expires is neither a time as in RFC 3339, such as 2027-01-31T12:00:00Z, nor a day, such as 2027-01-31")
	}
	u := UTC(t.UTC())
	return &u, nil
}
