package formula

import (
	"fmt"
	"unicode/utf8"
)

// Kind is a kind of value. The zero value is none.
type Kind uint8

// The kinds of value.
const (
	KindQuantity Kind = iota + 1
	KindList          // of quantities that all measure the same
	KindTruth
	KindText
)

// Type is what a name, a parameter or a result is.
type Type struct {
	Kind Kind
	Unit Unit // of a quantity and of those in a list: its dimension is binding; the unit itself is the one that results are shown in
}

// Truth and Text are the types without a unit, Number that of a plain number.
var (
	Truth  = Type{Kind: KindTruth}
	Text   = Type{Kind: KindText}
	Number = Type{Kind: KindQuantity}
)

// In is the type of a quantity in a unit, such as "mg".
func In(u Unit) Type { return Type{KindQuantity, u} }

// ListIn is the type of a list of quantities in a unit.
func ListIn(u Unit) Type { return Type{KindList, u} }

// Same says whether values of one type may stand for the other: the unit may differ, not what it measures.
func (t Type) Same(other Type) bool { return t.Kind == other.Kind && t.Unit.dim == other.Unit.dim }

// String says the type in words: "a mass (mg)", "a list, each a mass (mg)", "a truth", "a text".
func (t Type) String() string {
	unit := t.Unit.dim.String()
	if code := t.Unit.Code(); code != "1" {
		unit += " (" + code + ")"
	}
	switch t.Kind {
	case KindQuantity:
		return unit
	case KindList:
		return "a list, each " + unit
	case KindTruth:
		return "a truth"
	case KindText:
		return "a text"
	}
	return "nothing"
}

// Value is a value of one kind; the fields of other kinds are not looked at.
type Value struct {
	Kind     Kind
	Quantity Quantity
	List     []Quantity // all measure the same
	Truth    bool
	Text     string
}

// Of makes a value of a quantity.
func Of(q Quantity) Value { return Value{Kind: KindQuantity, Quantity: q} }

// OfList makes a value of quantities. It keeps the slice.
func OfList(q []Quantity) Value { return Value{Kind: KindList, List: q} }

// OfTruth makes a value of yes or no.
func OfTruth(b bool) Value { return Value{Kind: KindTruth, Truth: b} }

// OfText makes a value of a text.
func OfText(s string) Value { return Value{Kind: KindText, Text: s} }

// String gives the value for people: "12.50 mg", "true", the text itself, "3 values".
func (v Value) String() string {
	switch v.Kind {
	case KindQuantity:
		return v.Quantity.String()
	case KindList:
		return fmt.Sprintf("%d values", len(v.List))
	case KindTruth:
		return fmt.Sprint(v.Truth)
	case KindText:
		return v.Text
	}
	return "nothing"
}

// fits says why a value is not of a type, or nil.
func (v Value) fits(t Type) error {
	if v.Kind != t.Kind {
		return fmt.Errorf("has to be %s, and is %s", t, v.words())
	}
	switch v.Kind {
	case KindQuantity:
		return fitting(v.Quantity, t)
	case KindList:
		if len(v.List) > MaxList {
			return fmt.Errorf("has %d values, and a list has at most %d", len(v.List), MaxList)
		}
		for _, q := range v.List {
			if err := fitting(q, t); err != nil {
				return err
			}
		}
	case KindText:
		if !utf8.ValidString(v.Text) || utf8.RuneCountInString(v.Text) > MaxText {
			return fmt.Errorf("is a text of more than %d characters, or not of UTF-8", MaxText)
		}
	}
	return nil
}

func fitting(q Quantity, t Type) error {
	if q.Unit.dim != t.Unit.dim {
		return fmt.Errorf("has to be %s, and %s is %s", t, clip(q.String()), q.Unit.dim)
	}
	return bounded(q.n())
}

func (v Value) words() string {
	switch v.Kind {
	case KindQuantity:
		return "a quantity"
	case KindList:
		return "a list"
	case KindTruth:
		return "a truth"
	case KindText:
		return "a text"
	}
	return "missing"
}
