package review

import (
	"bytes"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// members gives the names of all that an entry of a type can hold, at any depth, each by itself and with where it stands.
func members(t reflect.Type, within string, names map[string]bool) {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct || strings.Count(within, ".") > 4 {
		return
	}
	for f := range t.Fields() {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous && name == "" {
			members(f.Type, within, names)
		} else if f.IsExported() && name != "-" && name != "" {
			names[name], names[within+name] = true, true
			members(f.Type, within+name+".", names)
		}
	}
}

// TestOnlyTheContextIsEverAmended: whatever an entry of a run holds, only what it says of sample, lot, container, person, method and fields of its
// own can be amended, and never digits, unit, stamp or frame. What cannot be is refused and changes nothing; what can be leaves the entry as it is.
func TestOnlyTheContextIsEverAmended(t *testing.T) {
	h := newHouse(t)
	p := h.perform(record.RunComplete)
	of := map[string]struct {
		name  string
		holds reflect.Type
		may   []string
		moves bool
	}{
		p.weighings[0].ID: {"a weighing", reflect.TypeFor[record.Weighing](), []string{"sample", "lot", "container", "person", "method", "tray"}, false},
		p.begun.ID:        {"the beginning", reflect.TypeFor[record.RunBegun](), []string{"sample", "lot", "container"}, true},
		p.steps[0].ID:     {"a step", reflect.TypeFor[record.RunStep](), []string{"sample", "lot", "container"}, true},
	}
	refused, done := 0, 0
	for id, entry := range of {
		names := map[string]bool{"tray": true, "container": true, "": true, "Sample": true, "value.Digits": true, "context.sample.id": true}
		members(entry.holds, "", names)
		if !names["stamp"] || entry.name == "a weighing" && !(names["digits"] && names["value.unit"] && names["frame"] && names["stamp.utc"]) {
			t.Fatalf("of %s only %v are known", entry.name, slices.Sorted(maps.Keys(names)))
		}
		for _, field := range slices.Sorted(maps.Keys(names)) {
			before, head := h.entries(), h.journal.Head()
			err := h.corrects(cleo, p.id, Correction{Change: record.CorrectAmend, Of: id, Field: field, After: "9.999", Ref: "INV-7"})
			if !slices.Contains(entry.may, field) {
				if not, _ := denied(err); !not || h.journal.Head() != head {
					t.Errorf("%q of %s was amended: %v", field, entry.name, err)
				}
				refused++
				continue
			}
			h.must(err)
			done++
			for i, e := range before {
				if now := h.entries()[i]; !bytes.Equal(now.JSON, e.JSON) {
					t.Errorf("%q of %s changed the entry %s", field, entry.name, e.ID)
				}
			}
			h.amendedOnly(field, entry.moves)
		}
	}
	t.Logf("%d amendments refused, %d done", refused, done)
}

func (h *house) entries() []record.Entry {
	h.t.Helper()
	all, err := h.journal.Read(h.t.Context(), 0, 1_000_000)
	h.must(err)
	return all
}

// amendedOnly holds that the last correction moved nothing but whose a result is. One weighing that is of another thing than its run does not
// count for it, and says so; it has no other digits.
func (h *house) amendedOnly(field string, moves bool) {
	h.t.Helper()
	list := entriesOf[record.RunCorrected](h, record.KindRunCorrected)
	c := list[len(list)-1]
	for _, one := range c.Worked {
		if one.Step == "one" && one.Value.Digits != "" {
			h.t.Errorf("%q: the weighing itself became %s", field, one.Value.Digits)
		}
	}
	if moves {
		item := *c.Results[0].Item
		if got := map[string]string{"sample": item.Sample, "lot": item.Lot, "container": item.Container}[field]; got != "9.999" {
			h.t.Errorf("%q of the result is %q", field, got)
		}
	}
	if c.Field != field || c.After != "9.999" {
		h.t.Errorf("%+v", c)
	}
}
