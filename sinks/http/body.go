package http

import (
	"bytes"
	"errors"
	"fmt"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// body writes what one request carries. What the format can never hold is refused; of a batch, the caller finds out which.
func (s *Sink) body(batch []record.Entry) (format.Payload, error) {
	switch s.cfg.Body {
	case Batch:
		return s.stream(batch)
	case Lines:
		return lines(batch)
	case Array:
		return format.Payload{Type: "application/json", Body: format.Array(batch)}, nil
	}
	p, err := s.format.Entry(batch[0])
	if err != nil {
		return p, sinks.Refused{Err: fmt.Errorf("entry %s cannot be written: %w", batch[0].ID, err)}
	}
	return p, nil
}

func lines(batch []record.Entry) (p format.Payload, err error) {
	p.Type = "application/x-ndjson"
	for _, e := range batch {
		switch {
		case format.OneLine(e):
			p.Body = format.AppendLine(p.Body, e)
		case len(batch) == 1:
			return p, sinks.Refused{Err: fmt.Errorf("entry %s has line ends between its fields and is no line", e.ID)}
		default:
			return p, sinks.Refused{Err: errors.New("an entry is no line")}
		}
	}
	return p, nil
}

func (s *Sink) stream(batch []record.Entry) (format.Payload, error) {
	var b bytes.Buffer
	to, err := s.format.Stream(&b)
	for i := 0; err == nil && i < len(batch); i++ {
		if err = to.Add(batch[i]); err != nil {
			err = fmt.Errorf("entry %s cannot be written: %w", batch[i].ID, err)
		}
	}
	if err == nil {
		err = to.Close()
	}
	if err != nil { // a buffer takes everything: it is the format that says no
		return format.Payload{}, sinks.Refused{Err: err}
	}
	return format.Payload{Type: s.format.Type(), Body: b.Bytes()}, nil
}
