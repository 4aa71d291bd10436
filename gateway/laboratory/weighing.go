package laboratory

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"strings"

	"weighpost/gateway/record"
	"weighpost/parsers/decimal"
	"weighpost/parsers/layout"
	"weighpost/parsers/unit"
)

// OfWeighing is the document of one weighing. The error is a sentence.
func (c *Config) OfWeighing(w *record.Weighing) (Node, error) {
	m, err := c.measurement(w, learnt(w.Context.Sample), beside(w))
	if err != nil {
		return nil, err
	}
	device := device(&w.Balance)
	device["@index"] = 1
	system := Node{"asset management identifier": w.Balance.ID, "device document": []Node{device}}
	system.add("equipment serial number", w.Balance.Serial)
	return c.document(Node{"device system document": system, "data system document": dataSystem(w.ID, w.ID, w.Site, w.Software.Version),
		"weighing document": []Node{technique(m, learnt(w.Context.Person))}}), nil
}

// technique is one weighing with who weighed.
func technique(measurement Node, analyst string) Node {
	n := Node{"measurement aggregate document": Node{"measurement document": []Node{measurement}}}
	n.add("analyst", analyst)
	return n
}

func device(b *record.Balance) Node {
	n := Node{"device type": deviceType, "device identifier": b.ID}
	n.add("equipment serial number", b.Serial)
	return n
}

const deviceType = "balance"

// measurement is one weighing. sample is whose it is, as far as that is known.
func (c *Config) measurement(w *record.Weighing, sample string, about []Fact) (Node, error) {
	if sample = cmp.Or(sample, c.NoSample); sample == "" {
		return nil, errors.New("it has no sample, and the laboratory model demands one: set no_sample to say what stands in its place")
	}
	weight, err := quantity(&w.Value)
	if err != nil {
		return nil, err
	}
	name, known := weightNames[w.Value.Kind]
	if !known {
		return nil, fmt.Errorf("%.40q is no kind of weight that the laboratory model has a name for", w.Value.Kind)
	}
	of := Node{"sample identifier": sample}
	of.add("batch identifier", learnt(w.Context.Lot))
	m := Node{
		"measurement identifier": w.ID, "measurement time": w.Stamp.UTC.String(), "sample document": of, name: weight,
		"device control aggregate document": Node{"device control document": []Node{
			{"@index": 1, "device type": deviceType, "device identifier": w.Balance.ID},
		}},
		"custom information aggregate document": custom(about),
	}
	m.add("analytical method identifier", learnt(w.Context.Method))
	return m, nil
}

// beside lists what the model has no name for.
func beside(w *record.Weighing) []Fact {
	return []Fact{{"digits as printed", w.Value.Digits}, {"unit as printed", w.Value.UnitShown()}, {"kind of weight", w.Value.Kind},
		{"stability", w.Value.Stability}, {"state of the clock", w.Stamp.Clock}, {"error bound of the time in seconds", bound(w.Stamp)},
		{"fitness of the balance", stateOf(w.Fitness.State)}}
}

// stateOf is the state of a balance, "" where nobody looks after it.
func stateOf(state string) string {
	if state == record.FitnessUnknown {
		return ""
	}
	return state
}

func bound(s record.Stamp) string {
	if s.Bound == nil {
		return ""
	}
	b, err := s.Bound.MarshalJSON()
	if err != nil {
		return "" // a negative span cannot come out of JSON
	}
	return string(b)
}

func learnt(l *record.Learnt) string {
	if l == nil {
		return ""
	}
	return l.ID
}

// weightNames are the model's names for the kinds of weight. A balance that does not say which it is shows the weight of what lies
// on it; that it did not say stands beside it.
var weightNames = map[string]string{
	layout.KindUnknown.String(): "sample weight", layout.KindNet.String(): "sample weight", layout.KindGross.String(): "gross weight",
	layout.KindTare.String(): "tare weight", layout.KindPresetTare.String(): "tare weight",
}

// symbols are those of the model by UCUM code, of mass. That of the microgram begins with U+03BC, the Greek letter.
var symbols = map[string]string{"kg": "kg", "g": "g", "mg": "mg", "ug": "\u03bcg", "ng": "ng"}

// quantity gives a weight as the model has it.
func quantity(v *record.Value) (Node, error) {
	if v.Range != layout.InRange.String() || v.Digits == "" {
		return nil, fmt.Errorf("its weight is %s range: there is no value", v.Range)
	}
	d, err := decimal.Parse([]byte(v.Digits))
	if err != nil {
		return nil, fmt.Errorf("%.40q is no number: %w", v.Digits, err)
	}
	if symbol, known := symbols[v.Unit]; known {
		return Node{"value": number(v.Digits), "unit": symbol}, nil
	}
	u, known := unit.ByCode(v.Unit)
	if v.Unit == "" {
		u, known, _ = unit.Printed([]byte(v.PrintedUnit))
	}
	grams, _ := unit.ByCode("g")
	if exact := unit.Convert(d, u, grams); known && exact != nil {
		if text, finite := finite(exact); finite {
			return Node{"value": json.Number(text), "unit": "g"}, nil
		}
	}
	return nil, fmt.Errorf("its unit %.40q has no symbol in the laboratory model and no exact value in g", v.UnitShown())
}

// number writes digits as JSON has numbers: without a plus or zeros in front, and with a digit before the point.
func number(digits string) json.Number {
	sign := ""
	if rest, minus := strings.CutPrefix(digits, "-"); minus {
		sign, digits = "-", rest
	}
	digits = strings.TrimLeft(strings.TrimPrefix(digits, "+"), "0")
	if digits == "" || digits[0] == '.' {
		digits = "0" + digits
	}
	return json.Number(sign + strings.TrimSuffix(digits, "."))
}

// finite writes a fraction as a decimal, or says that it has no end.
func finite(r *big.Rat) (string, bool) {
	places, exact := r.FloatPrec()
	return r.FloatString(places), exact
}
