package format

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"weighpost/gateway/laboratory"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

func checkLaboratory(c *Choice, r *strict.Report, _ Use) { c.Laboratory.Check(r) }

// documents writes each weighing as one document of the laboratory model. A weight whose unit is unknown or that is out of range, and a
// result that is no weight, is not held.
type documents struct{ c laboratory.Config }

func openLaboratory(c *Choice, _ sinks.Env) (Format, error) { return documents{c.Laboratory}, nil }

func (documents) Carries(k record.Kind) bool { return isWeighing(k) }
func (documents) Type() string               { return "application/json" }
func (documents) Ext() string                { return ".json" }

func isWeighing(k record.Kind) bool { return k == record.KindWeighing }

// Stream is none: a document has one device and one primary key.
func (documents) Stream(io.Writer) (Stream, error) {
	return nil, errors.New("a document of the laboratory model holds one weighing: many do not go into one body")
}

func (f documents) Entry(e record.Entry) (Payload, error) {
	if !isWeighing(e.Kind) {
		return Payload{}, NotHeld{fmt.Errorf("entry %s is of the kind %q: the laboratory model holds only weighings", e.ID, e.Kind)}
	}
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		return Payload{}, NotHeld{fmt.Errorf("entry %s cannot be read: %w", e.ID, err)}
	}
	doc, err := f.c.OfWeighing(&w)
	if err != nil {
		return Payload{}, NotHeld{fmt.Errorf("entry %s: %w", e.ID, err)}
	}
	body, err := json.Marshal(doc)
	if err != nil {
		return Payload{}, NotHeld{fmt.Errorf("entry %s: %w", e.ID, err)}
	}
	return Payload{Type: "application/json", Body: body}, nil
}
