package frame

import "fmt"

// Why bytes are no frame: sentences for whoever looks at what was not read.
const (
	faultOutside    = "these bytes came outside of a frame: no start bytes came before them"
	faultNewStart   = "the frame stopped before its end: a new one began"
	faultSilence    = "the balance fell silent in the middle of the frame"
	faultFileEnd    = "the file ends in the middle of the frame"
	faultStrayLine  = "the line stands outside of a print block: no first line of a block came before it"
	faultNewBlock   = "the print block stopped before its last line: a new one began"
	faultBlockGap   = "the balance fell silent before the last line of the print block"
	faultBlockFile  = "the file ends before the print block does"
	faultBrokenLine = "a line of the print block cannot be used: "
)

// tooLong is the sentence for a frame of which bytes were not kept.
func tooLong(most int, notKept int64) string {
	return fmt.Sprintf("the frame is longer than the %d bytes it may have: %d further bytes were not kept. "+
		"If this happens often, compare speed, parity and end of frame with the balance's settings", most, notKept)
}

// tooManyLines is the sentence for a print block that went on and on.
func tooManyLines(most int) string {
	return fmt.Sprintf("the print block has more than the %d lines it may have. "+
		"If this happens often, compare the end of the block with what the balance prints", most)
}

// whole gives the sentence for a frame that may be spoilt for a known reason or too long, or "" for a sound one.
func whole(known string, most int, notKept int64) string {
	switch {
	case notKept == 0:
		return known
	case known == "":
		return tooLong(most, notKept)
	}
	return fmt.Sprintf("%s (%d further bytes were not kept)", known, notKept)
}
