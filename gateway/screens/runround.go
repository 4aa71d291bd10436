package screens

import (
	"cmp"
	"math/big"
	"regexp"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// What is shown of a target and of limits is rounded, so that people can read it: to the readability of the balance, or to the digits of the
// weight, whichever is finer. What is recorded stays exact, and what is judged is never what was rounded. The least that passes is rounded up
// and the most down: no weight with as many digits passes by the one and fails by the other.

const (
	mostPlaces = 40
	fewPlaces  = 4
	manyDigits = 6 // of a number in the words of a limit: more are rounded
)

// nearest writes a number with so many decimals, halves away from nought. Nothing is below nought that is shown as nought.
func nearest(r *big.Rat, places int) string {
	text := r.FloatString(places)
	if nought(text) {
		return strings.TrimPrefix(text, "-")
	}
	return text
}

func nought(digits string) bool { return strings.Trim(digits, "-0.") == "" }

// towards gives the nearest number of so many decimals that is not below r (up), or not above it.
func towards(r *big.Rat, places int, up bool) *big.Rat {
	ten := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil))
	scaled := new(big.Rat).Mul(r, ten)
	whole := new(big.Int).Div(scaled.Num(), scaled.Denom()) // towards minus infinity, as the denominator is positive
	if up && !scaled.IsInt() {
		whole.Add(whole, big.NewInt(1))
	}
	return new(big.Rat).Quo(new(big.Rat).SetInt(whole), ten)
}

// placesOf is to how many decimals a weight is shown beside a target: as the balance shows it, or as fine as it can; −1: neither is known.
func (a *aim) placesOf(digits, size string) int {
	places := -1
	if a.Readability != "" {
		places = decimalsOf(a.Readability)
	}
	if digits != "" {
		places = max(places, shownDecimals(digits, size))
	}
	return places
}

// round writes the target and both ends of what passes, to so many decimals or to as many more as it takes for both ends to be apart, and says
// how many those are. −1: to as many as their distance asks for.
func (a *aim) round(places int) int {
	texts := [3]string{a.Wanted, cmp.Or(a.Low, a.Wanted), cmp.Or(a.High, a.Wanted)}
	var all [3]*big.Rat
	own := 0
	for i, text := range texts {
		r, ok := ratOf(text)
		if !ok {
			a.Ends = [3]string{a.Wanted, a.Low, a.High}
			return max(places, 0)
		}
		all[i], own = r, max(own, decimalsOf(text))
	}
	if places < 0 { // as it is written, or else to a hundredth of the distance between both ends
		places = min(own, fewPlaces)
		for hundred := new(big.Rat).Mul(new(big.Rat).Sub(all[2], all[1]), big.NewRat(1, 100)); places < own && towards(hundred, places, false).Sign() <= 0; {
			places++
		}
	}
	for places < own && towards(all[1], places, true).Cmp(towards(all[2], places, false)) > 0 {
		places++
	}
	a.Ends = [3]string{nearest(all[0], places), nearest(towards(all[1], places, true), places), nearest(towards(all[2], places, false), places)}
	if a.Low == "" {
		a.Ends[1] = ""
	}
	if a.High == "" {
		a.Ends[2] = ""
	}
	return places
}

// limitNumber is a number in the words of a limit, with what says which way it holds before it, and its unit behind.
var limitNumber = regexp.MustCompile(`(at least |at most |not below |not above |from | to |)(-?[0-9]+\.[0-9]+)(…?)( [^ ,;()]+)?`)

// limitShown gives the words of a limit with its numbers as people can read them: those of more than six digits are rounded, to the digits of
// what was held against them, or finer where the balance is.
func limitShown(words string, v *record.RunValue, readability string) string {
	if strings.HasPrefix(words, "begins with ") { // a text
		return words
	}
	for more := range mostPlaces {
		var low, high *big.Rat
		text := limitNumber.ReplaceAllStringFunc(words, func(found string) string {
			m := limitNumber.FindStringSubmatch(found)
			r, ok := ratOf(m[2])
			if !ok || m[3] == "" && len(strings.TrimLeft(strings.Replace(m[2], ".", "", 1), "-0")) <= manyDigits {
				return found
			}
			places := limitPlaces(r, strings.TrimSpace(m[4]), v, readability) + more
			if m[3] != "" { // it was cut off towards nought, and is a little more
				r.Add(r, new(big.Rat).Mul(big.NewRat(int64(r.Sign()), 2), new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimalsOf(m[2]))), nil))))
			}
			switch m[1] {
			case "at least ", "not below ", "from ":
				r = towards(r, places, true)
				low = r
			case "at most ", "not above ", " to ":
				r = towards(r, places, false)
				high = r
			}
			return m[1] + nearest(r, places) + m[4]
		})
		if low == nil || high == nil || low.Cmp(high) <= 0 {
			return text
		}
	}
	return words
}

// limitPlaces is to how many decimals a number in a limit is shown.
func limitPlaces(r *big.Rat, code string, v *record.RunValue, readability string) int {
	places := -1
	of := func(digits, from string) {
		if from == code {
			places = max(places, decimalsOf(digits))
		} else if size := sizeIn(from, code); size != "" {
			places = max(places, shownDecimals(digits, size))
		}
	}
	if v != nil && v.Digits != "" {
		of(v.Digits, v.Unit)
	}
	if digits, from, both := strings.Cut(readability, " "); both {
		of(digits, from)
	}
	if places >= 0 {
		return places
	}
	for places = manyDigits - 1; places > 0 && new(big.Rat).Abs(r).Cmp(big.NewRat(10, 1)) >= 0; places-- {
		r = new(big.Rat).Quo(r, big.NewRat(10, 1))
	}
	return places
}

// verdictLine is what one rule says of a value, in words.
type verdictLine struct {
	Words string
	Bad   bool // it keeps the run from going on
	rank  int
}

// verdictLines put what hurts first: what keeps the run from going on, then warnings, then what passes, and last what was not judged.
func verdictLines(s *record.RunStep) (all []verdictLine) {
	readability := ""
	if s.Balance != nil && s.Worked == nil {
		readability = s.Balance.Readability
	}
	for i := range s.Verdicts {
		v := &s.Verdicts[i]
		one := verdictLine{Words: spacedWords(v.Rule), rank: 2}
		if v.Limit != "" {
			one.Words += " " + limitShown(v.Limit, s.Value, readability)
		}
		if v.From != "" {
			one.Words += " (" + v.From + ")"
		}
		if v.Why != "" {
			one.Words += ": " + v.Why
		}
		switch {
		case v.NotJudged:
			one.rank = 3
		case v.Failed() && record.RuleStops(v.Rule):
			one.rank, one.Bad = 0, true
		case v.Failed():
			one.rank = 1
		}
		all = append(all, one)
	}
	slices.SortStableFunc(all, func(a, b verdictLine) int { return a.rank - b.rank })
	return all
}
