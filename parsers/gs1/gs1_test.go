package gs1

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// TestPublishedCheckDigits: keys as they were published with their check digits.
func TestPublishedCheckDigits(t *testing.T) {
	for key, source := range map[string]string{
		"376104250021234569": "GS1 General Specifications, section 7.9.1, example of the calculation (table 7-9 in older releases)",
		"6291041500213":      "gs1.org, how to calculate a check digit manually (from memory)",
		"8904000210037":      "gs1india.org, how to calculate the check digit",
		"5012345678900":      "GS1 UK, calculating your check digit: 501234567890C",
		"02345673":           "GS1 syntax dictionary, tests of the linter csum, as are the next",
		"416000336108":       "csum", "1234567890128": "csum", "12345678901231": "csum", "123456789012345675": "csum",
	} {
		last := len(key) - 1
		if got, ok := CheckDigit(key[:last]); !ok || got != key[last] {
			t.Errorf("%s (%s): %c", key, source, got)
		}
		for i := range key { // one wrong digit, and two neighbours that changed places, unless they differ by 5: what the sum can show
			wrong := []byte(key)
			wrong[i] = '0' + (wrong[i]-'0'+1)%10
			if got, _ := CheckDigit(string(wrong[:last])); got == wrong[last] {
				t.Errorf("%s passes for %s", wrong, key)
			}
		}
	}
	for _, bad := range []string{"", "12a", "١٢٣"} {
		if _, ok := CheckDigit(bad); ok {
			t.Errorf("%q has a check digit", bad)
		}
	}
}

// TestPredefinedLengths holds the table against the AIs that the GS1 syntax dictionary marks as not needing a separator, and figure
// 7.8.5-2 of the General Specifications, which gives their lengths with the AI by the first two digits (from memory).
func TestPredefinedLengths(t *testing.T) {
	marked := map[string]int{"00": 18, "01": 14, "02": 14, "11": 6, "12": 6, "13": 6, "15": 6, "16": 6, "17": 6, "20": 2,
		"410": 13, "411": 13, "412": 13, "413": 13, "414": 13, "415": 13, "416": 13, "417": 13}
	for _, n := range []int{310, 311, 312, 313, 314, 315, 316, 320, 321, 322, 323, 324, 325, 326, 327, 328, 329, 330, 331, 332, 333, 334, 335, 336,
		337, 340, 341, 342, 343, 344, 345, 346, 347, 348, 349, 350, 351, 352, 353, 354, 355, 356, 357, 360, 361, 362, 363, 364, 365, 366, 367, 368, 369} {
		for places := range 6 {
			marked[fmt.Sprintf("%d%d", n, places)] = 6
		}
	}
	marked["03"] = 14 // since release 24 (MTO GTIN), which the dictionary that was read does not have yet
	for ai, f := range table {
		if want, fixed := marked[ai]; fixed != f.fixed {
			t.Errorf("AI (%s): fixed %v, in the dictionary %v", ai, f.fixed, fixed)
		} else if least, most := f.lengths(); fixed && (least != want || most != want) {
			t.Errorf("AI (%s) has %d to %d characters, want %d", ai, least, most, want)
		}
		if total := predefined[ai[:2]]; total > 0 {
			if _, most := f.lengths(); most+len(ai) != total {
				t.Errorf("AI (%s) has %d characters with its value, and %d by its first two digits", ai, most+len(ai), total)
			}
		}
	}
	for ai := range marked {
		if !Known(ai) {
			t.Errorf("AI (%s) is not known", ai)
		}
	}
	for two := range 100 { // whatever its first digits are, it is known how long an AI is
		for ai := range table {
			if p := fmt.Sprintf("%02d", two); strings.HasPrefix(ai, p) && longest[p] != len(ai) {
				t.Errorf("AI (%s) begins as AIs with %d digits", ai, longest[p])
			}
		}
	}
}

var good = []struct {
	data string
	want []Element
}{
	{"0109506000134352", []Element{{"01", "09506000134352"}}},
	{"010950600013435210ABC123\x1d17261231", []Element{{"01", "09506000134352"}, {"10", "ABC123"}, {"17", "261231"}}},
	{"\x1d10ABC\x1d21S-7", []Element{{"10", "ABC"}, {"21", "S-7"}}},
	{"00376104250021234569", []Element{{"00", "376104250021234569"}}},
	{"3103001250\x1d10L/7+#"[:10], []Element{{"3103", "001250"}}},
	{"17260200\x1d10A", []Element{{"17", "260200"}, {"10", "A"}}}, // a separator behind what needs none
	{"10ABC\x1d", []Element{{"10", "ABC"}}},
	{"10A\x1d10A", []Element{{"10", "A"}}},
	{"8004BAL-12\x1d4145412345000013", []Element{{"8004", "BAL-12"}, {"414", "5412345000013"}}},
	{"253123456789012812A", []Element{{"253", "123456789012812A"}}},
	{"7007260101260131\x1d10A", []Element{{"7007", "260101260131"}, {"10", "A"}}},
}

func TestParse(t *testing.T) {
	for _, c := range good {
		got, err := Parse(c.data, false)
		if err != nil || !reflect.DeepEqual(got, c.want) {
			t.Errorf("%q: %v, %v", c.data, got, err)
			continue
		}
		for _, again := range []func() ([]Element, error){
			func() ([]Element, error) { return Parse(Write(got), true) },
			func() ([]Element, error) { return ParseBracketed(Bracketed(got)) },
		} {
			if back, err := again(); err != nil || !reflect.DeepEqual(back, got) {
				t.Errorf("%q does not come back: %v, %v", c.data, back, err)
			}
		}
	}
}

func TestRefused(t *testing.T) {
	for _, c := range []struct{ data, ai, says string }{
		{"", "", "should stand"},
		{"\x1d", "", "should stand"},
		{"1", "", "should stand"},
		{"ABC", "", "should stand"},
		{"10", "10", "no value"},
		{"0109506000134351", "01", "check digit 1, and 2 is right"},
		{"010950600013435", "01", "at least 14"},
		{"0195060001343\x1d52", "01", "at least 14"},
		{"17261301", "17", "no date"},
		{"17260230", "17", "no date"},
		{"7003260200" + "1200", "7003", "no date"}, // a day is needed here
		{"10ABCDEFGHIJKLMNOPQRSTU", "10", "at most 20"},
		{"10A~", "10", "'~', which does not belong"},
		{"10A\x1d\x1d21B", "", "second separator"},
		{"10A\x1d10B", "10", "is there twice"},
		{"10ABC21XYZ", "10", "AI (21) behind it"},
		{"10ABC17261231", "10", "AI (17) behind it"},
		{"21S10L", "21", "AI (10) behind it"},
		{"0499999999999999999", "", "no application identifier that is known"},
		{"3106001250", "", "no application identifier that is known"},
		{"4020123456789012345", "402", "at least 17"},
		{"70072601012601", "7007", "ends after 4 characters"},
		{"10" + strings.Repeat("A", 600), "", "at most 512"},
		{"10A B", "10", "' '"},
	} {
		_, err := Parse(c.data, false)
		var f *Fault
		if !errors.As(err, &f) || f.AI != c.ai || !strings.Contains(f.Error(), c.says) || f.At < 1 || f.At > len(c.data)+1 {
			t.Errorf("%q: %v", c.data, err)
		}
	}
	if got, err := Parse("10ABC21XYZ", true); err != nil || len(got) != 1 {
		t.Errorf("a scanner that sends separators: %v, %v", got, err)
	}
	if _, err := Parse("10ABCD", false); err != nil {
		t.Errorf("nothing in it could be another element: %v", err)
	}
	for _, bad := range []string{"", "10ABC", "(10)", "(1)A", "(99999)A", "(01)09506000134351", "x(10)A", "(10)A(10)B", "(10"} {
		if got, err := ParseBracketed(bad); err == nil {
			t.Errorf("%q: %v", bad, got)
		}
	}
	if got, err := ParseBracketed(" (10) "); err == nil {
		t.Errorf("an empty value: %v", got)
	}
	if got, err := ParseBracketed("(10)A(x)B (21)C"); err != nil || !reflect.DeepEqual(got, []Element{{"10", "A(x)B"}, {"21", "C"}}) {
		t.Errorf("brackets within a value: %v, %v", got, err)
	}
}

// TestDates: the rule for the century by General Specifications, figure 7.12-1 (from memory), around its two edges.
func TestDates(t *testing.T) {
	for _, c := range []struct{ value, today, want string }{
		{"261231", "2026-11-25", "2026-12-31"},
		{"260200", "2026-11-25", "2026-02-28"},
		{"280200", "2026-11-25", "2028-02-29"},
		{"280229", "2026-11-25", "2028-02-29"},
		{"760101", "2026-11-25", "2076-01-01"}, // 50 ahead
		{"770101", "2026-11-25", "1977-01-01"}, // 51 ahead
		{"000101", "2049-06-01", "2000-01-01"}, // 49 behind
		{"000101", "2050-06-01", "2100-01-01"}, // 50 behind
		{"990101", "2000-01-01", "1999-01-01"},
		{"000229", "2060-01-01", ""}, // 2100 is no leap year
		{"260229", "2026-11-25", ""},
	} {
		today, _ := time.Parse(time.DateOnly, c.today)
		got, ok := Element{"17", c.value}.Date(today)
		if ok != (c.want != "") || ok && got.Format(time.DateOnly) != c.want {
			t.Errorf("%s on %s: %v, %v", c.value, c.today, got, ok)
		}
	}
	if _, ok := (Element{"10", "261231"}).Date(time.Now()); ok {
		t.Error("a lot is a date")
	}
	if got, ok := (Element{"7003", "2612311530"}).Date(time.Unix(1795954980, 0)); !ok || got.Day() != 31 {
		t.Errorf("%v %v", got, ok)
	}
}

func TestDecimals(t *testing.T) {
	for _, c := range []struct{ ai, value, want string }{
		{"3103", "001250", "1.250"}, {"3100", "001250", "1250"}, {"3105", "000001", "0.00001"}, {"3100", "000000", "0"},
		{"3922", "1234", "12.34"}, {"3932", "978001234", "12.34"}, {"3909", "1", "0.000000001"}, {"10", "5", ""}, {"3102", "12a", ""},
	} {
		if got, ok := (Element{c.ai, c.value}).Decimal(); got != c.want || ok != (c.want != "") {
			t.Errorf("(%s)%s: %q %v", c.ai, c.value, got, ok)
		}
	}
}

func TestSymbology(t *testing.T) {
	for scan, want := range map[string][2]string{"]C110A": {"]C1", "10A"}, "]d2x": {"]d2", "x"}, "]C0P-7": {"]C0", "P-7"}, "]C": {"", "]C"}, "x]C1": {"", "x]C1"}, "]19a": {"", "]19a"}} {
		if id, rest := Symbology(scan); id != want[0] || rest != want[1] {
			t.Errorf("%q: %q %q", scan, id, rest)
		}
	}
	if !Carries("]C1") || !Carries("]d2") || !Carries("]Q3") || !Carries("]e0") || Carries("]C0") || Carries("]d1") || Carries("") {
		t.Error("which symbologies carry element strings")
	}
}

// TestMadeUpStringsComeBack writes random elements and reads them.
func TestMadeUpStringsComeBack(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	var ais []string
	for ai := range table {
		ais = append(ais, ai)
	}
	slices.Sort(ais)
	for range 5000 {
		var list []Element
		for range 1 + random.IntN(5) {
			ai := ais[random.IntN(len(ais))]
			if value := madeUp(table[ai], random); !slices.ContainsFunc(list, func(e Element) bool { return e.AI == ai }) {
				list = append(list, Element{ai, value})
			}
		}
		if got, err := Parse(Write(list), true); err != nil || !reflect.DeepEqual(got, list) {
			t.Fatalf("%q: %v, want %v: %v", Write(list), got, list, err)
		}
		// Without its separators it is never read as something else in silence: as it is, or not at all.
		if bare := strings.ReplaceAll(Write(list), "\x1d", ""); bare != Write(list) {
			if got, err := Parse(bare, false); err == nil && !reflect.DeepEqual(got, list) {
				t.Fatalf("%q without separators reads as %v", Write(list), got)
			}
		}
	}
}

func madeUp(f format, random *rand.Rand) string {
	var b strings.Builder
	for _, p := range f.parts {
		n := p.least + random.IntN(p.most-p.least+1)
		if p.whole && n > 0 {
			n = p.most
		}
		var text []byte
		for len(text) < n {
			if c := byte(33 + random.IntN(94)); p.holds(c) {
				text = append(text, c)
			}
		}
		if p.date && n > 0 {
			text = []byte(time.Date(2000+random.IntN(100), 1, 1+random.IntN(365), 0, 0, 0, 0, time.UTC).Format("060102"))
		}
		if p.check {
			text[n-1], _ = CheckDigit(string(text[:n-1]))
		}
		if b.Write(text); n < p.most {
			break // what may be missing comes last
		}
	}
	return b.String()
}

func FuzzParse(f *testing.F) {
	for _, c := range good {
		f.Add(c.data)
		f.Add(Bracketed(c.want))
	}
	f.Fuzz(func(t *testing.T, data string) {
		for _, trusted := range []bool{true, false} {
			list, err := Parse(data, trusted)
			if err != nil {
				var fault *Fault
				if !errors.As(err, &fault) || fault.At < 1 || fault.At > MaxLength+1 {
					t.Fatalf("%q: %v", data, err)
				}
				continue
			}
			again, err := Parse(Write(list), true)
			if err != nil || !reflect.DeepEqual(again, list) {
				t.Fatalf("%q: %v, then %v: %v", data, list, again, err)
			}
			for _, e := range list {
				e.Date(time.Unix(0, 0))
				e.Decimal()
				if _, err := strconv.Atoi(e.AI); err != nil {
					t.Fatalf("%v", e)
				}
			}
		}
		if list, err := ParseBracketed(data); err == nil && len(list) == 0 {
			t.Fatalf("%q reads as nothing", data)
		}
	})
}
