package screens

import (
	"slices"
	"strings"
)

// What is said of a procedure's keys beside their own descriptions.

// stepKind is something that a step can do.
type stepKind struct{ Do, Word, About string }

// stepKinds are all of them, in the order in which somebody looks for one.
var stepKinds = []stepKind{
	{"identify", "Identify", "A sample, a container or a reagent's lot is scanned, and held against what is expected."},
	{"instruct", "Instruct", "Something is to be done, until somebody says that it is."},
	{"tare", "Tare", "The balance is set to zero."},
	{"empty", "Weigh empty", "The empty container is weighed, and its mass kept with it."},
	{"weigh", "Weigh", "A weight is taken, perhaps towards a target, perhaps less that of a container."},
	{"ask", "Ask", "Somebody gives a number, a text, a choice or a date."},
	{"environment", "Surroundings", "Temperature, humidity or pressure is read, by somebody or off an instrument that sends it."},
	{"wait", "Wait", "So long at least, also over night."},
	{"compute", "Work out", "A value by a formula, with units, and rounded."},
	{"decide", "Decide", "Which step is next, by a condition."},
	{"confirm", "Second person", "Another person looks, and says yes."},
}

// doWord says what a step does.
func doWord(do string) string {
	for _, k := range stepKinds {
		if k.Do == do {
			return k.Word
		}
	}
	return do
}

var aboutWords = map[string]string{"": "samples", "nothing": "nothing that has a number", "samples": "samples", "containers": "containers", "both": "samples, each in a container"}

// cardLabels are what keys of a procedure are called, where the key alone says too little: by what it is in, and the key.
var cardLabels = map[string]string{
	".procedure": "Name", ".about": "What a run is about", ".most": "How many at most", ".abandon_needs_reviewer": "Abandoned by a reviewer only", ".source": "What it follows",
	"steps.step": "Name of the step", "steps.do": "What it does", "steps.in": "Block", "steps.say": "What people are told", "steps.when": "Only when", "steps.what": "What of it", "steps.air": "About the air at the balance", "steps.kind": "What is given",
	"steps.on": "Balance", "steps.less": "Less", "steps.from": "Taken from", "steps.minimum": "Below the minimum weight", "steps.round": "Rounded to", "steps.rounding": "What lies halfway",
	"steps.outside": "A value outside its limits needs", "steps.repeats": "Done again at most", "steps.if": "Condition", "steps.then": "Next where it holds", "steps.else": "Next where it does not hold",
	"steps.at_most": "Leads back at most", "steps.for": "How long at least", "steps.other_than": "Second person is not", "steps.limits": "Limits",
	"parameters.kind": "What is given", "parameters.default": "Where nobody gives it", "parameters.limits": "Limits", "balances.readability": "Readability d at most",
	"balances.capacity": "Capacity at least", "balances.other_than": "Another one than",
	"blocks.over": "Over", "blocks.times": "How many times", "blocks.more_while": "More while", "blocks.more": "So many more", "blocks.most": "At most in all",
	"review.approvals": "People who sign it", "review.same_person": "Whoever performed may review",
	"limits.at_least": "At least", "limits.at_most": "At most", "limits.warn_below": "Warning below", "limits.warn_above": "Warning above", "limits.from": "From", "limits.matches": "Begins with",
}

func cardLabel(of, key string) string {
	if l := cardLabels[of+"."+key]; l != "" {
		return l
	}
	return label("", strings.ReplaceAll(key, "_", " "))
}

// cardPicks say what a word of a choice means.
var cardPicks = map[string]map[string]string{
	"about":      aboutWords,
	"kind":       {"quantity": "a number with its unit", "text": "a text", "choice": "one of several", "date": "a date"},
	"what":       {"reagent": "a reagent's lot", "humidity": "relative humidity", "pressure": "air pressure"},
	"minimum":    {"refuse": "it is weighed again", "note": "a verdict says so", "none": "it is not looked at"},
	"rounding":   {"half-even": "to the even digit", "half-up": "away from zero", "down": "always towards zero", "up": "always away from zero"},
	"outside":    {"note": "nothing, only its verdict", "repeat": "the step again, then a reviewer", "reviewer": "a reviewer, with a reason", "investigation": "a reviewer, with an investigation's reference"},
	"other_than": {"performers": "anybody who did a step of the run", "last": "whoever did the step before"},
	"over":       {"items": "each sample or container"},
	"do":         {},
}

func cardPick(key, word string) string {
	if key == "do" {
		return doWord(word)
	}
	if said := cardPicks[key][word]; said != "" {
		return said
	}
	return word
}

// picksFor say for which kinds of step a word of a choice is, where it is not for all.
var picksFor = map[string]string{"sample": "identify", "container": "identify", "reagent": "identify", "temperature": "environment", "humidity": "environment", "pressure": "environment"}

// cardOrder is the order of a step's keys for people. Those that are not named come last.
var cardOrder = []string{"do", "step", "in", "say", "label", "what", "air", "kind", "choices", "on", "formula", "if", "then", "else", "at_most", "less", "target", "tolerance", "unit", "round", "for", "other_than", "limits", "outside", "repeats"}

// seldom are the keys of a step that are folded away.
var seldom = []string{"when", "from", "minimum", "rounding"}

// guarded are the keys about limits, which are folded away together.
var guarded = []string{"limits", "outside", "repeats"}

// cardChoices say of which names of the procedure itself a key takes one.
var cardChoices = map[string]string{"steps.in": "blocks", "steps.on": "balances", "steps.then": "steps", "steps.else": "steps", "balances.other_than": "balances", "results.": "values"}

// cardFormulas are the keys that are formulas.
var cardFormulas = []string{"steps.when", "steps.target", "steps.formula", "steps.if", "blocks.more_while", "steps.less", "steps.from", "blocks.times",
	"steps.limits.at_least", "steps.limits.at_most", "steps.limits.warn_below", "steps.limits.warn_above"}

// cardShown are examples of what is written.
var cardShown = map[string]string{"steps.unit": "mg", "steps.tolerance": "0.5 mg or 2 %", "steps.round": "0.01 g", "steps.for": "30m", "parameters.unit": "g", "balances.readability": "0.1 mg", "balances.capacity": "200 g", "blocks.times": "8"}

// arrangedCard puts a step's keys into the order of its card.
func arrangedCard(of []*node) []*node {
	list := slices.Clone(of)
	rank := func(n *node) int {
		if i := slices.Index(cardOrder, n.Key); i >= 0 {
			return i
		}
		return len(cardOrder)
	}
	slices.SortStableFunc(list, func(a, b *node) int { return rank(a) - rank(b) })
	return list
}
