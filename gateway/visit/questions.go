package visit

import (
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/setup"
)

// Kinds of questions.
const (
	kindChoice = "choice"
	kindText   = "text"
	kindYesNo  = "yes-no"
	kindReady  = "ready"
	kindEnough = "enough"
	kindWait   = "wait"
)

// stepNames says what a step is for whoever stands before a page.
var stepNames = map[string]string{"Port": "Where it is plugged in", "Settings": "How its line is set", "Layout": "How it prints", "Balance": "What it is",
	"Test": "A test weighing", "Configuration": "Save it"}

// wording is what a page says of a question: its text, where the words for a terminal do not fit a page, and why it is asked.
type wording struct{ text, why string }

// words are by the key of the question, or by what stands before its colon.
var words = map[string]wording{
	"port": {"", "weighpost listens at one port for each balance. A port that somebody else has cannot be listened to as well."},
	"address": {"The address of the port: a device of this computer such as /dev/ttyS0 or COM3, or a serial device server as tcp://host:port or rfc2217://host:port.",
		"Some balances hang on a small box with a network socket (a serial device server). Its manual or its own page says the host and the port."},
	"settings":       {"", "Balance and computer have to agree on these four, or what comes is garbage. Listening finds them without knowing the balance."},
	"poll":           {"What asks the balance for a weight, as its manual says it, such as P\\r\\n or \\x05? It is sent to the balance: leave that unloaded, and use no command that tares or adjusts.", "weighpost sends a balance nothing that nobody has given it."},
	"known-settings": {"", "The balance's menu shows them, often under a name such as interface or printer."},
	"take-settings":  {"", "A higher confidence and a text that you recognise mean that the settings are right."},
	"nothing-came":   {"", "If the key was pressed and nothing came, the port may be set far from the balance, or no byte comes at all: then weighpost goes through the reasons with you."},
	"done":           {"", "The layout is worked out from these lines. The more they differ from one another, the less is left to ask."},
	"id":             {"The balance's id: its name in all records, for ever. a to z, 0 to 9 and - are allowed.", "Each weighing bears it. It cannot be given to another balance later."},
	"serial":         {"The serial number on its plate. Leave it empty if there is none.", "By it a record says which balance it was, whatever that is called."},
	"place":          {"Where it stands. Leave it empty if that does not matter.", "People find it by this."},
	"capacity":       {"Its capacity, with unit, such as 220 g. Leave it empty if it is not known.", "With it weighpost can say what is outside of the balance's range."},
	"readability":    {"Its readability d, the last step of its display, with unit. Leave it empty if it is not known.", "By it weighpost judges when a load has settled. The proposal is what the lines show: compare it with the plate."},
	"every":          {"How often weighpost asks the balance, such as 2s. Leave it empty: only when somebody wants it.", "This balance prints nothing by itself."},
	"record":         {"", "A balance that prints all the time would fill the journal with lines that nobody meant."},
	"layout":         {"", "Balances of one kind often print alike. A shared layout is looked after once."},
	"fits":           {"", "A line that does not read is kept as it came, and is no weighing."},
	"unlearnt":       {"", "A layout that would have to be guessed is not taken."},
	"take":           {"", "What is doubtful stays so in the layout until somebody settles it."},
	"loaded":         {"Put a load on, and let it settle: then weighpost asks the balance.", "Only a comparison with the display shows that digits, sign and unit are read right."},
	"compare":        {"", "Only you see the display. Compare each digit, the sign and the unit."},
	"write":          {"Save this balance?", "Nothing has been written so far. It goes into the configuration under your name, and into the journal with your reason."},
	"display":        {"", "The bytes alone do not say this."},
	"settled":        {"", "Whether a weight had settled decides whether it may be recorded as one."},
	"word":           {"", "A word that is not known could mean that the weight counts, or that it does not."},
	"unit":           {"", "A weight without its unit is no weight."},
	"date":           {"", "03.04 is another day here than there."},
	"decimal":        {"", "A comma can part decimals or thousands."},
	"check":          {"", "Check characters show damaged lines, if it is known how they are made."},
	"number":         {"", "A line can hold more numbers than the weight."},
	"text":           {"", "Texts such as a sample's name can be kept with the record."},
	"holder":         {"", "Two programs at one port take bytes from each other."},
	"print-key":      {"", "The cheapest reasons first: is it on, is it plugged in, does it print?"},
	"handshake":      {"", "Some balances wait for a signal before they send."},
	"menu":           {"", "Many balances leave the maker with their serial output off."},
	"cable":          {"", "A straight cable and a crossed one look alike."},
	"self-test":      {"", "This shows whether adapter and computer work, without the balance."},
	"plug-in":        {"", ""},
	"service":        {"", "Services that try each new adapter can take what a balance sends."},
}

// choiceWords are what a page says of an answer where the words for a terminal do not fit it.
var choiceWords = map[string]string{"write yes": "save it", "write no": "end without saving", "settings ask": "find them: this balance speaks only when it is asked",
	"settings known": "I know them", "port other": "another: a device server, or a name that you type", "compare yes": "yes, all of it"}

// shownQuestion is a question as a page has it.
func shownQuestion(q setup.Question) console.VisitQuestion {
	name, _, _ := strings.Cut(q.Key, ":")
	w := words[name]
	s := console.VisitQuestion{Key: harmless(q.Key), Kind: kindOf(q), Text: forPage(q.Text), Why: w.why, Default: harmless(q.Default), Choices: []console.VisitChoice{}, Reason: q.Key == "write"}
	if w.text != "" {
		s.Text = w.text
	}
	for _, c := range q.Choices {
		text := forPage(c.Text)
		if other := choiceWords[name+" "+c.Value]; other != "" {
			text = other
		}
		s.Choices = append(s.Choices, console.VisitChoice{Value: harmless(c.Value), Text: text})
	}
	for _, c := range q.Aside {
		s.Back = s.Back || c.Value == "back"
	}
	return s
}

func kindOf(q setup.Question) string {
	switch q.Key {
	case "done":
		return kindEnough
	case "loaded":
		return kindReady
	}
	if len(q.Choices) == 0 {
		return kindText
	}
	for _, c := range q.Choices {
		if c.Value != "yes" && c.Value != "no" {
			return kindChoice
		}
	}
	if len(q.Choices) == 2 {
		return kindYesNo
	}
	return kindChoice
}
