package decimal_test

import (
	"bytes"
	"math/big"
	"testing"

	"github.com/cockroachdb/apd/v3"

	"weighpost/parsers/decimal"
)

// grammar is the reference for what is a number at all, written apart from Parse: it strips the sign, takes one point out
// and looks whether 1 to 18 ASCII digits are left.
func grammar(b []byte) bool {
	if bytes.HasPrefix(b, []byte("+")) || bytes.HasPrefix(b, []byte("-")) {
		b = b[1:]
	}
	b = bytes.Join(bytes.SplitN(b, []byte("."), 2), nil)
	return len(b) >= 1 && len(b) <= decimal.MaxDigits && len(bytes.Trim(b, "0123456789")) == 0
}

// FuzzParse holds Parse against an arbitrary-precision parser that is not ours, and its text against what went in.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"", "0", "+0.5000", "-0.0000", "00012.30", ".5", "12.", "-", ".", "1e5", "1,5", " 1", "9.9.9",
		"999999999999999999", "1234567890123456789", "-.000000000000000001", "Inf", "NaN", "0x1", "1_0", "--1", "+-1"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		given := bytes.Clone(b)
		d, err := decimal.Parse(b)
		if !bytes.Equal(b, given) {
			t.Fatalf("Parse changed its input %q to %q", given, b)
		}
		if (err == nil) != grammar(b) {
			t.Fatalf("Parse(%q): %v, but the grammar says %v", b, err, grammar(b))
		}
		if err != nil {
			return
		}
		if d.String() != string(b) {
			t.Fatalf("Parse(%q).String() = %q", b, d)
		}
		reference, _, err := apd.NewFromString(string(b))
		if err != nil {
			t.Fatalf("the reference refuses %q: %v", b, err)
		}
		want := new(big.Rat).SetInt(reference.Coeff.MathBigInt())
		if reference.Negative {
			want.Neg(want)
		}
		want.Quo(want, new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(-reference.Exponent)), nil)))
		if d.Rat().Cmp(want) != 0 || d.Scale() != int(-reference.Exponent) {
			t.Fatalf("Parse(%q) = %v at scale %d, the reference has %v at %d", b, d.Rat(), d.Scale(), want, -reference.Exponent)
		}
	})
}
