package record

import "strings"

// Steps at a bench: what whoever stands there says of the sample that is on it.
const (
	StepNext    = "next"    // the sample is finished: its hold ends, and nothing takes its place
	StepRepeat  = "repeat"  // the same sample holds for one more weighing
	StepAbandon = "abandon" // the sample and the run are not on the next weighings; what was recorded stays

	CardYes     = "yes"      // what was asked about is meant
	CardSignOut = "sign-out" // everything that is held ends
	CardLabel   = "label"    // the label of a balance, as weighpost prints it
)

// CardMark is what every code on a card or a balance's label of weighpost's own begins with, and no other code may. It and the words
// after it are letters that stand at the same place on the common keyboards, so that a scanner that types them in for another
// country's keyboard types them right all the same.
const CardMark = "BENCHPOST"

const (
	labelMark  = CardMark + "AT"
	weightMark = CardMark + "MASS"
)

var cards = map[string]string{
	StepNext: CardMark + "NEXT", StepRepeat: CardMark + "REDO", StepAbandon: CardMark + "DROP", CardYes: CardMark + "SURE", CardSignOut: CardMark + "CLOSE",
}

// CardCode is the code on the card for a step, yes or sign-out; "" for any other word.
func CardCode(step string) string { return cards[step] }

// LabelCode is the code on the label of a balance. It ends with the balance's id.
func LabelCode(balance string) string { return labelMark + balance }

// WeightCode is the code on the label of a reference weight. It ends with the weight's id.
func WeightCode(weight string) string { return weightMark + weight }

// CardOf reads a code of weighpost's own, whatever its case, with or without the symbology identifier of a scanner. ours is false where
// it is another code. step is "" where it begins as one of ours and is none: it was cut off, or misread.
func CardOf(code string) (step, balance string, ours bool) {
	if len(code) > 3 && symbology(code[:3]) {
		code = code[3:]
	}
	if len(code) < len(CardMark) || !strings.EqualFold(code[:len(CardMark)], CardMark) {
		return "", "", false
	}
	for step, card := range cards {
		if strings.EqualFold(card, code) {
			return step, "", true
		}
	}
	if len(code) > len(labelMark) && strings.EqualFold(code[:len(labelMark)], labelMark) {
		if id := strings.ToLower(code[len(labelMark):]); CheckName(id) == nil {
			return CardLabel, id, true
		}
	}
	return "", "", true
}
