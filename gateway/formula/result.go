package formula

import "weighpost/gateway/metrology"

// Result is what a formula came to.
type Result struct {
	Value   Value // exact; a quantity is in the unit of the result
	Rounded Value // by the rule; the same where nothing is rounded
	Trace   Trace
}

// Trace is what the record keeps of it: enough to work it out again by hand.
type Trace struct {
	Formula   string  `json:"formula"`
	Inputs    []Input `json:"inputs"`
	Unrounded string  `json:"unrounded"`      // in full, or 17 significant digits and "…", without the unit
	Rounded   string  `json:"rounded"`        // with the zeros that belong to the rule, without the unit
	Unit      string  `json:"unit,omitempty"` // UCUM code; "" for a truth and a text
	Rule      string  `json:"rule"`           // "to 0.01 g, half to even", "not rounded"
	Functions []Used  `json:"functions,omitempty"`
}

// Input is a value as it was given.
type Input struct {
	Name   string   `json:"name"`
	Value  string   `json:"value,omitempty"`  // with its unit
	Values []string `json:"values,omitempty"` // of a list
}

// Used is a function that a formula uses.
type Used struct {
	Name   string `json:"name"`
	Says   string `json:"says"`
	Source string `json:"source,omitempty"`
}

func usedOf(name, says string, source metrology.Source) Used {
	u := Used{Name: name, Says: says}
	if source.Name != "" {
		u.Source = source.String()
	}
	return u
}

func (f *Formula) result(v Value, in map[string]Value) (Result, error) {
	r := Result{Trace: Trace{Formula: f.source, Rule: f.rounder.words, Functions: f.Functions()}}
	for _, name := range f.inputs {
		r.Trace.Inputs = append(r.Trace.Inputs, inputOf(name, in[name]))
	}
	r.Value = f.shown(v)
	r.Rounded = r.Value
	if v.Kind != KindQuantity {
		r.Trace.Unrounded, r.Trace.Rounded = v.String(), v.String()
		if v.Kind == KindList {
			r.Trace.Unit = f.unit.Code()
		}
		return r, nil
	}
	r.Trace.Unit, r.Trace.Unrounded = f.unit.Code(), metrology.Exact(r.Value.Quantity.Value())
	rounded, text := f.rounder.round(r.Value.Quantity)
	r.Rounded, r.Trace.Rounded = Of(rounded), text
	return r, nil
}

func inputOf(name string, v Value) Input {
	if v.Kind != KindList {
		return Input{Name: name, Value: v.String()}
	}
	in := Input{Name: name, Values: []string{}}
	for _, q := range v.List {
		in.Values = append(in.Values, q.String())
	}
	return in
}
