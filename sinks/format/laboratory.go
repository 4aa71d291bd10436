package format

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net/url"
	"strings"

	"weighpost/gateway/record"
	"weighpost/parsers/decimal"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
	"weighpost/parsers/unit"
	"weighpost/sinks"
)

// Laboratory says how weighings become documents of the Allotrope Simple Model.
type Laboratory struct {
	Manifest string `yaml:"manifest" desc:"The manifest that documents name: the release of the model that your readers go by." default:"http://purl.allotrope.org/manifests/balance/REC/2025/03/balance.manifest"`
	NoSample string `yaml:"no_sample" desc:"What stands as sample identifier where a weighing has no sample; the model demands one. Left out: such weighings are refused."`
}

const balanceManifest = "http://purl.allotrope.org/manifests/balance/REC/2025/03/balance.manifest"

func checkLaboratory(c *Choice, r *strict.Report, _ Use) {
	if u, err := url.Parse(c.Laboratory.Manifest); err != nil || !u.IsAbs() || strings.ContainsAny(c.Laboratory.Manifest, " \t\r\n") {
		r.At("manifest").Fault(fmt.Sprintf("%.80q is no absolute URI", c.Laboratory.Manifest), balanceManifest)
	}
}

// documents writes each weighing as one document of the Allotrope Simple Model (ASM) for balances.
//
// What is validated in tests: the structure that all techniques share (core release REC/2025/03: the names, what is required, types
// of values), as far as this document uses it, restated by hand from the published schema (testdata/laboratory-core.schema.json). The
// published file is not part of this repository: WEIGHPOST_ASM_CORE names a folder with it for TestPublishedCoreOfTheModel. The
// schema of the balance technique was not at hand: "sample weight", "gross weight" and "tare weight" are terms of the model's
// vocabulary, but that they stand in this place is not validated. "ASM conversion time" is left out: the same entry always gives
// the same bytes.
//
// A number of JSON is written with the digits as printed, and most readers drop zeros at its end: the printed digits stand beside
// it as text. A unit that the model has no symbol for (it has kg, g, mg, μg and ng) is converted to g, exactly. A weight whose unit
// is unknown or that is out of range, and a result that is no weight, is not held.
type documents struct{ c Laboratory }

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
	doc, err := f.document(&w)
	if err != nil {
		return Payload{}, NotHeld{fmt.Errorf("entry %s: %w", e.ID, err)}
	}
	body, err := json.Marshal(doc)
	if err != nil {
		return Payload{}, NotHeld{fmt.Errorf("entry %s: %w", e.ID, err)}
	}
	return Payload{Type: "application/json", Body: body}, nil
}

// node is one object of the document. Names are those of the model.
type node map[string]any

// add sets a text that is known.
func (n node) add(name, text string) {
	if text != "" {
		n[name] = text
	}
}

func (f documents) document(w *record.Weighing) (node, error) {
	measurement, err := f.measurement(w)
	if err != nil {
		return nil, err
	}
	technique := node{"measurement aggregate document": node{"measurement document": []node{measurement}}}
	technique.add("analyst", learnt(w.Context.Person))
	device := node{"@index": 1, "device type": deviceType, "device identifier": w.Balance.ID}
	device.add("equipment serial number", w.Balance.Serial)
	system := node{"asset management identifier": w.Balance.ID, "device document": []node{device}}
	system.add("equipment serial number", w.Balance.Serial)
	data := node{
		"ASM file identifier": w.ID, "data system instance identifier": w.Site, "database primary key": w.ID,
		"software name": "weighpost", "ASM converter name": "weighpost", "ASM converter version": "1",
	}
	data.add("software version", w.Software.Version)
	return node{
		"$asm.manifest": f.c.Manifest,
		"weighing aggregate document": node{
			"device system document": system, "data system document": data, "weighing document": []node{technique},
		},
	}, nil
}

const deviceType = "balance"

func (f documents) measurement(w *record.Weighing) (node, error) {
	sample := learnt(w.Context.Sample)
	if sample == "" {
		sample = f.c.NoSample
	}
	if sample == "" {
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
	about := node{"sample identifier": sample}
	about.add("batch identifier", learnt(w.Context.Lot))
	m := node{
		"measurement identifier": w.ID, "measurement time": w.Stamp.UTC.String(), "sample document": about, name: weight,
		"device control aggregate document": node{"device control document": []node{
			{"@index": 1, "device type": deviceType, "device identifier": w.Balance.ID},
		}},
		"custom information aggregate document": node{"custom information document": beside(w)},
	}
	m.add("analytical method identifier", learnt(w.Context.Method))
	return m, nil
}

// weightNames are the model's names for the kinds of weight. A balance that does not say which it is shows the weight of what lies
// on it; that it did not say stands beside it.
var weightNames = map[string]string{
	layout.KindUnknown.String(): "sample weight", layout.KindNet.String(): "sample weight", layout.KindGross.String(): "gross weight",
	layout.KindTare.String(): "tare weight", layout.KindPresetTare.String(): "tare weight",
}

// beside lists what the model has no name for.
func beside(w *record.Weighing) []node {
	var all []node
	for _, one := range [][2]string{
		{"digits as printed", w.Value.Digits}, {"unit as printed", w.Value.UnitShown()}, {"kind of weight", w.Value.Kind},
		{"stability", w.Value.Stability}, {"state of the clock", w.Stamp.Clock}, {"error bound of the time in seconds", bound(w)},
		{"fitness of the balance", known(w.Fitness.State)},
	} {
		if one[1] != "" {
			all = append(all, node{"@index": len(all) + 1, "datum label": one[0], "scalar string datum": one[1]})
		}
	}
	return all
}

// known is the state of a balance, "" where nobody looks after it.
func known(state string) string {
	if state == record.FitnessUnknown {
		return ""
	}
	return state
}

// modelUnits are the symbols of the model by UCUM code. That of the microgram begins with U+03BC, the Greek letter.
var modelUnits = map[string]string{"kg": "kg", "g": "g", "mg": "mg", "ug": "\u03bcg", "ng": "ng"}

// quantity gives a weight as the model has it.
func quantity(v *record.Value) (node, error) {
	if v.Range != layout.InRange.String() || v.Digits == "" {
		return nil, fmt.Errorf("its weight is %s range: there is no value", v.Range)
	}
	d, err := decimal.Parse([]byte(v.Digits))
	if err != nil {
		return nil, fmt.Errorf("%.40q is no number: %w", v.Digits, err)
	}
	if symbol, known := modelUnits[v.Unit]; known {
		return node{"value": jsonNumber(v.Digits), "unit": symbol}, nil
	}
	u, known := unit.ByCode(v.Unit)
	if v.Unit == "" {
		u, known, _ = unit.Printed([]byte(v.PrintedUnit))
	}
	grams, _ := unit.ByCode("g")
	if exact := unit.Convert(d, u, grams); known && exact != nil {
		if text, finite := finite(exact); finite {
			return node{"value": json.Number(text), "unit": "g"}, nil
		}
	}
	return nil, fmt.Errorf("its unit %.40q has no symbol in the laboratory model and no exact value in g", v.UnitShown())
}

// jsonNumber writes digits as JSON has numbers: without a plus or zeros in front, and with a digit before the point.
func jsonNumber(digits string) json.Number {
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
