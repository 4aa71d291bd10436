package screens

import (
	"cmp"
	"net/url"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/tell"
)

// waitLooks are what a run waits for, each in a word with its shape. assets/run.js needs none of them: the page is renewed whole.
var waitLooks = map[string]fitLook{
	"scan":          {Word: "scan", Shape: "sign-label", Class: "said"},
	"answer":        {Word: "answer", Shape: "sign-pen", Class: "said"},
	"done":          {Word: "do it", Shape: "sign-hand", Class: "said"},
	"weight":        {Word: "weigh", Shape: "put-on", Class: "said"},
	"balance":       {Word: "at no balance", Shape: "not-said", Class: "doubt"},
	"second person": {Word: "second person", Shape: "sign-two", Class: "doubt"},
	"time":          {Word: "wait", Shape: "sign-sand", Class: "said"},
	"allowed":       {Word: "OUTSIDE ITS LIMITS", Shape: "error", Class: "bad"},
	"end":           {Word: "all is done", Shape: "well", Class: "good"},
}

// replacedLook is that of an attempt in whose place another one counts.
var replacedLook = fitLook{Word: "replaced: does not count", Shape: "sign-again", Class: "doubt"}

// becameLooks are what became of an attempt at a step.
var becameLooks = map[string]fitLook{
	record.StepTaken:     {Word: "taken", Shape: "well", Class: "good"},
	record.StepReplaced:  {Word: "done again", Shape: "sign-again", Class: "said"},
	record.StepStopped:   {Word: "stopped", Shape: "error", Class: "bad"},
	record.StepUnused:    {Word: "not asked for: does not count", Shape: "not-said", Class: "doubt"},
	record.StepAllowed:   {Word: "allowed to go on", Shape: "warning", Class: "doubt"},
	record.StepSkipped:   {Word: "left out", Shape: "not-said", Class: "said"},
	record.RunMoved:      {Word: "goes on here", Shape: "moving", Class: "said"},
	record.RunPutAside:   {Word: "put aside", Shape: "sign-sand", Class: "said"},
	record.RunHandedOver: {Word: "taken over", Shape: "sign-two", Class: "said"},
}

// runLook is the state of a run as lists show it.
func runLook(g console.RunGlance) fitLook {
	switch {
	case g.State == record.RunAbandoned:
		return fitLook{Word: "abandoned", Shape: "not-said", Class: "said"}
	case g.State == record.RunComplete:
		look := verdictLook(g.Verdict)
		if g.Verdict == "" {
			look.Word = "complete"
		}
		if left := tell.LeftOut(g.LeftOut, len(g.Items)); left != "" {
			look.Word += ", " + left
		}
		return look
	case g.Aside:
		return fitLook{Word: "put aside", Shape: "sign-sand", Class: "said"}
	case g.Due != nil && g.Due.Time().After(time.Now()):
		return fitLook{Word: "waits", Shape: "sign-sand", Class: "said"}
	case g.State != record.RunOpen: // a state that comes later in the life of a run
		return stateLook(g.State)
	case g.Balance == "":
		return fitLook{Word: "at no balance", Shape: "not-said", Class: "doubt"}
	}
	return fitLook{Word: "under way", Shape: "moving", Class: "said"}
}

// itemWords name what a step or a result is about: "LOT-1004 in C-17".
func itemWords(i *record.RunItem) string {
	switch {
	case i == nil:
		return ""
	case i.Sample == "":
		return i.Container
	case i.Container == "":
		return i.Sample
	}
	return i.Sample + " in " + i.Container
}

// itemsWords name the first of several, and how many more there are.
func itemsWords(all []record.RunItem) string {
	const most = 3
	var names []string
	for i := range all[:min(len(all), most)] {
		names = append(names, itemWords(&all[i]))
	}
	if len(all) > most {
		names = append(names, "and "+count(len(all)-most)+" more")
	}
	return strings.Join(names, ", ")
}

// microUnits are the units that UCUM writes with u for micro.
var microUnits = map[string]string{"ug": "µg", "uL": "µL", "um": "µm", "umol": "µmol"}

// unitWord is a UCUM code as people read it. A bare number has none.
func unitWord(code string) string {
	if code == "1" {
		return ""
	}
	return cmp.Or(microUnits[code], code)
}

// valueWords are what a step found, in one text.
func valueWords(v *record.RunValue) string {
	switch {
	case v == nil:
		return ""
	case v.Digits != "":
		return strings.TrimSpace(v.Digits + " " + unitWord(v.Unit))
	}
	return v.Text
}

// resultWords are one result in one text.
func resultWords(r record.RunResult) string {
	return valueWords(&record.RunValue{Digits: r.Digits, Unit: r.Unit, Text: r.Text})
}

// verdictsLook is the worst of what rules said of a value; ok is false where none said anything.
func verdictsLook(all []record.Verdict) (look fitLook, ok bool) {
	return verdictLook(record.WorstOf(all)), len(all) > 0
}

// plainWords are those with which what weighpost says of a step begins, where it does not begin with an id, a name or a number.
var plainWords = []string{"the", "a", "an", "no", "nothing", "something", "somebody", "it", "what", "there", "this", "that", "whether", "its", "their", "nobody", "condition", "sample", "container", "reagent"}

// noteWords makes a sentence of what weighpost says of a step. Of an id no letter is changed.
func noteWords(words string) string {
	first, _, _ := strings.Cut(words, " ")
	if slices.Contains(plainWords, first) {
		return asSentence(words)
	}
	if words == "" || strings.ContainsAny(words[len(words)-1:], ".!?") {
		return words
	}
	return words + "."
}

// runPath is where the page of a run is.
func runPath(id string) string { return "/runs/" + url.PathEscape(id) }

// procedureWords name a version of a procedure.
func procedureWords(p record.ProcedureRef) string { return p.Name + ", version " + count(p.Version) }

// howWords say how the value of a step came about.
var howWords = map[string]string{"weighed": "weighed", "typed": "typed", "scanned": "scanned", "read": "read", "computed": "computed", "chosen": "chosen", "late": "from a slip, typed in later"}

func howWord(how string) string {
	if words := howWords[how]; words != "" {
		return words
	}
	return how
}

// howRead says how the value of a step came about, and of what was read off an instrument which one that was and when.
func howRead(v *record.RunValue) string {
	words := howWord(v.How)
	if v.Instrument == "" {
		return words
	}
	words += " by " + v.Instrument
	if v.ReadAt != nil {
		words += ", " + at(v.ReadAt)
	}
	return words
}

// runFuncs are the words of runs for templates.
var runFuncs = map[string]any{
	"item": itemWords, "items": itemsWords, "runPath": runPath, "procedureWords": procedureWords, "valueWords": valueWords, "resultWords": resultWords,
	"resultLimit": func(r record.RunResult) string {
		return limitShown(r.Limit, &record.RunValue{Digits: r.Digits, Unit: r.Unit}, "")
	},
	"limitShown": func(words string) string { return limitShown(words, nil, "") },
	"runLook":    runLook, "unitWord": unitWord, "noteWords": noteWords, "howRead": howRead,
	"waitLook":   func(word string) fitLook { return waitLooks[word] },
	"becameLook": func(word string) fitLook { return becameLooks[word] },
}
