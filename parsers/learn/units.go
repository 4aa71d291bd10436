package learn

import (
	"strings"

	"weighpost/parsers/unit"
)

// unitLike says that a text can be the symbol of a unit: one that means a unit everywhere, one that people read differently,
// or a word for a unit.
func unitLike(s string) bool {
	if _, found, ambiguous := unit.Printed([]byte(s)); found || len(ambiguous) > 0 {
		return true
	}
	_, ok := unitWords[s]
	return ok || isMicro(s)
}

// isMicro says that s is µg in a code page of one byte a character.
func isMicro(s string) bool { return len(s) == 2 && s[1] == 'g' && (s[0] == 0xB5 || s[0] == 0xE6) }

// unitWords are words and ways of writing that mean one unit in the trade, beside the symbols of package unit.
var unitWords = map[string]string{
	"KG": "kg", "Kg": "kg", "kilo": "kg", "kilogram": "kg", "kilograms": "kg", "Kilogramm": "kg", "kilogramme": "kg",
	"gram": "g", "grams": "g", "gramm": "g", "Gramm": "g", "gramme": "g", "grammes": "g", "gramo": "g", "gramos": "g", "grammi": "g", "GRAM": "g",
	"milligram": "mg", "Milligramm": "mg", "milligramme": "mg", "µg": "ug",
	"г": "g", "кг": "kg", "мг": "mg", "мкг": "ug",
	"Stk": "pieces", "STK": "pieces", "Stück": "pieces", "pc": "pieces", "PC": "pieces", "pce": "pieces", "Pcs": "pieces", "szt": "pieces", "szt.": "pieces",
	"ks": "pieces", "kpl": "pieces", "pz": "pieces", "pzs": "pieces", "pza": "pieces", "pieces": "pieces", "stuks": "pieces", "uds": "pieces", "шт": "pieces",
	"troy oz": "[oz_tr]", "oz troy": "[oz_tr]", "oz av": "[oz_av]",
	"carat": "[car_m]", "carats": "[car_m]", "grain": "[gr]", "grains": "[gr]", "tonne": "t", "momme": "momme",
}

// letterG is no symbol of a standard. Most who print it mean kilograms, and a mark K before grams looks the same: a factor of a
// thousand is asked for.
const letterG = "Kg"

// unitOf finds the unit of a printed symbol. words are what the layout has to say of it, "" where nothing.
func unitOf(symbol string, a *Answers) (u unit.Unit, word string, ok bool) {
	if m, said := a.Words[symbol]; said {
		if u, ok = unit.Named(m); ok {
			return u, m, true
		}
	}
	if symbol == letterG {
		return unit.Unit{}, "", false
	}
	u, found, ambiguous := unit.Printed([]byte(symbol))
	switch {
	case found && strings.Contains(symbol, " "):
		return u, u.Key(), true // a layout knows units of two words by its own table only
	case found:
		return u, "", true
	case len(ambiguous) > 0:
		return u, "", false
	}
	if key, known := unitWords[symbol]; known {
		u, ok = unit.Named(key)
		return u, key, ok
	}
	return unit.Unit{}, "", false
}

// ambiguousUnit lists the units that a symbol may stand for, where it may stand for several.
func ambiguousUnit(symbol string) []unit.Unit {
	if symbol == letterG {
		kilo, _ := unit.Named("kg")
		gram, _ := unit.Named("g")
		return []unit.Unit{kilo, gram}
	}
	_, _, ambiguous := unit.Printed([]byte(symbol))
	return ambiguous
}

// massSymbol says that a symbol can be a unit of mass.
func massSymbol(symbol string, a *Answers) bool {
	u, _, ok := unitOf(symbol, a)
	if ok {
		return u.IsMass()
	}
	for _, u := range ambiguousUnit(symbol) {
		if u.IsMass() {
			return true
		}
	}
	return isMicro(symbol) || strings.EqualFold(symbol, "g")
}
