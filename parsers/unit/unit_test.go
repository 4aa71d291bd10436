package unit_test

import (
	"encoding/csv"
	"math/big"
	"os"
	"slices"
	"strings"
	"testing"

	"weighpost/parsers/decimal"
	"weighpost/parsers/unit"
)

// The files in testdata are check values gathered outside this program: sizes from NIST SP 811 Appendix B.8, NIST
// Handbook 44 Appendix C and Hong Kong Cap. 68 schedule 1; codes from UCUM, run through @lhncbc/ucum-lhc 7.1.10. The
// bullion, Singapore, Taiwan and mainland taels are from memory of trade custom.

// rows reads a CSV file as one map a row.
func rows(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(all), err)
	}
	var out []map[string]string
	for _, r := range all[1:] {
		m := map[string]string{}
		for i, k := range all[0] {
			m[k] = r[i]
		}
		out = append(out, m)
	}
	return out
}

func rat(t *testing.T, numerator, denominator string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(numerator + "/" + denominator)
	if !ok {
		t.Fatalf("%s/%s is no fraction", numerator, denominator)
	}
	return r
}

func TestEveryMassUnitIsExact(t *testing.T) {
	seen := map[string]bool{}
	for _, row := range rows(t, "mass_units.csv") {
		var u unit.Unit
		for _, candidate := range unit.All() {
			if candidate.Name == row["name"] {
				u = candidate
			}
		}
		seen[u.Key()] = true
		if u.Code != row["ucum"] || !u.IsMass() {
			t.Errorf("%s: code %q and quantity %v, want %q and mass", row["name"], u.Code, u.Quantity, row["ucum"])
			continue
		}
		if want := rat(t, row["grams_numerator"], row["grams_denominator"]); u.Grams().Cmp(want) != 0 {
			t.Errorf("%s is %v g, want %v g", row["name"], u.Grams(), want)
		}
		if got, ok := unit.Named(u.Key()); !ok || got != u {
			t.Errorf("Named(%q) = %v, %v", u.Key(), got, ok)
		}
		byCode, ok := unit.ByCode(row["ucum"])
		if inUCUM := row["in_ucum"] == "yes"; ok != inUCUM || ok && byCode != u {
			t.Errorf("ByCode(%q) = %v, %v", row["ucum"], byCode, ok)
		}
	}
	for _, u := range unit.All() {
		if u.IsMass() && !seen[u.Key()] {
			t.Errorf("%s is a mass that no check value covers", u.Key())
		}
	}
}

// unclear lists the symbols that the check file calls ambiguous in words, or that stand in more than one of its rows.
var unclear = []string{"t", "lb", "lbs", "oz", "gr", "ct", "kt", "dr", "ton", "tn", "tael", "tl"}

func TestPrintedSymbols(t *testing.T) {
	rowsOf := map[string][]string{}
	for _, row := range rows(t, "mass_units.csv") {
		for symbol := range strings.SplitSeq(row["printed_symbols"], "|") {
			rowsOf[symbol] = append(rowsOf[symbol], row["name"])
		}
	}
	for symbol, names := range rowsOf {
		u, found, ambiguous := unit.Printed([]byte(symbol))
		if slices.Contains(unclear, symbol) || len(names) > 1 {
			if found || u != (unit.Unit{}) {
				t.Errorf("%q resolves to %q, although it is read differently by different people", symbol, u.Name)
			}
			for _, name := range names {
				if !slices.ContainsFunc(ambiguous, func(u unit.Unit) bool { return u.Name == name }) {
					t.Errorf("%q does not offer %q", symbol, name)
				}
			}
			continue
		}
		if !found || u.Name != names[0] || ambiguous != nil {
			t.Errorf("Printed(%q) = %q, %v, %v; want %q", symbol, u.Name, found, ambiguous, names[0])
		}
	}
	if len(rowsOf) < 30 {
		t.Errorf("only %d symbols were tried", len(rowsOf))
	}
}

func TestBothMicroSigns(t *testing.T) {
	for _, symbol := range []string{"\u00b5g", "\u03bcg"} {
		if u, found, _ := unit.Printed([]byte(symbol)); !found || u.Code != "ug" {
			t.Errorf("Printed(%q) = %q, %v", symbol, u.Code, found)
		}
	}
}

func TestWhatIsNoMassNeverBecomesOne(t *testing.T) {
	for _, row := range rows(t, "mass_units_not_mass.csv") {
		if u, found, _ := unit.Printed([]byte(row["printed"])); found && u.IsMass() {
			t.Errorf("%q (%s) became the mass %q", row["printed"], row["why"], u.Name)
		}
		if u, ok := unit.ByCode(row["ucum"]); ok && u.IsMass() {
			t.Errorf("the code %q (%s) became the mass %q", row["ucum"], row["why"], u.Name)
		}
	}
	for _, symbol := range []string{"", " ", "KG", "Mg", "mG", "kg ", "u", "xyz", "\xb5g", "\xe6g"} {
		if u, found, ambiguous := unit.Printed([]byte(symbol)); found || ambiguous != nil {
			t.Errorf("Printed(%q) = %q, %v", symbol, u.Name, ambiguous)
		}
	}
	for symbol, want := range map[string]unit.Quantity{"pcs": unit.Count, "%": unit.Percent} {
		if u, found, _ := unit.Printed([]byte(symbol)); !found || u.Quantity != want || u.Grams() != nil {
			t.Errorf("Printed(%q) = %v, %v, %v g", symbol, u, found, u.Grams())
		}
	}
}

func TestConversionsAreExact(t *testing.T) {
	for _, row := range rows(t, "mass_conversions.csv") {
		from, ok := unit.Named(row["from"])
		to, ok2 := unit.Named(row["to"])
		if !ok || !ok2 {
			t.Errorf("%s or %s is not known", row["from"], row["to"])
			continue
		}
		got := unit.Convert(decimal.MustParse(row["value"]), from, to)
		if want := rat(t, row["result_numerator"], row["result_denominator"]); got == nil || got.Cmp(want) != 0 {
			t.Errorf("%s %s = %v %s, want %v", row["value"], row["from"], got, row["to"], want)
		}
	}
}

func TestConvertRefusesOtherQuantities(t *testing.T) {
	g, _ := unit.ByCode("g")
	percent, _ := unit.ByCode("%")
	pieces, _ := unit.Named("pieces")
	one := decimal.MustParse("1")
	for _, pair := range [][2]unit.Unit{{g, percent}, {pieces, g}, {pieces, percent}, {g, {}}, {{}, {}}} {
		if r := unit.Convert(one, pair[0], pair[1]); r != nil {
			t.Errorf("1 %s = %v %s; want nil", pair[0].Key(), r, pair[1].Key())
		}
	}
	if r := unit.Convert(one, pieces, pieces); r == nil || r.Cmp(big.NewRat(1, 1)) != 0 {
		t.Errorf("1 piece = %v pieces", r)
	}
}

func TestKeysAreUniqueAndFound(t *testing.T) {
	keys := unit.Keys()
	for i, key := range keys {
		if slices.Index(keys, key) != i || key == "" {
			t.Errorf("the key %q is not unique", key)
		}
		if u, ok := unit.Named(key); !ok || u.Key() != key {
			t.Errorf("Named(%q) = %v, %v", key, u, ok)
		}
	}
	if _, ok := unit.Named(""); ok {
		t.Error("an empty key names a unit")
	}
}

func TestCallersCannotChangeTheTables(t *testing.T) {
	unit.All()[0] = unit.Unit{}
	_, _, ambiguous := unit.Printed([]byte("oz"))
	ambiguous[0] = unit.Unit{}
	if g, ok := unit.ByCode("g"); !ok || g.Name != "gram" {
		t.Errorf("the table holds %v after a caller wrote to its copy", g)
	}
	if _, _, again := unit.Printed([]byte("oz")); again[0].Code != "[oz_av]" {
		t.Errorf("oz offers %v after a caller wrote to its copy", again)
	}
}

func BenchmarkPrinted(b *testing.B) {
	symbol := []byte("mg")
	b.ReportAllocs()
	for b.Loop() {
		if _, found, _ := unit.Printed(symbol); !found {
			b.Fatal("mg is not found")
		}
	}
}
