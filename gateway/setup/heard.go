package setup

// Heard is what came while a port was set in one way.
type Heard struct {
	At    Setting `json:"at"`
	Bytes []byte  `json:"bytes"` // as received; a NUL where the driver says that the character was damaged
	// Damaged are the offsets of damaged bytes, and Breaks those before which a break came, both rising; empty where there were
	// none, or where the driver or the adapter cannot tell.
	Damaged []int `json:"damaged,omitempty"`
	Breaks  []int `json:"breaks,omitempty"`
	// Pauses are the offsets before which the line was silent, rising.
	Pauses []int `json:"pauses,omitempty"`
}

// symbol is a byte as received, or one of the two below.
type symbol uint16

const (
	damaged symbol = 256 + iota
	broken
	symbols // how many there are
)

// mostHeard is how many bytes of one Heard are looked at, and mostBreaks how many breaks.
const mostHeard, mostBreaks = 4096, 1024

// symbols are what was heard; where breaks came does not matter.
func (h Heard) symbols() []symbol {
	list := make([]symbol, 0, min(len(h.Bytes), mostHeard)+min(len(h.Breaks), mostBreaks))
	marks := h.Damaged
	for i, c := range h.Bytes[:min(len(h.Bytes), mostHeard)] {
		s := symbol(c)
		for len(marks) > 0 && marks[0] <= i {
			if marks[0] == i {
				s = damaged
			}
			marks = marks[1:]
		}
		list = append(list, s)
	}
	for range min(len(h.Breaks), mostBreaks) {
		list = append(list, broken)
	}
	return list
}

// tells says whether the driver has told a damaged byte or a break.
func (h Heard) tells() bool { return len(h.Damaged)+len(h.Breaks) > 0 }

// empty says whether nothing came at all.
func (h Heard) empty() bool { return len(h.Bytes)+len(h.Breaks) == 0 }
