package format

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"

	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
	"weighpost/parsers/unit"
	"weighpost/sinks"
)

// LineForm says how weighings are printed as a balance prints them.
type LineForm struct {
	Layout string   `yaml:"layout" desc:"How the line or block looks: the text of a layout, as in a layout file."`
	File   string   `yaml:"file" desc:"In place of layout: the absolute path of a layout file. It is read when weighpost starts or takes over another configuration."`
	Add    []string `yaml:"add" desc:"What the layout gets from weighpost where the balance itself printed none. time: date and time of the stamp, by the clock of the place; balance: the id of the balance." enum:"time,balance"`
}

// layout reads and parses what the configuration names.
func (l *LineForm) layout() (*layout.Layout, error) {
	text, err := oneText(l.Layout, l.File)
	if err != nil {
		return nil, err
	}
	parsed, err := layout.Parse(cmp.Or(l.File, "layout"), text)
	if err != nil {
		return nil, fmt.Errorf("the layout cannot be used: %w", err)
	}
	return parsed, nil
}

func checkLine(c *Choice, r *strict.Report, _ Use) {
	if !checkOneText(r, "layout", c.Line.Layout, c.Line.File, "a layout, such as layout: 'line: \"{weight 9} {unit}\"'") {
		return
	}
	if _, err := c.Line.layout(); err != nil {
		r.At(writtenKey("layout", c.Line.File)).Fault(err.Error(), "a layout as for a balance; weighpost validate layout tells every mistake")
	}
}

// printedLine prints an entry in a layout, backwards: what a balance with that layout would have sent for it.
//
// Printed are digits, unit, kind, stability, range, the sample and the person of the context, and what else the balance printed;
// date and time, and the balance's name, of weighpost's own only where the configuration says so. Every frame is read back before it goes out: an entry whose digits, sign, unit, range or brackets would read otherwise,
// or whose text the layout cannot carry unchanged, is not held. Nor is a tare where the layout does not say that it is one, and
// an unstable weight where the layout does not say so: a program that reads the line would take them for something else.
type printedLine struct {
	l             *layout.Layout
	time, balance bool // are added where the balance printed none
}

func openLine(c *Choice, _ sinks.Env) (Format, error) {
	l, err := c.Line.layout()
	if err != nil {
		return nil, err
	}
	return printedLine{l, slices.Contains(c.Line.Add, "time"), slices.Contains(c.Line.Add, "balance")}, nil
}

const lineType = "text/plain"

func (printedLine) Carries(k record.Kind) bool { return HasCSV(k) }
func (printedLine) Type() string               { return lineType }
func (printedLine) Ext() string                { return ".txt" }

func (p printedLine) Entry(e record.Entry) (Payload, error) {
	body, err := p.print(e)
	return Payload{Type: lineType, Body: body}, err
}

func (p printedLine) Stream(w io.Writer) (Stream, error) {
	return &bodyStream{w: w, body: p.print}, nil
}

func (p printedLine) print(e record.Entry) ([]byte, error) {
	if !HasCSV(e.Kind) {
		return nil, NotHeld{fmt.Errorf("entry %s is of the kind %q, which no balance prints: only weighings and results are", e.ID, e.Kind)}
	}
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		return nil, NotHeld{fmt.Errorf("entry %s cannot be read: %w", e.ID, err)}
	}
	v, err := p.valuesOf(&w)
	if err != nil {
		return nil, NotHeld{fmt.Errorf("entry %s: %w", e.ID, err)}
	}
	body, err := p.inOneUnit(&w, v)
	if err != nil {
		return nil, NotHeld{fmt.Errorf("entry %s: %w", e.ID, err)}
	}
	return body, nil
}

// inOneUnit prints the values in the unit of the weighing. A record has no code for a unit that UCUM does not know, and only says
// how it was printed: then it is the one unit without a code that the layout prints in the same way.
func (p printedLine) inOneUnit(w *record.Weighing, v layout.Values) ([]byte, error) {
	candidates, err := unitsOf(&w.Value)
	if err != nil {
		return nil, err
	}
	var first error
	for _, key := range candidates {
		v.Unit = key
		body, err := p.l.Print(nil, v)
		if err == nil {
			err = p.misleads(body, &v, len(candidates) > 1, w.Value.PrintedUnit)
		}
		if err == nil {
			return body, nil
		}
		if first == nil {
			first = err
		}
	}
	if len(candidates) > 1 {
		first = fmt.Errorf("the layout has no unit that it prints as %q", w.Value.PrintedUnit)
	}
	return nil, first
}

// misleads says whether somebody who reads the frame would take the weight for another kind of weight, or, where that counts,
// reads the unit as another symbol.
func (p printedLine) misleads(body []byte, v *layout.Values, symbol bool, want string) error {
	var r layout.Reading
	var err error
	s := p.l.Splitter()
	emit := func(f frame.Frame) { err = p.l.Apply(f, &r) }
	s.Push(body, emit)
	s.Flush(emit)
	tare := v.Kind == layout.KindTare || v.Kind == layout.KindPresetTare
	switch {
	case err != nil:
		return err // Print has read it already: this cannot be
	case symbol && r.PrintedUnit() != want:
		return fmt.Errorf("the unit would be %q and not %q", r.PrintedUnit(), want)
	case tare && r.Kind != v.Kind:
		return errors.New("it is a tare, and the layout has no place to say so")
	case v.Stability == layout.Unstable && r.Stability != layout.Unstable && v.Range == layout.InRange:
		return errors.New("it is an unstable weight, and the layout has no place to say so")
	}
	return nil
}

// valuesOf gives what a layout can print of a weighing or a result.
func (p printedLine) valuesOf(w *record.Weighing) (layout.Values, error) {
	printed := printed(w)
	v := layout.Values{
		Digits: w.Value.Digits, AuxiliaryDigits: w.Value.AuxiliaryDigits,
		Person: learnt(w.Context.Person), Sample: learnt(w.Context.Sample), Balance: printed.Balance,
		Count: printed.Count, RangeNumber: printed.RangeNumber, Date: printed.Date, Time: printed.Time,
	}
	if zone, err := parseZone(w.Stamp.Zone); err == nil && p.time && v.Date == "" && v.Time == "" {
		at := w.Stamp.UTC.Time().In(zone)
		v.Date, v.Time = at.Format("2006-01-02"), at.Format("15:04:05")
	}
	if p.balance && v.Balance == "" {
		v.Balance = w.Balance.ID
	}
	var known bool
	if v.Kind, known = wordOf(w.Value.Kind, layout.KindUnknown, layout.KindGross, layout.KindNet, layout.KindTare, layout.KindPresetTare); !known {
		return v, fmt.Errorf("%.40q is no kind of weight that a layout knows", w.Value.Kind)
	}
	if v.Stability, known = wordOf(w.Value.Stability, layout.StabilityUnknown, layout.Stable, layout.Unstable); !known {
		return v, fmt.Errorf("%.40q is no stability that a layout knows", w.Value.Stability)
	}
	if v.Range, known = wordOf(w.Value.Range, layout.InRange, layout.OverRange, layout.UnderRange); !known {
		return v, fmt.Errorf("%.40q is no state of the range that a layout knows", w.Value.Range)
	}
	return v, nil
}

// wordOf finds the value that a record writes as text.
func wordOf[T fmt.Stringer](text string, values ...T) (T, bool) {
	for _, v := range values {
		if v.String() == text {
			return v, true
		}
	}
	return values[0], false
}

// unitsOf lists the keys of the units that a value may be in: one where its code or its symbol tells, "" for a weight out of
// range without any, else all units that have no code.
func unitsOf(v *record.Value) ([]string, error) {
	if u, known := unit.ByCode(v.Unit); known {
		return []string{u.Key()}, nil
	}
	if u, known, _ := unit.Printed([]byte(v.PrintedUnit)); known {
		return []string{u.Key()}, nil
	}
	if v.Range != layout.InRange.String() && v.UnitShown() == "" {
		return []string{""}, nil
	}
	var keys []string
	for _, u := range unit.All() {
		if u.Code == "" {
			keys = append(keys, u.Key())
		}
	}
	if v.Unit != "" || v.PrintedUnit == "" {
		return nil, fmt.Errorf("%.40q is no unit that a layout knows", v.UnitShown())
	}
	return keys, nil
}

// bodyStream writes bodies one after another.
type bodyStream struct {
	w    io.Writer
	body func(record.Entry) ([]byte, error)
}

func (s *bodyStream) Add(e record.Entry) error {
	body, err := s.body(e)
	if err != nil {
		return err
	}
	_, err = s.w.Write(body)
	return err
}

func (s *bodyStream) Close() error { return nil }
