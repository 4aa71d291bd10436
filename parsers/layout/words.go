package layout

import (
	"bytes"
	"sort"
)

// word is one entry of a table of meanings: what is printed, in the layout's code page, and what it means.
type word struct {
	text  []byte
	value uint8
}

// wordTable is a table of meanings, longest words first.
type wordTable []word

func (t wordTable) sort() {
	sort.Slice(t, func(i, j int) bool {
		if len(t[i].text) != len(t[j].text) {
			return len(t[i].text) > len(t[j].text)
		}
		return bytes.Compare(t[i].text, t[j].text) < 0
	})
}

// find looks up a whole word.
func (t wordTable) find(b []byte) (value uint8, ok bool) {
	for i := range t {
		if bytes.Equal(t[i].text, b) {
			return t[i].value, true
		}
	}
	return 0, false
}

// longest is the length of the longest word that b begins with, 0 for none.
func (t wordTable) longest(b []byte) int {
	for i := range t {
		if bytes.HasPrefix(b, t[i].text) {
			return len(t[i].text)
		}
	}
	return 0
}

// blank says whether the table gives a meaning to a word that is not printed.
func (t wordTable) blank() bool {
	_, ok := t.find(nil)
	return ok
}

// text is the shortest printed word for a value.
func (t wordTable) text(value uint8) (b []byte, ok bool) {
	for i := len(t) - 1; i >= 0; i-- {
		if t[i].value == value {
			return t[i].text, true
		}
	}
	return nil, false
}
