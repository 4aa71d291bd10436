package laboratory

import (
	"cmp"
	"errors"
	"fmt"
	"strings"

	"weighpost/gateway/record"
)

// Run is a run that has ended, as far as a document tells of it.
type Run struct {
	File          string // the document's own identifier
	Site, Version string
	Title         string           // of the procedure
	Begun         *record.RunBegun // nil: not known
	Ended         *record.RunEnded
	Weighings     []Weighing          // all of them
	Results       []record.RunResult  // as they stand
	Signatures    []*record.Signature // those that are in force, and no others
	About         []Fact              // what else is to be told
}

// Weighing is one of a run.
type Weighing struct {
	*record.Weighing
	NoMass bool   // it is a result of the balance: pieces, per cent
	Sample string // whose it is, as it stands
	Out    string // why it does not count; "": it counts
	About  []Fact
}

// OfRun is the document of a run: each weighing as a measurement, those that do not count marked as errors; results as they stand as
// calculated data; signatures in force. A weighing that counts and cannot be said exactly is a fault; one that does not count, and what the
// balance gave that is no mass, stands in the custom information then. The error is a sentence.
func (c *Config) OfRun(r *Run) (Node, error) {
	weighings, about, err := c.weighings(r)
	if err != nil {
		return nil, err
	}
	n := Node{"device system document": Node{"device document": devices(r.Weighings)}, "weighing document": weighings,
		"data system document": dataSystem(r.File, r.Ended.Run.ID, r.Site, r.Version), "analysis sequence document": r.sequence()}
	if calculated := r.calculated(); len(calculated) > 0 {
		n["calculated data aggregate document"] = Node{"calculated data document": calculated}
	}
	if len(r.Signatures) > 0 {
		n["electronic signature aggregate document"] = Node{"electronic signature document": r.signatures()}
	}
	for i := range r.Results {
		about = append(about, resultFact(&r.Results[i]))
	}
	n["custom information aggregate document"] = custom(append(about, r.About...))
	return c.document(n), nil
}

// weighings are the measurements; about is what has no place among them.
func (c *Config) weighings(r *Run) (list []Node, about []Fact, err error) {
	for i := range r.Weighings {
		w := &r.Weighings[i]
		if w.NoMass {
			about = append(about, Fact{"result of the balance, " + w.ID, strings.TrimSpace(w.Value.Shown() + outText(w.Out))})
			continue
		}
		m, err := c.measurement(w.Weighing, w.Sample, append(append(beside(w.Weighing), Fact{"does not count, because", w.Out}), w.About...))
		switch {
		case err == nil:
		case w.Out == "":
			return nil, nil, fmt.Errorf("weighing %s counts, and the laboratory model cannot hold it: %w", w.ID, err)
		default:
			shown := cmp.Or(w.Value.Shown(), w.Value.Range+" range")
			about = append(about, Fact{"weighing " + w.ID + ", which the model cannot hold", shown + outText(w.Out)})
			continue
		}
		if w.Out != "" {
			m["error aggregate document"] = Node{"error document": []Node{{"error": "does not count: " + w.Out}}}
		}
		list = append(list, technique(m, learnt(w.Context.Person)))
	}
	if len(list) == 0 {
		return nil, nil, errors.New("the run has no weighing that the laboratory model could hold")
	}
	return list, about, nil
}

func outText(out string) string {
	if out == "" {
		return ""
	}
	return "; does not count: " + out
}

// devices are the balances, each once.
func devices(weighings []Weighing) (list []Node) {
	seen := map[string]bool{}
	for i := range weighings {
		if b := &weighings[i].Balance; !seen[b.ID] {
			seen[b.ID] = true
			d := device(b)
			d["@index"] = len(list) + 1
			list = append(list, d)
		}
	}
	return list
}

// sequence says which run it was, by which version of which procedure.
func (r *Run) sequence() Node {
	run := r.Ended.Run
	n := Node{"written name": "run " + run.ID, "identifier": run.ID, "method identifier": run.Procedure.Hash, "version number": fmt.Sprint(run.Procedure.Version),
		"end time": r.Ended.Stamp.UTC.String()}
	n.add("method name", cmp.Or(r.Title, run.Procedure.Name))
	if r.Begun != nil {
		n["start time"] = r.Begun.Stamp.UTC.String()
	}
	return n
}

// plain are the symbols of the model for what is no mass.
var plain = map[string]string{"%": "%", "1": "(unitless)"}

// calculated are the results that have a number whose unit the model has.
func (r *Run) calculated() (list []Node) {
	for i := range r.Results {
		one := &r.Results[i]
		v := record.Value{Digits: one.Digits, Unit: one.Unit, Range: "in"}
		n, err := quantity(&v)
		if symbol := plain[one.Unit]; symbol != "" && one.Digits != "" {
			n, err = Node{"value": number(one.Digits), "unit": symbol}, nil
		}
		if err != nil {
			continue // it stands in the custom information, as every result does
		}
		d := Node{"@index": len(list) + 1, "calculated data identifier": fmt.Sprintf("%s/%s/%d", r.Ended.Run.ID, one.Name, i+1), "calculated data name": cmp.Or(one.Label, one.Name), "calculated result": n}
		d.add("calculation description", strings.TrimPrefix(strings.Join([]string{itemText(one.Item), "verdict: " + one.Verdict}, "; "), "; "))
		list = append(list, d)
	}
	return list
}

// resultFact says a result as it was rounded, with all its digits.
func resultFact(r *record.RunResult) Fact {
	label := "result " + r.Name
	if item := itemText(r.Item); item != "" {
		label += ", " + item
	}
	parts := []string{strings.TrimSpace(cmp.Or(r.Digits, r.Text, "no value") + " " + r.Unit), "verdict: " + r.Verdict}
	for _, p := range [][2]string{{"limit: ", r.Limit}, {"the run went on with it: ", r.Allowed}, {"it has no value: ", r.Missing}} {
		if p[1] != "" {
			parts = append(parts, p[0]+p[1])
		}
	}
	return Fact{label, strings.Join(parts, "; ")}
}

func itemText(i *record.RunItem) string {
	if i == nil {
		return ""
	}
	var parts []string
	for _, p := range [][2]string{{"sample ", i.Sample}, {"lot ", i.Lot}, {"container ", i.Container}} {
		if p[1] != "" {
			parts = append(parts, p[0]+p[1])
		}
	}
	return strings.Join(parts, ", ")
}

// signatures name who signed the run, as what, and when, by the clocks of the place with their offset.
func (r *Run) signatures() (list []Node) {
	for i, s := range r.Signatures {
		at, _ := s.Stamp.There()
		list = append(list, Node{"@index": i + 1, "account identifier": cmp.Or(s.Login, s.By.ID), "personal name": s.Name, "signature role type": s.Meaning,
			"time": at.Format("2006-01-02T15:04:05.000000Z07:00"), "identifier": r.Ended.Run.ID})
	}
	return list
}
