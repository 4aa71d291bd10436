package procedure

import (
	"fmt"
	"strings"
	"testing"
)

// base is a definition without mistakes, with a place for what is put into it.
const base = `
procedure: t
title: T
about: both
most: 5
parameters:
- {name: wanted, unit: g, default: 5 g}
- {name: times, default: "4"}
- {name: sort, kind: choice, choices: [wet, dry], default: dry}
balances:
  one: {}
  two: {other_than: one}
blocks:
- {name: fill, over: items}
- {name: back, over: items}
- {name: shots, times: times, more_while: 'cv(shot) > "2 %"', more: 2, most: 10}
steps:
- {step: lot, do: identify, what: sample, in: fill}
- {step: dish, do: identify, what: container, in: fill}
- {step: tare, do: empty, on: one, in: fill}
- {step: wet, do: weigh, on: one, in: fill, less: tare, target: wanted, tolerance: 5 %}
- {step: t1, do: environment, what: temperature}
- {step: again, do: identify, what: container, in: back}
- {step: heat, do: wait, for: 1h, in: back}
- {step: dry, do: weigh, on: two, in: back, less: tare}
- {step: enough, do: decide, in: back, if: 'abs(dry - before(dry)) > "0.5 mg"', then: heat, at_most: 5}
- {step: loss, do: compute, in: back, formula: (wet - dry) / wet, unit: "%", round: 0.01 %, limits: {at_most: 10 %}}
- {step: shot, do: weigh, on: one, in: shots}
- {step: extra, do: ask, unit: mL, when: sort == "wet"}
- {step: average, do: compute, formula: mean(loss), limits: {from: none is set}}
results: [average, loss]
`

func TestTheBaseHasNoMistakes(t *testing.T) { parse(t, base) }

// TestEveryMistakeIsToldWhereItStands: one change each, with the sentence and its place.
func TestEveryMistakeIsToldWhereItStands(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{"procedure: t", "procedure: T t", "procedure: holds 'T'"},
		{"title: T", "title: ''", "title: is empty"},
		{"title: T", `title: "T\u202e"`, "the character U+202E, which cannot be seen"},
		{"title: T", "titel: T", `unknown key "titel": did you mean "title"?`},
		{"about: both", "about: seeds", "about: \"seeds\" is none of what is known here"},
		{"most: 5", "most: 501", "most: 501 is out of range; allowed: 1 to 500"},
		{"name: wanted", "name: lot", "the name lot is there already"},
		{"name: wanted", "name: mean", "mean is a function of the formula language"},
		{"name: wanted", "name: water_density", "water_density is a function of formulas"},
		{"name: wanted", "name: before_it", "is a word that formulas and decisions use"},
		{"unit: g, default: 5 g", "unit: grams, default: 5 g", `parameters[0].unit: "grams" is no unit`},
		{"default: 5 g", "default: none", "wanted need not be given (its default is none), so that it stands alone as a limit"},
		{"default: 5 g", "default: 5 mL", "5 mL is a volume, and a mass (g) is wanted"},
		{"choices: [wet, dry], default: dry", "choices: [wet], default: wet", "choices: are 1"},
		{"default: dry", "default: moist", "moist is none of wet, dry"},
		{"two: {other_than: one}", "two: {other_than: three}", `"three" is no other balance`},
		{"one: {}", "one: {readability: 0.1 mL}", `"0.1 mL" is no mass`},
		{"fill, over: items", "fill, over: items, times: 3", "has to say one of over and times"},
		{"times: times, more", "times: wanted, more", "wanted is no plain number"},
		{"times: times, more", "times: 1000, more", `"1000" is no number of times`},
		{"most: 10}", "most: 100000}", "100000 is no number that more can go up to"},
		{`'cv(shot) > "2 %"'`, "mean(shot)", "is a mass (g), and has to be a truth"},
		{`'cv(shot) > "2 %"'`, `'cv(average) > "2 %"'`, "average has no value yet here"},
		{"step: shot", "step: Shot", `"Shot" is no name`},
		{"do: wait, for: 1h", "do: wait", "for: 0s is out of range"},
		{"do: wait, for: 1h", "do: wait, for: 1h, target: 5 g", "target: says nothing for a step to wait"},
		{"do: wait, for: 1h", "do: sleep", `do: "sleep" is none of what is known here`},
		{"in: shots}", "in: shoots}", `there is no block "shoots"`},
		{"step: t1, do: environment, what: temperature", "step: t1, in: fill, do: environment, what: heat", `"heat" is none of what is known here`},
		{"do: environment, what: temperature", "do: environment, what: temperature, unit: K", "unit: K is for a temperature difference"},
		{"{step: lot, do: identify, what: sample, in: fill}", "{step: lot, do: ask, kind: text, in: fill}", "has to identify which it is"},
		{"step: t1, do: environment, what: temperature", "step: t1, do: identify, what: sample", "which one is identified in a block over items"},
		{"do: empty, on: one", "do: empty", "on: is missing: the procedure has several balances"},
		{"do: empty, on: one", "do: empty, on: three", `there is no balance "three"`},
		{"less: tare, target", "less: tare, from: tare, target", "stands beside less"},
		{"less: tare, target", "less: t1, target", "t1 has no value yet here"},
		{"less: tare, target", "less: lot, target", "lot is a text, and a mass is taken off"},
		{"target: wanted, tolerance: 5 %", "target: wanted", "has no tolerance"},
		{"target: wanted, tolerance: 5 %", "tolerance: 5 %", "is of a target, and there is none"},
		{"target: wanted, tolerance: 5 %", "target: wanted, tolerance: 5 mL", "is neither a mass nor per cent of the target"},
		{"target: wanted", "target: 5 mL", "is a volume (mL), and has to be a mass (g)"},
		{"{step: enough, do: decide", "{step: enough, do: decide, limits: {at_most: 5 g}", "limits: says nothing for a step to decide"},
		{", at_most: 5}", "}", "0 is no number of times that it may lead back"},
		{", at_most: 5}", ", at_most: 1000}", "1000 is no number of times that it may lead back"},
		{"then: heat", "then: again", "again identifies another item"},
		{"then: heat", "then: tare", "tare is outside the block"},
		{"then: heat", "then: end", "would end the run within a block"},
		{"then: heat", "then: cool", `there is no step "cool"`},
		{"then: heat, ", "", "decides nothing"},
		{"then: heat", "then: heat, else: dry", "leads back either way"},
		{"before(dry)", "before(wet)", "no decision leads back past the step wet"},
		{"(wet - dry) / wet", "(wet - t1) / wet", "cannot be subtracted"},
		{"(wet - dry) / wet", "(wet - before(dry)) / wett", "there is no value named wett"},
		{"(wet - dry) / wet", "wet - dry", "the result is a mass (g), and cannot be rounded to 0.01 %, which is a number"},
		{"(wet - dry) / wet", "(wet - average) / wet", "average has no value yet here"},
		{"round: 0.01 %", "round: 1 mL", "cannot be rounded to 1 mL"},
		{"round: 0.01 %", "round: 5", "5 has no unit: give it that of the value, as in 5 %"},
		{"round: 0.01 %", "rounding: up", "says how and not to what"},
		{"at_most: 10 %", "at_most: 10", "give the number its unit, as in 10 %"},
		{"at_most: 10 %", "at_most: 10 g", "is a mass (g), and has to be a number (%)"},
		{"limits: {at_most: 10 %}", "label: L", "loss has no limits"},
		{"formula: mean(loss)", "formula: 'within(loss, 2)'", "gives a list, and a step has one value"},
		{"formula: mean(loss)", `formula: 'mean(loss) + extra / "100 mL"'`, "extra may have no value here, since its step has a condition"},
		{"formula: mean(loss)", "formula: mean(lot)", "only quantities make a list"},
		{"formula: mean(loss)", "formula: before(dry)", "is of a block, and has a time before only there"},
		{"formula: mean(loss)", "formula: heat + loss", "heat is a step that has no value: it is there to wait"},
		{"step: average", "step: average, say: 'It is {loss}.'", "{loss} is a list here"},
		{"step: average", "step: average, say: 'It is {nothing}.'", "{nothing} stands for nothing"},
		{"step: average", "step: average, say: 'It is {t1.'", "a brace that belongs to no other"},
		{"step: average", "step: average, outside: shout", `"shout" is none of what is known here`},
		{"step: average", "step: average, outside: repeat, repeats: 21", "21 has no meaning here"},
		{"results: [average, loss]", "results: []", "results: are 0"},
		{"results: [average, loss]", "results: [average, gain]", `there is no step "gain"`},
		{"results: [average, loss]", "results: [average, heat]", "heat is a step to wait, which gives no result"},
		{"results: [average, loss]", "results: [average, average]", "average is there twice"},
	} {
		if strings.Count(base, c.from) < 1 {
			t.Fatalf("%q is not in the base", c.from)
		}
		text := strings.Replace(base, c.from, c.to, 1)
		faults := faulty(t, text)
		said := faults.Error()
		if !strings.Contains(said, c.want) {
			t.Errorf("%s\nfor %s: want %q", said, c.to, c.want)
		}
		for _, f := range faults {
			if f.Line < 1 || f.Column < 1 || f.Line > strings.Count(text, "\n")+1 {
				t.Errorf("%s has no place", f.Error())
			}
		}
	}
}

// TestFlowIsLookedOver: steps in an order that no run could follow.
func TestFlowIsLookedOver(t *testing.T) {
	const head = "procedure: t\ntitle: T\nabout: nothing\nblocks:\n- {name: b, times: 3}\nsteps:\n"
	const tail = "- {step: r, do: compute, formula: '\"1 g\"', limits: {from: none}}\nresults: [r]\n"
	for _, c := range []struct{ steps, want string }{
		{"- {step: a, do: weigh, in: b}\n- {step: c, do: weigh}\n- {step: d, do: weigh, in: b}\n", "the steps of the block b do not follow each other"},
		{"- {step: a, do: weigh, in: b}\n- {step: c, do: decide, if: mean(a) > \"1 g\", then: r, else: e}\n- {step: d, do: weigh}\n- {step: e, do: weigh}\n", "the step d is never reached"},
		{"- {step: c, do: decide, if: 1 > 2, then: e}\n- {step: a, do: weigh, in: b}\n- {step: e, do: weigh, in: b}\n", "e is inside a block: a decision leads to its first step, a"},
		{"- {step: a, do: weigh, in: b}\n- {step: c, do: decide, if: 1 > 2, then: e}\n- {step: d, do: weigh}\n- {step: e, do: compute, formula: d}\n", "d has no value yet here, or has none in some way through the steps"},
		{"- {step: a, do: weigh, in: b}\n- {step: c, do: decide, if: 1 > 2, then: c}\n", "leads to the decision itself"},
		{"- {step: a, do: weigh}\n", "none belongs to the block b"},
		{"- {step: a, do: weigh, in: b}\n- {step: e, do: empty}\n- {step: t, do: tare}\n- {step: n, do: weigh, less: e}\n", "the balance is tared between e and this step (t)"},
	} {
		if got := faulty(t, head+c.steps+tail).Error(); !strings.Contains(got, c.want) {
			t.Errorf("%s\nwant %q for\n%s", got, c.want, c.steps)
		}
	}
	// A value under a condition may be used under the same one, and under one that begins with it.
	parse(t, head+"- {step: a, do: weigh, in: b}\n- {step: k, do: ask}\n- {step: w, do: weigh, when: k > 1}\n- {step: x, do: compute, when: k > 1, formula: w * 2}\n"+
		"- {step: y, do: compute, when: k > 1 and k < 5, formula: w * 2}\n"+tail)
	for _, when := range []string{"k > 1 and k < 5 or k > 7", "k > 2", "k < 5 and k > 1"} {
		text := head + "- {step: a, do: weigh, in: b}\n- {step: k, do: ask}\n- {step: w, do: weigh, when: k > 1}\n- {step: y, do: compute, when: " + when + ", formula: w * 2}\n" + tail
		if got := faulty(t, text).Error(); !strings.Contains(got, "w may have no value here") {
			t.Errorf("%s: %s", when, got)
		}
	}
}

// TestHostileDefinitionsAreRefused: in a sentence, whatever they hold, and after little work: what is made of them is counted and not timed.
func TestHostileDefinitionsAreRefused(t *testing.T) {
	many := func(n int, format string) string {
		var all strings.Builder
		for i := range n {
			fmt.Fprintf(&all, format, i)
		}
		return all.String()
	}
	const head = "procedure: t\ntitle: T\nabout: nothing\n"
	const one = "steps:\n- {step: r, do: compute, formula: '\"1 g\"', limits: {from: none}}\nresults: [r]\n"
	for name, c := range map[string]struct{ text, want string }{
		"10 MB":       {head + "source: " + strings.Repeat("x", 10<<20) + "\n" + one, "at most 256 KiB"},
		"many steps":  {head + "steps:\n" + many(300, "- {step: s%d, do: tare}\n") + "results: [s1]\n", "1 to 200"},
		"more steps":  {head + "steps:\n" + many(9000, "- {step: s%d, do: tare}\n") + "results: [s1]\n", "at most 200 steps"},
		"many blocks": {head + "blocks:\n" + many(30, "- {name: b%d, times: 2}\n") + one, "are 30; allowed: at most 20"},
		"more blocks": {head + "blocks:\n" + many(2000, "- {name: b%d, times: 2}\n") + one, "20 blocks"},
		"parameters":  {head + "parameters:\n" + many(1000, "- {name: p%d}\n") + one, "at most 50"},
		"too large": {head + "blocks:\n- {name: b, times: 500}\nsteps:\n" + many(60, "- {step: s%d, do: weigh, in: b, limits: {from: none}}\n") + "results: [s1]\n",
			"come to 30000 in one run"},
		"deep flow":      {head + "cautions: " + strings.Repeat("[", 5000) + "\n" + one, "levels deep"},
		"deep list":      {head + "cautions:\n" + strings.Repeat("- ", 5000) + "x\n" + one, "levels deep"},
		"aliases":        {head + "cautions: &a [x, x]\nresults: *a\n", "are not used here"},
		"bomb":           {"a: &a [x,x]\nb: &b [*a,*a,*a,*a,*a,*a,*a,*a]\nc: &c [*b,*b,*b,*b,*b,*b,*b,*b]\nd: &d [*c,*c,*c,*c,*c,*c,*c,*c]\n", "anchors (&name) are not used here"},
		"merge":          {head + "<<: {title: U}\n" + one, "merge keys"},
		"tags":           {head + "most: !!int 5\n" + one, "tags"},
		"two documents":  {head + one + "---\n" + head, "a second document begins here"},
		"a long text":    {head + "source: " + strings.Repeat("x", 2000) + "\n" + one, "has 2000 characters; allowed: at most 1000"},
		"an escape":      {head + "source: \"\\x1b[2J\"\n" + one, "the character U+001B"},
		"a line":         {head + "source: \"a\\nb\"\n" + one, "the character U+000A"},
		"parentheses":    {strings.Replace(head+one, `'"1 g"'`, "'"+strings.Repeat("(", 1500)+"1"+strings.Repeat(")", 400)+"'", 1), "parentheses go more than"},
		"a long formula": {strings.Replace(head+one, `'"1 g"'`, "'"+strings.Repeat("1 + ", 30000)+"1'", 1), "at most 2000 are read"},
		"a huge number":  {strings.Replace(head+one, `'"1 g"'`, "1e999999999", 1), "is no number"},
		"a huge power":   {strings.Replace(head+one, `'"1 g"'`, "9 ^ 9 ^ 9 ^ 9", 1), "a power is a whole number as written"},
		"nothing":        {"", "the file is empty"},
		"no text":        {"\xff\xfe", "no UTF-8"},
		"a word":         {"hello", "is the single value"},
	} {
		t.Run(name, func(t *testing.T) {
			faults := faulty(t, c.text)
			said := faults.Error()
			if !strings.Contains(said, c.want) {
				t.Errorf("%.2000s\nwant %q", said, c.want)
			}
			if len(faults) > 2000 || len(said) > 2<<20 {
				t.Errorf("%d faults in %d bytes", len(faults), len(said))
			}
			if strings.ContainsAny(said, "\x1b\x00\r") {
				t.Errorf("the sentences hold what was sent: %.300q", said)
			}
		})
	}
}

// FuzzParse: no text makes Parse panic; what it accepts has a plan, can be opened, and comes back from its form.
func FuzzParse(f *testing.F) {
	for _, text := range []string{base, drying, twoBalances, overItems(oneEach), "", "steps:\n", "procedure: t\nsteps: [{step: a, do: decide, if: a, then: a}]\n",
		`{"procedure": "t", "title": "T", "about": "nothing", "steps": [{"step": "a", "do": "weigh", "limits": {"from": "none"}}], "results": ["a"]}`} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		d, err := Parse("f", src)
		if d == nil || (err == nil) != (d.plan != nil) {
			t.Fatalf("%v, %v", d, err)
		}
		text, wrote := Write(Form(d))
		if err != nil {
			return
		}
		if wrote != nil {
			t.Fatalf("a definition without mistakes has no form: %v", wrote)
		}
		again, err := Parse("g", []byte(text))
		if err != nil || asJSON(t, again) != asJSON(t, d) {
			t.Fatalf("%v: the form of\n%s\nis\n%s", err, src, text)
		}
	})
}
