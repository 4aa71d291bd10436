package format

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// journalJSON is entries as they are in the journal, byte for byte; many are one JSON array.
type journalJSON struct{}

func openJSON(*Choice, sinks.Env) (Format, error) { return journalJSON{}, nil }

func (journalJSON) Carries(record.Kind) bool { return true }
func (journalJSON) Type() string             { return "application/json" }
func (journalJSON) Ext() string              { return ".json" }

func (journalJSON) Entry(e record.Entry) (Payload, error) {
	return Payload{Type: "application/json", Body: JSON(e)}, nil
}

func (journalJSON) Stream(w io.Writer) (Stream, error) {
	return &arrayStream{w: w, body: func(e record.Entry) ([]byte, error) { return JSON(e), nil }}, nil
}

// arrayStream writes one JSON array.
type arrayStream struct {
	w    io.Writer
	body func(record.Entry) ([]byte, error)
	n    int
}

func (s *arrayStream) Add(e record.Entry) error {
	body, err := s.body(e)
	if err != nil {
		return err
	}
	between := ","
	if s.n == 0 {
		between = "["
	}
	s.n++
	if _, err := io.WriteString(s.w, between); err != nil {
		return err
	}
	_, err = s.w.Write(body)
	return err
}

func (s *arrayStream) Close() error {
	end := "]"
	if s.n == 0 {
		end = "[]"
	}
	_, err := io.WriteString(s.w, end)
	return err
}

// lines is newline-delimited JSON.
type lines struct{}

func openNDJSON(*Choice, sinks.Env) (Format, error) { return lines{}, nil }

const ndjsonType = "application/x-ndjson"

func (lines) Carries(record.Kind) bool             { return true }
func (lines) Type() string                         { return ndjsonType }
func (lines) Ext() string                          { return ".ndjson" }
func (lines) Head() []byte                         { return nil }
func (lines) LineEnd() string                      { return "\n" }
func (lines) EndOfRow(b []byte) int                { return bytes.IndexByte(b, '\n') + 1 }
func (l lines) Stream(w io.Writer) (Stream, error) { return newRowStream(w, l) }

func (l lines) Entry(e record.Entry) (Payload, error) {
	body, err := l.AppendRow(nil, e)
	return Payload{Type: ndjsonType, Body: body}, err
}

func (lines) AppendRow(dst []byte, e record.Entry) ([]byte, error) {
	if !OneLine(e) {
		return dst, NotHeld{fmt.Errorf("entry %s has line ends between its fields and is no line", e.ID)}
	}
	return AppendLine(dst, e), nil
}

func (lines) ID(row []byte) (string, error) {
	var e struct{ ID string }
	if err := json.Unmarshal(row, &e); err != nil {
		return "", err
	}
	if e.ID == "" {
		return "", errors.New("it has no id")
	}
	return e.ID, nil
}

// rowStream writes a head and rows.
type rowStream struct {
	w    io.Writer
	rows Rows
	row  []byte
}

func newRowStream(w io.Writer, rows Rows) (Stream, error) {
	if head := rows.Head(); len(head) > 0 {
		if _, err := w.Write(head); err != nil {
			return nil, err
		}
	}
	return &rowStream{w: w, rows: rows}, nil
}

func (s *rowStream) Add(e record.Entry) error {
	row, err := s.rows.AppendRow(s.row[:0], e)
	if err != nil {
		return err
	}
	s.row = row
	_, err = s.w.Write(row)
	return err
}

func (s *rowStream) Close() error { return nil }
