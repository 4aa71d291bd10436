package secret

import (
	"strings"
	"testing"
)

// TestPolicyIsThatOfNIST is the rules of NIST SP 800-63B-4 (2025), section 3.1.1.2, by the number in its list, one or more cases
// each. Rules on what a page may show (7, 8, paste, display) are kept where the page is.
func TestPolicyIsThatOfNIST(t *testing.T) {
	const fine = "lentil sorrel vetch under glass"
	short, long := "abgrund im rohr", strings.Repeat("kelp", 4)
	_ = long
	for _, c := range []struct {
		clause, name, secret string
		refused              string // a word of the reason; "" for allowed
	}{
		{"3.1.1.2 (1)", "15 characters alone", "sieben fauna 99", ""},
		{"3.1.1.2 (1)", "14 characters alone", "sieben fauna 9", "needs at least 15"},
		{"3.1.1.2 (2)", "64 characters", passage(64), ""},
		{"3.1.1.2 (2)", "256 characters", passage(256), ""},
		{"3.1.1.2 (2)", "257 characters are refused, not cut", passage(257), "more than 256"},
		{"3.1.1.2 (3)", "all printing ASCII", "!\"#$%&'()*+,-./0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVWXYZ[\\]^_`abcdefghijklmnopqrstuvwxyz{|}~", ""},
		{"3.1.1.2 (3)", "signs alone", "#%^&*()_+{}|:?<>~-", ""},
		{"3.1.1.2 (3)", "spaces inside, before and after", "  moor halm igel  ", ""},
		{"3.1.1.2 (4)", "Unicode", "семена ржи и овса", ""},
		{"3.1.1.2 (4)", "each code point is one", "🌱🌾🍃🌿🍂🌻🌽🥕🍄🌰🍁🌵🌴🌲🌳", ""},
		{"3.1.1.2 (4)", "code points, not bytes", "🌱🌾🍃🌿🍂🌻🌽🥕🍄🌰🍁🌵🌴🌲", "has 14 characters"},
		{"3.1.1.2 (5)", "small letters only", "halmfruchtigelmoor", ""},
		{"3.1.1.2 (5)", "digits only", "804913570265318", ""},
		{"3.1.1.2 (5)", "no capital, digit or sign needed", short, ""},
		{"3.1.1.2 NFC", "counted after normalisation", "gru\u0308n moor igel", "has 14 characters"},
		{"3.1.1.2 block list", "commonly used", "Password12345678", "many people"},
		{"3.1.1.2 block list", "commonly used, written otherwise", "P@$$w0rd-P@ssw0rd1", "tried first"},
		{"3.1.1.2 block list", "two common words and a year", "SunshineSummer2026", "many people"},
		{"3.1.1.2 block list", "a famous example", "correct horse battery staple", "many people"},
		{"3.1.1.2 block list", "repetition", "aaaaaaaaaaaaaaaa", "repeated"},
		{"3.1.1.2 block list", "repetition of a piece", "kelp7kelp7kelp7kelp7", "repeated"},
		{"3.1.1.2 block list", "sequence", "abcdefghijklmnop", "sequence"},
		{"3.1.1.2 block list", "sequence backwards", "9876543210987654", "sequence"},
		{"3.1.1.2 block list", "keyboard", "qwertyuiopasdfgh", "sequence"},
		{"3.1.1.2 block list", "keyboard, columns", "1qaz2wsx3edc4rfv", "sequence"},
		{"3.1.1.2 block list", "name of the service", "weighpost-Weighpost", "repeated"},
		{"3.1.1.2 block list", "name of the service and a year", "Weighpost Password 2026", "your name"},
		{"3.1.1.2 block list", "the lab", "northern seedbank 1", "your name"},
		{"3.1.1.2 block list", "the person", "odalys fernwald 77", "your name"},
		{"3.1.1.2 block list", "the person, backwards", "dlawnref sylado", "your name"},
		{"3.1.1.2 block list", "the person's id", "p-fernwald-secret", "your name"},
		{"3.1.1.2 block list", "whole, not what is contained: a common word", "password lentil sorrel", ""},
		{"3.1.1.2 block list", "whole, not what is contained: the name", "fernwald sorrel kaolin", ""},
		{"3.1.1.2 block list", "whole: three common words", "summer piano orange", ""},
		{"3.1.1.2 (9)", "nothing is cut off", fine, ""},
		{"RFC 20", "control characters are no characters", "lentil sorrel\x00 vetch", "no character"},
		{"ISO/IEC 10646", "damaged text", "lentil sorrel vetch \xff", "no character"},
	} {
		err := Policy{Site: "northern-seedbank"}.Check(c.secret, "p-fernwald", "Odalys Fernwald")
		switch {
		case c.refused == "" && err != nil:
			t.Errorf("%s, %s: refused: %v", c.clause, c.name, err)
		case c.refused != "" && err == nil:
			t.Errorf("%s, %s: allowed", c.clause, c.name)
		case err != nil && !strings.Contains(err.Error(), c.refused):
			t.Errorf("%s, %s: %v", c.clause, c.name, err)
		case err != nil && strings.Contains(err.Error(), c.secret):
			t.Errorf("%s, %s: the reason repeats the secret", c.clause, c.name)
		}
	}
}

// TestNothingOfASecretIsCutOff: NIST 3.1.1.2 (9): the last character of the longest one counts.
func TestNothingOfASecretIsCutOff(t *testing.T) {
	h := NewHasher(cheap, 1, 1)
	long := strings.Repeat("🌱🌾🍃🌿", MostCharacters/4)
	kept := mustHash(t, h, long)
	if ok, _, _ := h.Verify(t.Context(), kept, long); !ok {
		t.Error("the longest secret is not verified")
	}
	if ok, _, _ := h.Verify(t.Context(), kept, strings.TrimSuffix(long, "🌿")+"🌰"); ok {
		t.Error("the last character does not count")
	}
}

// TestNothingMustBeChangedByItself: NIST 3.1.1.2 (6); 21 CFR 11.300(b) lets a lab say otherwise.
func TestNothingMustBeChangedByItself(t *testing.T) {
	var k Kept
	k.SetPassword("$hash", at(0), false)
	if k.Expired(PasswordConfig{}.Expires.D(), at(20*365*24*60)) {
		t.Error("a password expired though nobody asked for that")
	}
	if !k.Expired(24*60*minute, at(24*60)) || k.Expired(24*60*minute, at(24*60-1)) {
		t.Error("it does not expire when the lab's policy says so")
	}
	k.SetPassword("$hash", at(0), true)
	if !k.Expired(0, at(1)) {
		t.Error("one that somebody else set need not be changed")
	}
}

func TestFormerSecretsAreNotReused(t *testing.T) {
	h := NewHasher(cheap, 1, 1)
	var k Kept
	for _, s := range []string{"first", "second", "third", "fourth"} {
		k.SetPassword(mustHash(t, h, s), at(0), false)
	}
	for secret, want := range map[string]bool{"fourth": true, "third": true, "second": true, "first": false, "other": false} {
		if got, err := h.Reused(t.Context(), k, secret, 2); got != want || err != nil {
			t.Errorf("%s: %t, %v", secret, got, err)
		}
	}
	if got, _ := h.Reused(t.Context(), k, "fourth", 0); got {
		t.Error("reuse is refused though policy does not say so")
	}
	for range 2 * MostFormer {
		k.SetPassword("$x", at(0), false)
	}
	if len(k.Former) != MostFormer {
		t.Errorf("%d former ones are kept", len(k.Former))
	}
}

// passage gives a text of so many characters that repeats nothing.
func passage(n int) string {
	var b strings.Builder
	for i := 0; b.Len() < n; i++ {
		b.WriteString([]string{"moor", "halm", "igel", "rohr", "kelp", "farn", "vetch"}[(i*i+i/3)%7] + string(rune('b'+i%23)))
	}
	return b.String()[:n]
}

func TestPIN(t *testing.T) {
	for _, c := range []struct {
		name, pin, refused string
		policy             PINPolicy
	}{
		{"six digits", "805317", "", PINPolicy{}},
		{"five digits", "80531", "needs at least 6", PINPolicy{}},
		{"the lab allows four", "8053", "", PINPolicy{Minimum: 4}},
		{"the lab wants eight", "805317", "needs at least 8", PINPolicy{Minimum: 8}},
		{"letters", "80531x", "digits", PINPolicy{}},
		{"other digits", "８０５３１７", "digits", PINPolicy{}},
		{"33 digits", strings.Repeat("805317264", 4)[:33], "more than 32", PINPolicy{}},
		{"repetition", "777777", "repetition", PINPolicy{}},
		{"pairs", "282828", "repetition", PINPolicy{}},
		{"sequence", "345678", "sequence", PINPolicy{}},
		{"sequence backwards", "876543", "sequence", PINPolicy{}},
		{"common", "159753", "most people", PINPolicy{}},
		{"the badge", "604815", "badge", PINPolicy{}},
	} {
		err := c.policy.Check(c.pin, "p-7", "B604815")
		if (err != nil) != (c.refused != "") || err != nil && (!strings.Contains(err.Error(), c.refused) || strings.Contains(err.Error(), c.pin)) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// TestAPINSignsOnlyWhereThePolicySaysSo, and with its own least length.
func TestAPINSignsOnlyWhereThePolicySaysSo(t *testing.T) {
	for _, c := range []struct {
		config PINConfig
		digits int
		may    bool
	}{
		{PINConfig{}, 32, false}, {PINConfig{SignsMinimum: 6}, 32, false}, {PINConfig{Signs: true}, 8, true}, {PINConfig{Signs: true}, 7, false},
		{PINConfig{Signs: true, SignsMinimum: 10}, 9, false}, {PINConfig{Signs: true, SignsMinimum: 10}, 10, true},
	} {
		if got := c.config.Policy().MaySign(c.digits); got != c.may {
			t.Errorf("%+v, %d digits: %t", c.config, c.digits, got)
		}
	}
}

// TestTheListIsAsLongAsIsSaid: some 480 words, and more than the 100 guesses that are looked at (NIST 3.1.1.2 and 3.2.2).
func TestTheListIsAsLongAsIsSaid(t *testing.T) {
	if n := len(common()); n < 470 || n > 490 {
		t.Errorf("%d words", n)
	}
}
