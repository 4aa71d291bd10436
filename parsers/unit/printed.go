package unit

// plain lists the printed symbols that mean one unit, by the key of that unit. Case counts: "G" is gauss and "T" tesla.
var plain = map[string]string{
	"g": "g", "mg": "mg", "ng": "ng", "kg": "kg",
	// The micro sign has two code points, U+00B5 and U+03BC, and two spellings without it. (Its single bytes in Latin-1
	// and the CP437 family are the business of the layout's code page.)
	"ug": "ug", "\u00b5g": "ug", "\u03bcg": "ug", "mcg": "ug",
	"ozt": "[oz_tr]", "oz t": "[oz_tr]", "oz tr": "[oz_tr]",
	"dwt": "[pwt_tr]",
	"GN":  "[gr]", "gn": "[gr]",
	"car":  "[car_m]",
	"lb t": "[lb_tr]", "s ap": "[sc_ap]", "dr ap": "[dr_ap]",
	"st":  "[stone_av]",
	"mom": "momme", "momme": "momme",
	"tola": "tola", "tol": "tola",
	"pcs": "pieces", "PCS": "pieces",
	"%": "%",
}

// unclear lists the printed symbols that people read differently, with the units each may stand for. Some may stand for
// something that is no mass at all, which is why one candidate is not an answer either.
var unclear = map[string][]string{
	"oz":  {"[oz_av]", "[oz_tr]"}, // never UCUM's metric ounce [oz_m] of 28 g
	"lb":  {"[lb_av]", "[lb_tr]"},
	"lbs": {"[lb_av]", "[lb_tr]"},
	"ct":  {"[car_m]", "pieces"},
	"kt":  {"[car_m]"}, // also karat, the fineness of gold, which is no mass
	"t":   {"t", "tola", "tael-hong-kong", "tael-singapore", "tael-bullion", "tael-taiwan", "tael-china", "tael-china-before-1959"},
	"gr":  {"[gr]", "g"},
	"dr":  {"[dr_av]", "[dr_ap]"},
	"ton": {"[ston_av]", "[lton_av]", "t"},
	"tn":  {"[ston_av]", "t"},
	"tl":  {"tael-hong-kong", "tael-singapore", "tael-bullion", "tael-taiwan", "tael-china", "tael-china-before-1959"},
	"tael": {
		"tael-hong-kong", "tael-singapore", "tael-bullion", "tael-taiwan", "tael-china", "tael-china-before-1959",
	},
}

// clearUnits and unclearUnits are the tables above with the units in place of their keys.
var (
	clearUnits   = resolveClear()
	unclearUnits = resolveUnclear()
)

func resolveClear() map[string]Unit {
	units := make(map[string]Unit, len(plain))
	for symbol, key := range plain {
		units[symbol] = mustNamed(key)
	}
	return units
}

func resolveUnclear() map[string][]Unit {
	units := make(map[string][]Unit, len(unclear))
	for symbol, keys := range unclear {
		for _, key := range keys {
			units[symbol] = append(units[symbol], mustNamed(key))
		}
	}
	return units
}

func mustNamed(key string) Unit {
	u, ok := Named(key)
	if !ok {
		panic("unit: the tables of symbols name " + key + ", which is no unit")
	}
	return u
}

// Printed finds the unit that a symbol stands for, as a balance prints it, in UTF-8, without spaces around it.
//
// Where the symbol means one unit, found is true. Where people read it differently, found is false and ambiguous lists
// the units it may stand for, for a message that asks; even a single candidate must not be taken, because the other
// meaning is then no unit we know. A symbol that is not known at all gives false and nil. Only an ambiguous symbol
// allocates.
func Printed(symbol []byte) (u Unit, found bool, ambiguous []Unit) {
	if u, found = clearUnits[string(symbol)]; found {
		return u, true, nil
	}
	if candidates := unclearUnits[string(symbol)]; candidates != nil {
		return Unit{}, false, append([]Unit(nil), candidates...)
	}
	return Unit{}, false, nil
}
