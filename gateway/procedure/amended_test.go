package procedure

import (
	"slices"
	"strings"
	"testing"
)

// twoDishes is a run of two samples, each in a dish of its own.
func twoDishes(t *testing.T) *lab {
	t.Helper()
	l := begin(t, overItems(oneEach), nil, item("S-1", "c1"), item("S-2", "c2")).containers("c1", "c2")
	l.begun.ID = "north-lab/7qx3/@/000900"
	for _, one := range [][4]string{{"S-1", "c1", "20.0000 g", "25.0000 g"}, {"S-2", "c2", "20.1000 g", "26.0000 g"}} {
		l.act(Act{Scan: one[0]})
		l.act(Act{Scan: one[1]})
		l.weigh(one[2]).weigh(one[3])
	}
	l.waits(ForEnd, "")
	return l
}

// stepOf is the id of the entry of a step in a pass.
func (l *lab) stepOf(step string, pass int) string {
	for _, e := range l.log {
		if e.Step == step && e.Pass == pass {
			return e.ID
		}
	}
	l.t.Fatalf("there is no step %s in pass %d", step, pass)
	return ""
}

// of gives the results with whose they are.
func of(f Found) (all []string) {
	for _, one := range f.Results {
		all = append(all, strings.TrimSpace(strings.Join([]string{one.Item.Sample, one.Item.Lot, one.Item.Container, one.Digits}, " ")))
	}
	return all
}

// TestAnAmendedContextMovesItsResults: from the beginning of a run, from a step, from weighings one by one; and what does not move a result.
func TestAnAmendedContextMovesItsResults(t *testing.T) {
	l := twoDishes(t)
	w := l.taken() // the dish and the net mass of each
	for _, c := range []struct {
		name    string
		amended []Amendment
		want    []string // whose each result is, and what
	}{
		{"nothing", nil, []string{"S-1  c1 5.0000", "S-2  c2 5.9000"}},
		{"at the beginning", []Amendment{{l.begun.ID, "sample", "S-1", "S-7"}}, []string{"S-7  c1 5.0000", "S-2  c2 5.9000"}},
		{"at a step", []Amendment{{l.stepOf("which", 2), "sample", "S-2", "S-8"}}, []string{"S-1  c1 5.0000", "S-8  c2 5.9000"}},
		{"two change places", []Amendment{{l.begun.ID, "sample", "S-1", "S-2"}, {l.begun.ID, "sample", "S-2", "S-1"}}, []string{"S-2  c1 5.0000", "S-1  c2 5.9000"}},
		{"twice", []Amendment{{l.begun.ID, "sample", "S-1", "S-7"}, {l.begun.ID, "sample", "S-7", "S-9"}}, []string{"S-9  c1 5.0000", "S-2  c2 5.9000"}},
		{"at a step, and then at the beginning", []Amendment{{l.stepOf("which", 1), "sample", "S-1", "S-7"}, {l.begun.ID, "sample", "S-1", "S-8"}},
			[]string{"S-8  c1 5.0000", "S-2  c2 5.9000"}},
		{"a lot", []Amendment{{l.stepOf("net", 1), "lot", "", "L-1"}}, []string{"S-1 L-1 c1 5.0000", "S-2  c2 5.9000"}},
		{"one of two weighings: it is not of that item any more", []Amendment{{w[3], "sample", "S-2", "S-3"}}, []string{"S-1  c1 5.0000", "S-2  c2"}},
		{"its empty dish", []Amendment{{w[2], "container", "c2", "c3"}}, []string{"S-1  c1 5.0000", "S-2  c2"}},
		{"both weighings: the item follows", []Amendment{{w[3], "sample", "S-2", "S-3"}, {w[2], "sample", "S-2", "S-3"}}, []string{"S-1  c1 5.0000", "S-3  c2 5.9000"}},
		{"who weighed", []Amendment{{w[0], "person", "ada", "ben"}, {l.begun.ID, "person", "ada", "ben"}, {w[1], "method", "", "M-1"}, {w[1], "batch", "", "B-1"}},
			[]string{"S-1  c1 5.0000", "S-2  c2 5.9000"}},
	} {
		f, worked := l.anew(Changes{Amended: c.amended})
		if got := of(f); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q; %q", c.name, got, c.want, whys(worked))
		}
	}
	_, worked := l.anew(Changes{Amended: []Amendment{{w[3], "sample", "S-2", "S-3"}}})
	if got := whys(worked); len(got) != 1 || got[0] != "net#2  | its weighing is of sample S-3, as amended, and the step is of sample S-2" {
		t.Errorf("%q", got)
	}
	if f, _ := l.anew(Changes{Excluded: map[string]string{w[2]: "spilt"}, Amended: []Amendment{{w[3], "sample", "S-2", "S-3"}}}); of(f)[1] != "S-3  c2" {
		t.Errorf("what is left of an item is of S-3, and the item is %q", of(f))
	}
	if _, _, err := Again(l.def, l.begun, l.log, Changes{Amended: []Amendment{{l.begun.ID, "sample", "S-5", "S-6"}}}); err == nil || !strings.Contains(err.Error(), "no single item whose sample is S-5") {
		t.Errorf("%v", err)
	}
}

// TestAnAmendmentIsNeverOfWhatWasMeasured: whatever field an amendment names, what was measured, when, by which balance and from which bytes
// stays. Only sample, lot and container move, and those in the item of a result alone.
func TestAnAmendmentIsNeverOfWhatWasMeasured(t *testing.T) {
	l := twoDishes(t)
	was := l.run.Found()
	fields := []string{"digits", "unit", "value", "value.digits", "frame", "stamp", "stamp.utc", "id", "seq", "balance", "kind", "stability", "range", "verdict", "verdicts", "layout",
		"exact", "limit", "entry", "name", "label", "text", "step", "pass", "worked", "weighing", "run", "person", "method", "sample", "lot", "container", "container.id", "Sample", ""}
	for _, field := range fields {
		for _, where := range append(l.taken(), l.begun.ID, l.stepOf("which", 1), l.stepOf("net", 2)) {
			before := map[string]string{"sample": "S-1", "container": "c1"}[field]
			f, worked, err := Again(l.def, l.begun, l.log, Changes{Amended: []Amendment{{Of: where, Field: field, Before: before, After: "9.9999"}}})
			if err != nil {
				if field != "lot" || where != l.begun.ID { // of two items without a lot nobody knows which is meant
					t.Errorf("%q of %s: %v", field, where, err)
				}
				continue
			}
			if asJSON(t, f.Steps) != asJSON(t, was.Steps) || len(f.Results) != len(was.Results) {
				t.Errorf("%q of %s changed the entries", field, where)
			}
			moves := slices.Contains(ofItem, field)
			for i, r := range f.Results {
				w := was.Results[i]
				if moves {
					r.Item, w.Item = nil, nil
				}
				if r.Digits == "" && moves && len(worked) > 0 { // a weighing of something else: it has none, and says why
					continue
				}
				if asJSON(t, r) != asJSON(t, w) {
					t.Errorf("%q of %s made of\n%s\n%s", field, where, asJSON(t, w), asJSON(t, r))
				}
			}
		}
	}
	t.Logf("%d fields of %d entries", len(fields), len(l.taken())+3)
}
