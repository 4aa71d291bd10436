package decimal_test

import (
	"errors"
	"math/big"
	"strings"
	"testing"

	"weighpost/parsers/decimal"
)

func TestParseKeepsTheText(t *testing.T) {
	for _, c := range []struct {
		text        string
		coefficient int64
		scale       int
		whole       int
	}{
		{"0", 0, 0, 1},
		{"12.3450", 123450, 4, 2},
		{"+0.5000", 5000, 4, 1},
		{"-0.0000", 0, 4, 1},
		{"-0.0003", -3, 4, 1},
		{"00012.30", 1230, 2, 5},
		{".5", 5, 1, 0},
		{"-.5", -5, 1, 0},
		{"12.", 12, 0, 2},
		{"0000", 0, 0, 4},
		{"999999999999999999", 999999999999999999, 0, 18},
		{".000000000000000001", 1, 18, 0},
		{"-0.12345678901234567", -12345678901234567, 17, 1},
	} {
		d, err := decimal.Parse([]byte(c.text))
		if err != nil {
			t.Errorf("Parse(%q): %v", c.text, err)
			continue
		}
		if d.String() != c.text {
			t.Errorf("Parse(%q).String() = %q", c.text, d)
		}
		if d.Coefficient() != c.coefficient || d.Scale() != c.scale || d.WholeDigits() != c.whole {
			t.Errorf("Parse(%q) = %d, scale %d, %d whole digits; want %d, %d, %d", c.text,
				d.Coefficient(), d.Scale(), d.WholeDigits(), c.coefficient, c.scale, c.whole)
		}
		if d.IsZero() != (c.coefficient == 0) || d.Negative() != strings.HasPrefix(c.text, "-") {
			t.Errorf("Parse(%q): IsZero %v, Negative %v", c.text, d.IsZero(), d.Negative())
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for text, want := range map[string]error{
		"":                       decimal.ErrNoDigits,
		"+":                      decimal.ErrNoDigits,
		"-.":                     decimal.ErrNoDigits,
		".":                      decimal.ErrNoDigits,
		"1,5":                    decimal.ErrCharacter,
		" 1":                     decimal.ErrCharacter,
		"1 ":                     decimal.ErrCharacter,
		"1e5":                    decimal.ErrCharacter,
		"--1":                    decimal.ErrCharacter,
		"+-1":                    decimal.ErrCharacter,
		"1-":                     decimal.ErrCharacter,
		"1.2.3":                  decimal.ErrCharacter,
		"0x10":                   decimal.ErrCharacter,
		"1_000":                  decimal.ErrCharacter,
		"٣":                      decimal.ErrCharacter, // a digit, but not an ASCII one
		"−1":                     decimal.ErrCharacter, // U+2212 is for the layout to map
		"1\x00":                  decimal.ErrCharacter,
		"1234567890123456789":    decimal.ErrTooLong,
		"0000000000000000001":    decimal.ErrTooLong,
		"0.000000000000000000":   decimal.ErrTooLong,
		strings.Repeat("9", 1e6): decimal.ErrTooLong,
	} {
		if d, err := decimal.Parse([]byte(text)); !errors.Is(err, want) || d != (decimal.Decimal{}) {
			t.Errorf("Parse(%.30q) = %v, %v; want %v", text, d, err, want)
		}
	}
}

func TestZeroValueIsZero(t *testing.T) {
	var d decimal.Decimal
	if d.String() != "0" || !d.IsZero() || d.Cmp(decimal.MustParse("-0.00")) != 0 || d.Rat().Sign() != 0 {
		t.Errorf("the zero value is %q", d)
	}
}

func TestNewPrintsAllDecimals(t *testing.T) {
	for _, c := range []struct {
		coefficient int64
		scale       int
		text        string
	}{
		{-5, 3, "-0.005"}, {0, 2, "0.00"}, {12345, 2, "123.45"}, {7, 0, "7"}, {100, 0, "100"},
		{1, 18, ".000000000000000001"}, {999999999999999999, 17, "9.99999999999999999"},
	} {
		d, ok := decimal.New(c.coefficient, c.scale)
		if !ok || d.String() != c.text || d != decimal.MustParse(c.text) {
			t.Errorf("New(%d, %d) = %q, %v; want %q", c.coefficient, c.scale, d, ok, c.text)
		}
	}
	for _, c := range [][2]int64{{1e18, 0}, {-1e18, 0}, {-1 << 63, 0}, {1, -1}, {1, 19}} {
		if d, ok := decimal.New(c[0], int(c[1])); ok {
			t.Errorf("New(%d, %d) = %q; want it refused", c[0], c[1], d)
		}
	}
}

func TestTextRoundTrip(t *testing.T) {
	d := decimal.MustParse("+0012.50")
	text, err := d.MarshalText()
	if err != nil || string(text) != "+0012.50" {
		t.Fatalf("MarshalText = %q, %v", text, err)
	}
	var back decimal.Decimal
	if err := back.UnmarshalText(text); err != nil || back != d {
		t.Errorf("UnmarshalText(%q) = %v, %v", text, back, err)
	}
	if err := back.UnmarshalText([]byte("12 g")); err == nil || back != d {
		t.Errorf("a refused text gave %v and changed the value to %v", err, back)
	}
}

func TestRatIsExact(t *testing.T) {
	if got, want := decimal.MustParse("-0.0003").Rat(), big.NewRat(-3, 10000); got.Cmp(want) != 0 {
		t.Errorf("Rat = %v, want %v", got, want)
	}
}

func TestNothingAllocates(t *testing.T) {
	text, dst := []byte("+0012.3450"), make([]byte, 0, 32)
	allocs := testing.AllocsPerRun(100, func() {
		d, err := decimal.Parse(text)
		if err != nil {
			t.Fatal(err)
		}
		dst = d.AppendTo(dst[:0])
		if s, ok := d.Sub(d); !ok || s.Cmp(d) != -1 {
			t.Fatal("0 is not below 12.345")
		}
	})
	if allocs != 0 {
		t.Errorf("%v allocations for parse, print, subtract and compare; want none", allocs)
	}
}

func BenchmarkParse(b *testing.B) {
	text := []byte("+0012.3450")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := decimal.Parse(text); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkParseAndAppend(b *testing.B) {
	text, dst := []byte("+0012.3450"), make([]byte, 0, 32)
	b.ReportAllocs()
	for b.Loop() {
		d, _ := decimal.Parse(text)
		dst = d.AppendTo(dst[:0])
	}
}
