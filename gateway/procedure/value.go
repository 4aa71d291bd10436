package procedure

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"
	"unicode"

	"weighpost/gateway/formula"
	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
	"weighpost/parsers/decimal"
	"weighpost/parsers/unit"
)

// value is what a step found, exactly.
type value struct {
	v     formula.Value
	text  string            // as the record has it: "12.50 mg"; before rounding, where that was
	shown *formula.Quantity // of a weighing: what the balance showed, before anything was taken off
	kind  string            // of a weighing: gross, net, unknown
	entry *record.RunStep
}

// valueOf reads what an entry of a step found. ok is false where the entry has no value, as that of an instruction.
func valueOf(s *planned, e *record.RunStep) (v *value, ok bool) {
	if e.Value == nil || !s.hasValue() {
		return nil, false
	}
	v = &value{entry: e, text: shownOf(e.Value)}
	switch s.typ.Kind {
	case formula.KindText:
		v.v, v.text = formula.OfText(e.Value.Text), e.Value.Text
		return v, true
	case formula.KindTruth:
		v.v, v.text = formula.OfTruth(e.Value.Text == yes), e.Value.Text
		return v, true
	}
	q, err := exactly(e)
	if err != nil {
		return nil, false
	}
	if e.Worked != nil {
		v.text = e.Worked.Exact
	}
	v.v = formula.Of(q)
	if s.weighs() {
		v.kind, v.shown = e.Value.Kind, &q
		if w := e.Worked; w != nil && len(w.Inputs) > 0 && len(w.Inputs[0].Value) == 1 {
			if shown, err := formula.ParseQuantity(w.Inputs[0].Value[0]); err == nil {
				v.shown = &shown
			}
		}
	}
	return v, true
}

// exactly is the quantity of an entry before it was rounded. The digits of one that was not rounded, and whose decimals have no end, are cut off.
func exactly(e *record.RunStep) (formula.Quantity, error) {
	if w := e.Worked; w != nil && w.Ratio != "" {
		u, err := formula.ParseUnit(e.Value.Unit)
		if n, good := new(big.Rat).SetString(w.Ratio); good && err == nil {
			return formula.NewQuantity(n, u), nil
		}
	} else if w != nil {
		if exact, err := formula.ParseQuantity(w.Exact); err == nil {
			return exact, nil
		}
	}
	return quantityOf(e.Value.Digits, e.Value.Unit)
}

const (
	yes = "yes"
	no  = "no"
)

func yesOrNo(b bool) string {
	if b {
		return yes
	}
	return no
}

func shownOf(v *record.RunValue) string {
	if v.Text != "" {
		return v.Text
	}
	return withUnit(v.Digits, v.Unit)
}

func withUnit(digits, unit string) string {
	if unit == "" || unit == "1" {
		return digits
	}
	return digits + " " + unit
}

// quantityOf makes a quantity of digits as a balance prints them, or as they were rounded, and a UCUM code.
func quantityOf(digits, code string) (formula.Quantity, error) {
	u, err := formula.ParseUnit(code)
	if err != nil {
		return formula.Quantity{}, err
	}
	if d, err := decimal.Parse([]byte(digits)); err == nil {
		return formula.NewQuantity(d.Rat(), u), nil
	}
	return formula.ParseQuantity(withUnit(digits, u.Code())) // more than 18 digits: typed, or computed
}

// massOf is what a balance showed, as a mass. why is a sentence where it is none.
func massOf(v record.Value) (q formula.Quantity, why string) {
	u, known := unit.ByCode(v.Unit)
	if !known || !u.IsMass() {
		return q, fmt.Sprintf("the balance showed %s, which is no mass: set it to a unit of mass", clip(v.Shown()))
	}
	q, err := quantityOf(v.Digits, v.Unit)
	if err != nil {
		return q, fmt.Sprintf("the balance showed %s, which cannot be worked with: %v", clip(v.Shown()), err)
	}
	return q, ""
}

// exactOf writes a quantity for the record: in full where its decimals end, and else with the fraction beside it.
func exactOf(q formula.Quantity) (exact, ratio string) {
	x := q.Value()
	digits := metrology.Exact(x)
	if strings.HasSuffix(digits, "…") {
		ratio = x.RatString()
	}
	return withUnit(digits, q.Unit.Code()), ratio
}

// value reads a parameter as it was given.
func (p *Parameter) value(text string, typ formula.Type) (formula.Value, error) {
	switch p.Kind {
	case "quantity":
		q, err := formula.ParseQuantity(text)
		if err != nil {
			return formula.Value{}, err
		}
		if q.Unit.Dimension() != typ.Unit.Dimension() {
			return formula.Value{}, fmt.Errorf("%s is %s, and %s (%s) is wanted", clip(text), q.Unit.Dimension(), typ.Unit.Dimension(), typ.Unit.Code())
		}
		if q.Unit.Code() == "1" && typ.Unit.Code() != "1" { // 12 for one in per cent would be 1200 %
			return formula.Value{}, fmt.Errorf("%s has no unit: it is wanted in %s", clip(text), typ.Unit.Code())
		}
		return formula.Of(q), nil
	case "choice":
		if !slices.Contains(p.Choices, text) {
			return formula.Value{}, fmt.Errorf("%s is none of %s", clip(text), strings.Join(p.Choices, ", "))
		}
	case "date":
		if _, err := time.Parse(time.DateOnly, text); err != nil {
			return formula.Value{}, fmt.Errorf("%s is no date: write it as 2026-11-30", clip(text))
		}
	}
	return formula.OfText(text), plainText(text, formula.MaxText)
}

// plainText says why a text cannot be kept as somebody's answer, or nil.
func plainText(s string, most int) error {
	switch n := len([]rune(s)); {
	case strings.TrimSpace(s) == "":
		return fmt.Errorf("it is empty")
	case n > most:
		return fmt.Errorf("it has %d characters: at most %d are kept", n, most)
	}
	for _, c := range s {
		if c != ' ' && !unicode.IsPrint(c) {
			return fmt.Errorf("it holds the character U+%04X, which cannot be seen: take it out", c)
		}
	}
	return nil
}

// clip shortens a text of others for a sentence.
func clip(s string) string {
	s = strings.Map(func(c rune) rune {
		if c != ' ' && !unicode.IsPrint(c) {
			return '\ufffd'
		}
		return c
	}, s)
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}

// named is an item as a sentence calls it.
func named(i *record.RunItem) string {
	switch {
	case i == nil:
		return "the item"
	case i.Sample != "" && i.Container != "":
		return "sample " + clip(i.Sample) + " in container " + clip(i.Container)
	case i.Sample != "":
		return "sample " + clip(i.Sample)
	case i.Container != "":
		return "container " + clip(i.Container)
	}
	return "the item at position " + fmt.Sprint(cmp.Or(i.Position, 1))
}
