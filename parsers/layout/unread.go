package layout

import (
	"fmt"
	"strings"

	"weighpost/parsers/unit"
)

// Unread is why a frame gives no reading: a sentence for the person who meets it. Every error of Apply is an *Unread.
type Unread struct{ Reason string }

func (u *Unread) Error() string { return u.Reason }

// whyCode is a reason before it is a sentence.
type whyCode uint8

const (
	whyNone whyCode = iota
	whyLeftOver
	whyNoLiteral
	whyNoGap
	whyShort
	whyNotWord
	whyNoDigits
	whyNotNumber
	whyTwoPoints
	whyTooManyDigits
	whyDecimals
	whyGrouping
	whyBrackets
	whyNotCount
	whyNotDate
	whyControl
	whyEncoding
	whyTooLong
	whyNoUnit
	whyUnknownUnit
	whyAmbiguousUnit
	whyStableWithoutUnit
	whyUnstableWithoutUnit
	whyTwice
	whyContradiction
	whyTwoMeanings
	whyNoWeight
	whyLoneSign
	whyNotCheck
	whyCheck
	whyLength
	whyAmbiguous
	whyLineMissing
	whyLineLeftOver
	whyFrame
)

// numberFaults finish the sentence "the weight, “…”, …".
var numberFaults = map[whyCode]string{
	whyNotNumber:     "is no number as this layout writes them",
	whyTwoPoints:     "has two decimal signs",
	whyTooManyDigits: "has more than 18 digits",
	whyDecimals:      "has another number of decimals than the layout allows: a digit or the decimal sign may be lost",
	whyGrouping:      "has its digits grouped otherwise than by three",
	whyBrackets:      "has brackets that do not hold the last digits",
	whyNotCount:      "is no whole number",
	whyNotDate:       "is no date as this layout writes them",
	whyControl:       "holds a control character",
	whyEncoding:      "holds bytes that are no text in UTF-8",
	whyTooLong:       "is too long to keep",
	whyLoneSign:      "is a sign by itself, and may be that of the weight behind it",
	whyNotCheck:      "is not written as check characters of this layout",
	whyCheck:         "is not the check of the line: the line was damaged on its way, or the layout names another check",
	whyTwice:         "is printed twice in one frame",
	whyContradiction: "says over where the frame also says under",
}

// explain makes the sentence.
func (l *Layout) explain(m miss) string {
	s := l.sentence(m)
	if l.block && m.number > 0 {
		s = fmt.Sprintf("line %d of the block: %s", m.number, s)
	}
	return s
}

// frameSentence is the sentence of a reason that is about no place in a line, or "".
func (l *Layout) frameSentence(m miss) string {
	switch m.why {
	case whyLength:
		return fmt.Sprintf("the line is %d characters long, and the layout says %d: it may be half a line", len(m.line), l.lineLength)
	case whyLineMissing:
		return fmt.Sprintf("the block ends without its line “%s”", m.note)
	case whyLineLeftOver:
		return fmt.Sprintf("“%s” is left over after the last line that the layout names", l.page.show(trim(m.line)))
	case whyFrame:
		return m.note
	}
	return frameFaults[m.why]
}

func (l *Layout) sentence(m miss) string {
	if s := l.frameSentence(m); s != "" {
		return s
	}
	at, to := m.at, m.to
	for at < to && isBlank(m.line[at]) && m.why != whyShort {
		at++
	}
	if at == to {
		at = m.at
	}
	shown := l.page.show(trimRight(m.line[at:to]))
	column := at + 1
	what := ""
	if m.piece != nil {
		what = l.pieceWords(m.piece)
	}
	switch m.why {
	case whyLeftOver:
		if m.piece == nil {
			return fmt.Sprintf("“%s” is left over at column %d", shown, column)
		}
		return fmt.Sprintf("after %s, “%s” is left over at column %d", what, shown, column)
	case whyNoLiteral, whyNoGap:
		if shown == "" {
			return fmt.Sprintf("%s is expected at column %d, where the line ends", what, column)
		}
		if m.why == whyNoGap {
			what = "a blank"
		}
		return fmt.Sprintf("%s is expected at column %d, not “%s”", what, column, shown)
	case whyNotWord:
		if shown == "" {
			return fmt.Sprintf("%s is missing at column %d, and the layout does not say what that means", what, column)
		}
		return fmt.Sprintf("“%s” at column %d is none of the layout's words for %s", shown, column, what)
	case whyShort:
		return fmt.Sprintf("the line ends too early: %s takes %d characters from column %d, and there are %d", what, m.piece.width, column, m.to-m.at)
	case whyNoDigits:
		return fmt.Sprintf("there are no digits at column %d, where %s is expected", column, what)
	case whyUnknownUnit:
		return fmt.Sprintf("“%s” at column %d is no unit that weighpost knows: name it in the layout's table of units", shown, column)
	case whyAmbiguousUnit:
		return fmt.Sprintf("the unit “%s” at column %d may mean %s: say which in the layout's table of units", shown, column, l.meanings(m))
	}
	if (m.why == whyCheck || m.why == whyNotCheck) && l.check.written == writtenRaw {
		shown = fmt.Sprintf("% X", m.line[m.at:m.to])
	}
	if shown == "" {
		return fmt.Sprintf("%s at column %d is blank", what, m.at+1)
	}
	return fmt.Sprintf("%s, “%s” at column %d, %s", what, shown, column, numberFaults[m.why])
}

// frameFaults are sentences about the frame as a whole.
var frameFaults = map[whyCode]string{
	whyNoUnit:              "the weight has no unit, and the layout states none: a number without a unit is not a weighing",
	whyStableWithoutUnit:   "the line calls the weight stable and leaves out the unit, which in this layout means not stable",
	whyUnstableWithoutUnit: "the weight is not stable (its unit is missing), and the layout does not say which unit is then meant",
	whyTwoMeanings:         "two lines of the frame mean different things: see means in the layout",
	whyNoWeight:            "the frame holds no weight",
	whyAmbiguous:           "the frame fits two lines of the layout, which read it differently",
}

func (l *Layout) pieceWords(p *piece) string {
	switch p.kind {
	case pieceLiteral:
		return "“" + l.page.show(p.literal) + "”"
	case pieceGap:
		return "a blank"
	}
	return fieldWords[p.field]
}

func (l *Layout) meanings(m miss) string {
	symbol, _ := l.page.appendText(make([]byte, 0, 64), trim(m.line[m.at:m.to]))
	_, _, ambiguous := unit.Printed(symbol)
	return unitNames(ambiguous)
}

func unitNames(units []unit.Unit) string {
	var names []string
	for _, u := range units {
		names = append(names, u.Name+" ("+u.Key()+")")
	}
	if len(names) == 1 {
		return names[0] + " or something that is no mass"
	}
	return strings.Join(names, ", ")
}
