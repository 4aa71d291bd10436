package metrology

import (
	"embed"
	"encoding/csv"
	"fmt"
	"math/big"
	"slices"
	"strings"

	"weighpost/parsers/decimal"
	"weighpost/parsers/unit"
)

//go:embed tables/*.csv
var tables embed.FS

// The documents that limits come from.
var (
	R111 = Source{Name: "OIML R 111-1:2004", Clause: "5.1, Table 1"}
	E617 = Source{Name: "ASTM E617-18", Clause: "metric tolerances", FromMemory: true}
	R76  = Source{Name: "OIML R 76-1:2006", Clause: "3.5.1, Table 6"}
	R76s = Source{Name: "OIML R 76-1:2006", Clause: "3.5.2: in service twice Table 6"}
)

// weightLimits holds the maximum permissible errors of a document in grams, by class and nominal mass in milligrams.
type weightLimits struct {
	source  Source
	classes []string
	of      map[string]map[string]*big.Rat
}

var (
	r111Limits = readLimits("tables/oiml_r111_mpe.csv", R111, func(column string) string { return column })
	e617Limits = readLimits("tables/astm_e617_mpe_from_memory.csv", E617, func(column string) string { return "ASTM " + strings.TrimPrefix(column, "class_") })
)

// readLimits reads a table of this package: nominal, nominal in mg, and a column a class with the limit in mg.
func readLimits(file string, source Source, class func(string) string) weightLimits {
	f, err := tables.Open(file)
	if err != nil {
		panic(err) // embedded
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		panic(err)
	}
	l := weightLimits{source: source, of: map[string]map[string]*big.Rat{}}
	for i, column := range rows[0][2:] {
		name := class(column)
		l.classes = append(l.classes, name)
		l.of[name] = map[string]*big.Rat{}
		for _, row := range rows[1:] {
			if row[i+2] != "" {
				l.of[name][row[1]] = new(big.Rat).Quo(rat(row[i+2]), big.NewRat(1000, 1))
			}
		}
	}
	return l
}

// WeightClasses lists the accuracy classes that are known, from the finest: E1 to M3 of OIML R 111-1, then those of ASTM E617.
func WeightClasses() []string { return slices.Concat(r111Limits.classes, e617Limits.classes) }

// MPEWeight is the maximum permissible error ± of a weight of a class and nominal mass, in grams: OIML R 111-1 for E1 to M3, ASTM E617
// for "ASTM 0" to "ASTM 4" (from memory). A class has no weight of a nominal mass that stands not in its table.
func MPEWeight(class string, nominal *big.Rat) (*big.Rat, Source, error) {
	for _, l := range []weightLimits{r111Limits, e617Limits} {
		of, known := l.of[class]
		if !known {
			continue
		}
		mg := new(big.Rat).Mul(nominal, big.NewRat(1000, 1))
		if limit := of[mg.RatString()]; limit != nil {
			return new(big.Rat).Set(limit), l.source, nil
		}
		return nil, l.source, fmt.Errorf("class %s of %s has no weight of %s g", class, l.source.Name, Exact(nominal))
	}
	return nil, Source{}, fmt.Errorf("%.20q is no accuracy class of weights: one of %s", class, strings.Join(WeightClasses(), ", "))
}

// BalanceClasses are the accuracy classes of verified balances (OIML R 76-1:2006, 3.2).
func BalanceClasses() []string { return []string{"I", "II", "III", "IIII"} }

// r76Steps are the loads, in e, up to which a verified balance may err by 0.5 e, by 1 e, and by 1.5 e (Table 6).
var r76Steps = map[string][3]int64{
	"I":    {50_000, 200_000, 0}, // no upper end
	"II":   {5_000, 20_000, 100_000},
	"III":  {500, 2_000, 10_000},
	"IIII": {50, 200, 1_000},
}

// MPEBalance is the maximum permissible error ± of a verified balance at a load, from its class and verification interval e, in
// grams: at verification, or in service, where it is twice that. An unverified balance has none.
func MPEBalance(class string, e, load *big.Rat, inService bool) (*big.Rat, Source, error) {
	steps, known := r76Steps[class]
	switch {
	case !known:
		return nil, R76, fmt.Errorf("%.20q is no accuracy class of balances: I, II, III or IIII (OIML R 76-1)", class)
	case e.Sign() <= 0:
		return nil, R76, fmt.Errorf("a verified balance has a verification interval e greater than zero")
	}
	m := new(big.Rat).Quo(new(big.Rat).Abs(load), e)
	halves := int64(1) // of e
	for i, step := range steps {
		if step != 0 && m.Cmp(big.NewRat(step, 1)) > 0 {
			if halves++; i == 2 {
				return nil, R76, fmt.Errorf("%s g is more than %d e: a balance of class %s is not verified for it", Exact(load), step, class)
			}
		}
	}
	source := R76
	if inService {
		halves, source = 2*halves, R76s
	}
	return new(big.Rat).Mul(e, big.NewRat(halves, 2)), source, nil
}

// Grams gives a mass in grams, exactly, from digits and a unit by its UCUM code or printed symbol.
func Grams(value *big.Rat, code string) (*big.Rat, error) {
	u, ok := unit.ByCode(code)
	if !ok || !u.IsMass() {
		return nil, fmt.Errorf("%.20q is no unit of mass by its UCUM code: mg, g, kg, …", code)
	}
	return new(big.Rat).Mul(value, u.Grams()), nil
}

// ParseNumber reads a plain decimal number, exactly; false: it is none.
func ParseNumber(s string) (*big.Rat, bool) {
	d, err := decimal.Parse([]byte(s))
	if err != nil {
		return nil, false
	}
	return d.Rat(), true
}

// ParseMass reads a mass above zero as people write it, "200 g", "0.3 mg", with its unit by its UCUM code, and gives it in grams.
func ParseMass(s string) (*big.Rat, error) {
	number, code, ok := strings.Cut(strings.TrimSpace(s), " ")
	d, err := decimal.Parse([]byte(number))
	if strings.Contains(number, ",") {
		return nil, fmt.Errorf(`%.40q has a comma, and nobody knows whether it stands for a point or divides thousands: write a point, such as "200.5 g"`, s)
	}
	if !ok || err != nil {
		return nil, fmt.Errorf(`%.40q is no mass: write a number, a space and a unit, such as "200 g"`, s)
	}
	if d.IsZero() || d.Negative() {
		return nil, fmt.Errorf("%.40q is not above zero", s)
	}
	return Grams(d.Rat(), strings.TrimSpace(code))
}
