package sinktest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"testing"

	"weighpost/gateway/record"
)

// Fact is what must come through a sink unchanged: which weighing, how much, when.
type Fact struct {
	ID, Balance              string
	Digits, Unit             string // with sign and every digit, as in the record
	PrintedUnit              string
	Kind, Stability, InRange string
	UTC                      string // RFC 3339, six decimals
	Sample                   string
}

// ParseJSON reads the facts of one or more entries in JSON: one object, several one after another, or an array.
func ParseJSON(a Arrival) ([]Fact, error) {
	body := bytes.TrimSpace(a.Body)
	var list []json.RawMessage
	if bytes.HasPrefix(body, []byte("[")) {
		if err := json.Unmarshal(body, &list); err != nil {
			return nil, err
		}
	} else {
		d := json.NewDecoder(bytes.NewReader(body))
		for {
			var one json.RawMessage
			if err := d.Decode(&one); err == io.EOF {
				break
			} else if err != nil {
				return nil, err
			}
			list = append(list, one)
		}
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("no entry in %q", a.Body)
	}
	var facts []Fact
	for _, raw := range list {
		f, err := factOf(raw)
		if err != nil {
			return nil, err
		}
		facts = append(facts, f)
	}
	return facts, nil
}

// FactOf reads the facts of an entry.
func FactOf(t testing.TB, e record.Entry) Fact {
	t.Helper()
	f, err := factOf(e.JSON)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// factOf reads JSON by names of its own rather than through package record, so that it is a second opinion.
func factOf(raw []byte) (Fact, error) {
	var w struct {
		ID      string
		Balance struct{ ID string }
		Value   struct {
			Digits, Unit, Kind, Stability, Range string
			PrintedUnit                          string `json:"printed_unit"`
		}
		Stamp   struct{ UTC string }
		Context struct{ Sample *struct{ ID string } }
	}
	if err := json.Unmarshal(raw, &w); err != nil {
		return Fact{}, err
	}
	if w.ID == "" {
		return Fact{}, fmt.Errorf("no id in %q", raw)
	}
	f := Fact{ID: w.ID, Balance: w.Balance.ID, Digits: w.Value.Digits, Unit: w.Value.Unit, PrintedUnit: w.Value.PrintedUnit,
		Kind: w.Value.Kind, Stability: w.Value.Stability, InRange: w.Value.Range, UTC: w.Stamp.UTC}
	if w.Context.Sample != nil {
		f.Sample = w.Context.Sample.ID
	}
	return f, nil
}

// same checks that exactly these entries arrived, each at least once and each time alike, and that first arrivals keep the
// order of each balance.
func (h *Harness) same(t *testing.T, sent []record.Entry) {
	t.Helper()
	want := make(map[string]Fact, len(sent))
	order := make(map[string][]string)
	for _, e := range sent {
		f := FactOf(t, e)
		want[e.ID] = f
		order[f.Balance] = append(order[f.Balance], e.ID)
	}
	seen := make(map[string]int)
	for _, f := range h.facts(t) {
		w, known := want[f.ID]
		if !known {
			t.Fatalf("%s arrived and was never sent", f.ID)
		}
		if f != w {
			t.Fatalf("%s arrived changed:\n got  %+v\n want %+v", f.ID, f, w)
		}
		if seen[f.ID]++; seen[f.ID] > 1 {
			if h.Once {
				t.Fatalf("%s is at the destination %d times", f.ID, seen[f.ID])
			}
			continue
		}
		if next := order[f.Balance]; next[0] != f.ID {
			t.Fatalf("balance %s: %s arrived before %s", f.Balance, f.ID, next[0])
		}
		order[f.Balance] = order[f.Balance][1:]
	}
	for _, e := range sent {
		if seen[e.ID] == 0 {
			t.Fatalf("%s was accepted and is not at the destination (%d of %d are)", e.ID, len(seen), len(sent))
		}
	}
}
