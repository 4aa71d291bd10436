package screens

import (
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// TestATargetIsShownAsFineAsTheBalanceIs, with the least that passes rounded up and the most down, and finer where nothing could pass otherwise.
func TestATargetIsShownAsFineAsTheBalanceIs(t *testing.T) {
	for _, c := range []struct{ wanted, low, high, readability, shown string }{
		{"0.050010001", "0.0450090009", "0.0550110011", "0.0001", "0.0500 0.0451 0.0550"},
		{"0.050010001", "0.0450090009", "0.0550110011", "0.00001", "0.05001 0.04501 0.05501"},
		{"0.050010001", "0.0450090009", "0.0550110011", "", "0.0500 0.0451 0.0550"},
		{"12.5", "12.45", "12.55", "0.0001", "12.5000 12.4500 12.5500"},
		{"12.5", "12.45", "12.55", "0.1", "12.5 12.5 12.5"},
		{"12.5", "12.46", "12.54", "1", "12.5 12.5 12.5"},
		{"12.47", "12.46", "12.48", "1", "12.47 12.46 12.48"},
		{"0.000003333333", "0.000003", "0.000004", "", "0.00000333 0.00000300 0.00000400"},
		{"-0.00001", "-0.5", "0.5", "0.001", "0.000 -0.500 0.500"},
		{"5", "", "", "0.01", "5.00"},
	} {
		a := aimAt(&console.RunTarget{Unit: "g", Wanted: c.wanted, Low: c.low, High: c.high, Readability: c.readability}, nil)
		if got := strings.TrimSpace(strings.Join(a.Ends[:], " ")); got != c.shown {
			t.Errorf("%+v: shown as %s", c, got)
		}
	}
}

// TestTheWordsOfALimitCanBeRead: what divides is shown to the digits of the weight; no limit is rounded across a weight, and none that a
// person would write is touched.
func TestTheWordsOfALimitCanBeRead(t *testing.T) {
	grams := &record.RunValue{Digits: "0.4666", Unit: "g"}
	for _, c := range []struct {
		words       string
		v           *record.RunValue
		readability string
		want        string
	}{
		{"0.5 g, from 0.46666666666666666… g to 0.53333333333333333… g", grams, "", "0.5 g, from 0.4667 g to 0.5333 g"},
		{"0.050010001 g, from 0.0450090009 g to 0.0550110011 g", &record.RunValue{Digits: "50.0", Unit: "mg"}, "0.1 mg", "0.0500 g, from 0.0451 g to 0.0550 g"},
		{"0.5 g, from 0.46666666666666666… g to 0.53333333333333333… g", &record.RunValue{Digits: "0.5", Unit: "g"}, "0.01 mg", "0.5 g, from 0.46667 g to 0.53333 g"},
		{"at most 12.34567 g", &record.RunValue{Digits: "12.345", Unit: "g"}, "", "at most 12.345 g"},
		{"at most 13.1234 %", &record.RunValue{Digits: "12.1", Unit: "%"}, "", "at most 13.1234 %"},
		{"at least 0.50000000000000000… g", &record.RunValue{Digits: "0.5000", Unit: "g"}, "", "at least 0.5001 g"},
		{"at least -0.33333333333333333… g, at most 0.33333333333333333… g", &record.RunValue{Digits: "0.1", Unit: "g"}, "", "at least -0.3 g, at most 0.3 g"},
		{"from 0.33333333333333333… g to 0.33333333433333333… g", grams, "", "from 0.333333334 g to 0.333333334 g"},
		{"at most 33.333333333333333… mg/m3", nil, "", "at most 33.3333 mg/m3"},
		{"begins with LOT-1.2345678", nil, "", "begins with LOT-1.2345678"},
		{"", nil, "", ""},
	} {
		if got := limitShown(c.words, c.v, c.readability); got != c.want {
			t.Errorf("%q becomes %q, want %q", c.words, got, c.want)
		}
	}
}

// TestWhatHurtsStandsFirst of what rules say of a value.
func TestWhatHurtsStandsFirst(t *testing.T) {
	row := takenRow{RunStepView: console.RunStepView{RunStep: &record.RunStep{Value: &record.RunValue{Digits: "12.0", Unit: "g"}, Verdicts: []record.Verdict{
		{Rule: "minimum-weight", NotJudged: true, Why: "no minimum weight of the balance is known"}, {Rule: "target", Pass: true, Limit: "12 g"}, {Rule: "warning", Limit: "not above 11 g"}, {Rule: "limits", Limit: "at most 10 g"}}}}}
	want := "limits at most 10 g; warning not above 11 g; target 12 g; minimum weight: no minimum weight of the balance is known"
	if got := row.Limit(); got != want {
		t.Errorf("%s", got)
	}
}
