package intake

import (
	"fmt"
	"slices"

	"weighpost/gateway/record"
	"weighpost/parsers/gs1"
)

// ai8004 is the application identifier of an individual asset (GS1 General Specifications, 3.8.4: GIAI).
const ai8004 = "8004"

// BalanceOf finds the balance whose label a code is: weighpost's own, its id, its serial number, the name that it prints, what the rules
// of its scanner say is its label, or a GS1 code with one of these as an individual asset. why says why it is none, or not surely
// one, in a sentence; "" where it is.
func BalanceOf(list []*Config, code string) (id, why string) {
	step, own, ours := record.CardOf(code)
	if ours && step != record.CardLabel {
		return "", "That is a card of weighpost's own, and no balance's label."
	}
	var found []string
	for _, c := range list {
		if ours && c.ID == own || !ours && c.labelled(code) {
			found = append(found, c.ID)
		}
	}
	switch len(found) {
	case 0:
		return "", "No balance has that label: scan or type its id, its serial number, or the label that weighpost prints for it."
	case 1:
		return found[0], ""
	}
	return "", fmt.Sprintf("That is the label of %d balances (%s and %s among them): use the one with the balance's id.", len(found), found[0], found[1])
}

// names are what a label of the balance can say.
func (c *Config) names() []string {
	return slices.DeleteFunc([]string{c.ID, c.Serial, c.PrintsAs}, func(s string) bool { return s == "" })
}

// labelled says whether a code is the label of the balance.
func (c *Config) labelled(code string) bool {
	names := c.names()
	if slices.Contains(names, code) {
		return true
	}
	kind, text := gs1.Symbology(code)
	if slices.Contains(names, text) {
		return true
	}
	if c.Scanner != nil {
		if what, why := c.Scanner.request(kind, text, true, &record.ContextRequest{}); why == "" && slices.Contains(names, what.label) {
			return true
		}
	}
	elements, err := gs1.Parse(text, true)
	if err != nil {
		if elements, err = gs1.ParseBracketed(text); err != nil {
			return false
		}
	}
	return slices.ContainsFunc(elements, func(e gs1.Element) bool { return e.AI == ai8004 && slices.Contains(names, e.Value) })
}
