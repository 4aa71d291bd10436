package screens

import (
	"cmp"
	"math/big"
	"regexp"
	"slices"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/parsers/unit"
)

// aim is how a weight that a balance shows stands to what a step of a run wants. assets/aim.js says the same of what comes later, and a
// test holds the two against each other. Everything is compared exactly.
type aim struct {
	*console.RunTarget
	Is            string // under, within, over; "" where it cannot be told
	Word, Shape   string
	Apart         string    // how far it is from the target, with the unit
	Net           string    // what the balance shows, less what is taken off, with the unit
	Ends          [3]string // the target and both ends of what passes, as they are shown; the ends "" where there are none
	Lit, Past     int       // seeds that are filled on the way to the target, and beyond it
	Why           string    // why it cannot be told
	Factors       string    // for assets/aim.js: the size of each unit in the unit of the target, as "kg=1000 g=1"
	Seeds, Beyond []int
}

// aimWords are word and shape of each. They are in assets/aim.js too.
var aimWords = map[string][2]string{"under": {"too little", "too-little"}, "within": {"within", "on-target"}, "over": {"too much", "too-much"}}

// seedsBefore are the steps of the row of seeds: the n-th is filled once the weight is nearer to what passes than so many times the width of
// what passes. They grow by 1, 2 and 5, so that the row tells the last milligram as well as the first gram. seedsPast are those beyond.
var (
	seedsBefore = []int64{500, 200, 100, 50, 20, 10, 5, 2, 1}
	seedsPast   = []int64{0, 1, 10}
)

var plainDecimal = regexp.MustCompile(`^[+-]?[0-9]{1,40}(\.[0-9]{1,40})?$`)

func ratOf(digits string) (*big.Rat, bool) {
	if !plainDecimal.MatchString(digits) {
		return nil, false
	}
	return new(big.Rat).SetString(digits)
}

func decimalsOf(digits string) int {
	_, after, _ := strings.Cut(digits, ".")
	return len(after)
}

// inUnit gives the size of a unit of mass in another, where it is a decimal that ends; "" where it is not.
func inUnit(from, to unit.Unit) string {
	if !from.IsMass() || !to.IsMass() {
		return ""
	}
	size := new(big.Rat).Quo(from.Grams(), to.Grams())
	n, exact := size.FloatPrec()
	if !exact {
		return ""
	}
	return size.FloatString(n)
}

// sizeIn is inUnit of codes; "" where one of them is no unit of mass.
func sizeIn(from, to string) string {
	a, known := unit.ByCode(from)
	b, both := unit.ByCode(to)
	if !known || !both {
		return ""
	}
	return inUnit(a, b)
}

// factorsTo lists the sizes of the units that balances print in the unit of a target.
func factorsTo(code string) string {
	to, ok := unit.ByCode(code)
	if !ok {
		return ""
	}
	var all []string
	for _, u := range unit.All() {
		if size := inUnit(u, to); u.Code != "" && size != "" {
			all = append(all, u.Code+"="+size)
		}
	}
	slices.Sort(all)
	return strings.Join(slices.Compact(all), " ")
}

// factorOf is the size of a unit, as factorsTo lists it.
func factorOf(factors, code string) (string, bool) {
	for pair := range strings.FieldsSeq(factors) {
		if name, size, _ := strings.Cut(pair, "="); name == code && code != "" {
			return size, true
		}
	}
	return "", false
}

// aimAt says how a weight stands to a target. now is nil where the balance has shown nothing that can be read.
func aimAt(t *console.RunTarget, now *record.Value) *aim {
	if t == nil {
		return nil
	}
	a := &aim{RunTarget: t, Factors: factorsTo(t.Unit), Seeds: make([]int, len(seedsBefore)), Beyond: make([]int, len(seedsPast))}
	a.round(a.placesOf("", ""))
	if now == nil || now.Range != "in" || now.Digits == "" {
		a.Why = "No weight to compare."
		return a
	}
	size, known := factorOf(a.Factors, now.Unit)
	if !known {
		a.Why = "The balance shows " + cmp.Or(now.UnitShown(), "no unit") + ", and the target is in " + t.Unit + ": it is not compared."
		return a
	}
	a.judge(now.Digits, size)
	return a
}

// judge compares, in the unit of the target.
func (a *aim) judge(digits, size string) {
	var all [6]*big.Rat
	low, high := a.Low, a.High
	if low == "" {
		low = a.Wanted
	}
	if high == "" {
		high = a.Wanted
	}
	offset := a.Offset
	if offset == "" {
		offset = "0"
	}
	for i, one := range []string{digits, size, offset, a.Wanted, low, high} {
		r, ok := ratOf(one)
		if !ok {
			a.Why = "The weight cannot be compared."
			return
		}
		all[i] = r
	}
	net := new(big.Rat).Mul(all[0], all[1])
	if net.Sub(net, all[2]); a.Removing {
		net.Neg(net)
	}
	places := a.placesOf(digits, size)
	a.Net = nearest(net, shownDecimals(digits, size)) + " " + a.Unit
	apart, finest := new(big.Rat).Sub(net, all[3]), a.round(places)
	far := nearest(new(big.Rat).Abs(apart), finest)
	within := net.Cmp(all[4]) >= 0 && net.Cmp(all[5]) <= 0
	for ; !within && nought(far) && finest < mostPlaces; finest++ { // what does not pass is not nothing away
		far = nearest(new(big.Rat).Abs(apart), finest+1)
	}
	a.Apart = far + " " + a.Unit
	width := new(big.Rat).Sub(all[5], all[4])
	if width.Sign() <= 0 { // nothing but the target itself passes: what counts is the last digit that the balance shows
		width.SetFrac(big.NewInt(1), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil))
	}
	switch {
	case net.Cmp(all[4]) < 0:
		a.Is, a.Lit = "under", seedsLit(new(big.Rat).Sub(all[4], net), width)
	case net.Cmp(all[5]) > 0:
		a.Is, a.Lit, a.Past = "over", len(seedsBefore), seedsOver(new(big.Rat).Sub(net, all[5]), width)
	default:
		a.Is, a.Lit = "within", len(seedsBefore)
		switch {
		case apart.Sign() == 0:
			a.Apart = "exactly the target"
		case nought(far):
			a.Apart = "the target, to the last digit"
		case apart.Sign() > 0:
			a.Apart += " above the target"
		default:
			a.Apart += " below the target"
		}
	}
	a.Word, a.Shape = aimWords[a.Is][0], aimWords[a.Is][1]
}

// seedsLit is how many seeds before the target are filled.
func seedsLit(missing, width *big.Rat) (n int) {
	for _, times := range seedsBefore {
		if missing.Cmp(new(big.Rat).Mul(width, new(big.Rat).SetInt64(times))) > 0 {
			break
		}
		n++
	}
	return n
}

// seedsOver is how many seeds beyond the target are filled.
func seedsOver(beyond, width *big.Rat) (n int) {
	for _, times := range seedsPast {
		if beyond.Cmp(new(big.Rat).Mul(width, new(big.Rat).SetInt64(times))) <= 0 {
			break
		}
		n++
	}
	return n
}

// shownDecimals is how many decimals the digits of a balance have in the unit of the target.
func shownDecimals(digits, size string) int {
	places := decimalsOf(digits) + decimalsOf(size)
	if whole := strings.TrimRight(size, "0"); whole == "1" { // 10, 100, 1000
		places -= len(size) - 1
	}
	return max(places, 0)
}
