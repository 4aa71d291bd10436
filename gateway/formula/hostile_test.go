package formula_test

import (
	"context"
	"errors"
	"math/big"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/formula"
)

// TestHostileTexts has texts that were made to hurt refused in a sentence, and soon: the slowest of them is far below the second that is
// allowed here for a busy machine.
func TestHostileTexts(t *testing.T) {
	types, in := bench(t)
	deep := "1"
	for range 12 { // a chain shares its middle: a walk of the tree as it is would take 2^12 steps, within the depth that is allowed
		deep = "(0 < " + deep + " < 2 ? 1 : 2)"
	}
	for name, c := range map[string]struct{ source, want string }{
		"10,000 parentheses": {strings.Repeat("(", 10_000) + "1" + strings.Repeat(")", 10_000), "at most 2000"}, "10 MB": {strings.Repeat("1+", 5<<20), "at most 2000"}, "only open": {"((((", "never closed"},
		"900 parentheses": {strings.Repeat("(", 900) + "1" + strings.Repeat(")", 900), "more than 30 deep"}, "1900 open": {strings.Repeat("(", 1900), "more than 30 deep"}, "1900 minus": {strings.Repeat("-", 1900) + "1", "parts"}, "100 minus": {strings.Repeat("-", 100) + "1", "30 deep"},
		"400 not": {strings.Repeat("not ", 400) + "dry", "parts"}, "a long sum": {strings.Repeat("1+", 900) + "1", "parts"}, "199 parts": {strings.Repeat("1+", 99) + "1", ""}, "201 parts": {strings.Repeat("1+", 100) + "1", "200 parts"}, "a chain of comparisons": {strings.Repeat("1<", 900) + "2", "parts"}, "chains in chains": {deep, "too large"},
		"deep conditions": {strings.Repeat("dry?1:", 50) + "2", "30 deep"}, "deep calls": {strings.Repeat("abs(", 300) + "1", "more than 30 deep"}, "many arguments": {"max(" + strings.Repeat("1,", 900) + "1)", "parts"},
		"a huge number": {"1e999999999", "power of ten"}, "a huge number in quotes": {`"1e999999999 g"`, ""}, "a long number": {strings.Repeat("9", 1999), "too many digits"}, "powers of powers": {"((9e30 ** 12) ** 12) ** 12", "4000 bits"},
		"powers of units": {"(((side ** 12) ** 12) ** 12)", "beyond 12"}, "a zero divided": {"1/0", "divides by zero"}, "no character": {"", "empty"}, "blanks": {" \n\t ", "empty"}, "NUL": {"1\x00", "U+0000"}, "not UTF-8": {"gross\xff\xfe", "not UTF-8"},
		"half a surrogate": {"\xed\xa0\x80", "not UTF-8"}, "a mark of direction": {"gross \u202e- tare", "U+202E"}, "an isolate in quotes": {"colour == \"a\u2066b\"", "U+2066"}, "a joiner": {"gr\u200doss", "U+200D"}, "a byte order mark": {"\ufeffgross", "U+FEFF"},
		"another alphabet": {"gr\u043ess", "no place"}, "wide digits": {"\uff11+1", "no place"}, "a tag": {"gross\U000e0041", "U+E0041"}, "a bell": {"\a", "U+0007"}, "a lone return": {"gross\r- tare", "U+000D"},
	} {
		begun := time.Now()
		f, err := formula.Compile(c.source, formula.Options{Names: types})
		if err == nil {
			_, err = f.Eval(t.Context(), in)
		}
		if took := time.Since(begun); took > time.Second {
			t.Errorf("%s took %v", name, took)
		}
		if err != nil && len(err.Error()) > 4000 || err == nil && c.want != "" || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %.300v; want %q", name, err, c.want)
		}
	}
}

// TestListsThatGrow sums fractions that have no denominator in common: exact, they would grow without end.
func TestListsThatGrow(t *testing.T) {
	u := unitOf(t, "g")
	var x []formula.Quantity
	for i := range formula.MaxList {
		den := new(big.Int).Add(new(big.Int).Lsh(big.NewInt(1), 40), big.NewInt(int64(2*i+1)))
		x = append(x, formula.Quantity{N: new(big.Rat).SetFrac(big.NewInt(1), den), Unit: u})
	}
	o := formula.Options{Names: map[string]formula.Type{"x": formula.ListIn(u)}}
	for _, source := range []string{"sum(x)", "mean(x)", "sd(x)", "cv(x)", "within(x, 2)"} {
		f, err := formula.Compile(source, o)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.Eval(t.Context(), map[string]formula.Value{"x": formula.OfList(x)}); err == nil || !strings.Contains(err.Error(), "4000 bits") {
			t.Errorf("%s: %v", source, err)
		}
	}
	f, err := formula.Compile("count(x)", o)
	if err != nil {
		t.Fatal(err)
	}
	if r, err := f.Eval(t.Context(), map[string]formula.Value{"x": formula.OfList(x)}); err != nil || r.Trace.Rounded != "10000" {
		t.Errorf("%v %v", r.Trace.Rounded, err)
	}
	if _, err := f.Eval(t.Context(), map[string]formula.Value{"x": formula.OfList(append(x, x[0]))}); err == nil || !strings.Contains(err.Error(), "has 10001 values") {
		t.Errorf("%v", err)
	}
	many, err := formula.Compile(strings.Repeat("count(x) + ", 30)+"0", o)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := many.Eval(t.Context(), map[string]formula.Value{"x": formula.OfList(x)}); err == nil || !strings.Contains(err.Error(), "more than 200000 values") {
		t.Errorf("%v", err)
	}
}

func TestTheContextEndsAnEvaluation(t *testing.T) {
	types, in := bench(t)
	f, err := formula.Compile("mean(lots) + gross", formula.Options{Names: types})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if _, err := f.Eval(ctx, in); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}

// FuzzFormulas has any text answered or refused with a sentence.
func FuzzFormulas(f *testing.F) {
	for _, seed := range []string{"(gross - tare) / gross", `cv(lots) <= "4 %" ? mean(lots) : mean(within(lots, 2))`, "1e30 ** 12", "((((", "a?b:c", "\u202e", `"10 mg" + 'x'`, "1 < 2 < 3", "max(1,2,", "not not dry", "-+-1", "gross\r\n+ drop",
		"[1,2]", "{}", "#", "a.b", "let x=1;x", "0x1p-2", "b'x'", "1..2", "::f()", "a?.b", "x|f", "`x`", "twice(gross)", "if a {1} else {2}", "\xff", "1\x00", "??", "a ? : b", "**", "''"} {
		f.Add(seed)
	}
	types, in := bench(f)
	o := twice(types)
	f.Fuzz(func(t *testing.T, source string) { hold(t, source, o, in) })
}

// FuzzQuantities has any text be a quantity that reads back the same, or a sentence.
func FuzzQuantities(f *testing.F) {
	for _, seed := range []string{"12.50 mg", "1", "-0.0 g/m2", "1e-6 Cel", "1 [ppm]", "1 g.m-2/s", "1 \u00b5g", "1e99 g", "1 {pieces}", "1 [", "1 ]", "+1 /K"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, s string) {
		q, err := formula.ParseQuantity(s)
		if err != nil {
			return
		}
		again, err := formula.ParseQuantity(q.String())
		if err != nil || again.N.Cmp(q.N) != 0 || again.Unit.Dimension() != q.Unit.Dimension() {
			t.Fatalf("%q is %q, which reads back as %v, %v", s, q, again, err)
		}
	})
}
