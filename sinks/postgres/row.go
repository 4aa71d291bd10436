package postgres

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks/format"
)

// row is one entry, column by column.
type row struct {
	id, kind, site                         string
	seq                                    int64
	balance, clock, digits, value          *string
	unit, valueKind, stability             *string
	sample, person, method, run, lot, json *string
	verdicts                               *string
	utc                                    *time.Time
	passed                                 *bool
	late                                   bool
	entry                                  []byte
}

// number is what PostgreSQL takes for a numeric and a balance prints; longer ones are no weights.
var number = regexp.MustCompile(`^[+-]?([0-9]{1,100}(\.[0-9]{0,100})?|\.[0-9]{1,100})$`)

// rowOf takes an entry apart. An error says that it is no entry.
func rowOf(e record.Entry) (row, error) {
	r := row{id: text(e.ID), kind: text(string(e.Kind)), seq: int64(e.Seq), balance: textOrNull(e.Balance), late: e.Late, entry: e.JSON}
	if e.Seq > 1<<63-1 {
		return r, fmt.Errorf("entry %s has a sequence that PostgreSQL cannot hold", e.ID)
	}
	if !bytes.Contains(e.JSON, []byte(`\u0000`)) {
		document := string(e.JSON)
		r.json = &document
	}
	if format.HasCSV(e.Kind) {
		var w record.Weighing
		if err := json.Unmarshal(e.JSON, &w); err != nil {
			return r, fmt.Errorf("entry %s cannot be read: %w", e.ID, err)
		}
		r.weighing(&w)
		return r, nil
	}
	var other struct {
		Site  string          `json:"site"`
		Stamp json.RawMessage `json:"stamp"`
	}
	if err := json.Unmarshal(e.JSON, &other); err != nil {
		return r, fmt.Errorf("entry %s cannot be read: %w", e.ID, err)
	}
	r.site = text(other.Site)
	var s record.Stamp
	if other.Stamp != nil && json.Unmarshal(other.Stamp, &s) == nil {
		r.stamp(s)
	}
	return r, nil
}

func (r *row) weighing(w *record.Weighing) {
	r.site = text(w.Site)
	r.stamp(w.Stamp)
	r.digits, r.unit = textOrNull(w.Value.Digits), textOrNull(w.Value.Unit)
	if number.MatchString(w.Value.Digits) {
		r.value = &w.Value.Digits
	}
	r.valueKind, r.stability = textOrNull(w.Value.Kind), textOrNull(w.Value.Stability)
	for to, from := range map[**string]*record.Learnt{&r.sample: w.Context.Sample, &r.person: w.Context.Person, &r.method: w.Context.Method,
		&r.run: w.Context.Run, &r.lot: w.Context.Lot} {
		if from != nil {
			id := text(from.ID)
			*to = &id
		}
	}
	if len(w.Verdicts) > 0 {
		if b, err := json.Marshal(w.Verdicts); err == nil && !bytes.Contains(b, []byte(`\u0000`)) {
			verdicts := string(b)
			r.verdicts = &verdicts
		}
	}
	for _, v := range w.Verdicts {
		if v.NotJudged {
			continue
		}
		passed := v.Pass && (r.passed == nil || *r.passed)
		r.passed = &passed
	}
}

func (r *row) stamp(s record.Stamp) {
	at := s.UTC.Time()
	if !at.IsZero() {
		r.utc = &at
	}
	r.clock = textOrNull(string(s.Clock))
}

// text is a text that PostgreSQL can hold: the character NUL, which it cannot, becomes U+FFFD. The column entry has it as it was.
func text(s string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\ufffd"), "\x00", "\ufffd")
}

func textOrNull(s string) *string {
	if s == "" {
		return nil
	}
	s = text(s)
	return &s
}
