package paper

import (
	"fmt"
	"strings"
)

// piece is a run of text on one line, all of it in one colour.
type piece struct {
	codes []int
	width int  // in thousandths of the font's size
	mark  bool // stands for a character that cannot be shown
}

// Line is what stands beside each other.
type Line struct {
	pieces []piece
	width  int // in thousandths of the size
}

// atom is a character, or the mark of one, that is never broken.
type atom struct {
	codes []int
	width int
	mark  bool
	space bool
	joint bool // a word that has to be broken is broken rather behind it than anywhere
}

// atoms turns text into what is drawn. A character that the font does not have, or that could not be seen, becomes a mark
// with its code point: ‹U+1F33E›. Nothing is left out. A byte that is no UTF-8 becomes ‹byte FF›.
func (f *Font) atoms(text string) []atom {
	list := make([]atom, 0, len(text))
	for i, r := range text {
		if code := f.code(r); code != 0 {
			list = append(list, atom{codes: f.used[code].alone, width: f.used[code].width, space: r == ' ', joint: r == '/'})
			continue
		}
		mark := fmt.Sprintf("‹U+%04X›", r)
		if r == '\uFFFD' && !strings.HasPrefix(text[i:], "\uFFFD") {
			mark = fmt.Sprintf("‹byte %02X›", text[i])
		}
		a := atom{mark: true}
		for _, c := range mark {
			code := f.code(c)
			a.codes, a.width = append(a.codes, code), a.width+f.used[code].width
		}
		list = append(list, a)
	}
	return list
}

// Wrap breaks text into lines that are no wider than room points at a size: at line ends, at spaces, and within a word that
// is wider than the room: there behind a slash, if that leaves no short line, so that an id is broken between its parts. It never gives fewer
// than one line.
func (f *Font) Wrap(text string, size, room float64) []Line {
	most := int(room * 1000 / size)
	var lines []Line
	for paragraph := range strings.SplitSeq(strings.ReplaceAll(text, "\r\n", "\n"), "\n") {
		lines = append(lines, breakAtoms(f.atoms(paragraph), most)...)
	}
	return lines
}

func breakAtoms(list []atom, most int) []Line {
	var lines []Line
	for len(list) > 0 {
		n, width, space, joint := 0, 0, 0, 0
		for n < len(list) && (width+list[n].width <= most || n == 0) {
			width += list[n].width
			n++
			if list[n-1].space {
				space = n
			}
			if list[n-1].joint {
				joint = n
			}
		}
		switch {
		case n == len(list) || list[n].space:
		case space > 0:
			n = space
		case 2*joint > n:
			n = joint
		}
		lines = append(lines, lineOf(list[:n]))
		list = list[n:]
		if len(list) > 0 && list[0].space {
			list = list[1:] // the space at which the line was broken
		}
	}
	if lines == nil {
		return []Line{{}}
	}
	return lines
}

// Width is how wide it is at a size, in points.
func (l Line) Width(size float64) float64 { return float64(l.width) * size / 1000 }

// lineOf joins atoms of one colour to pieces.
func lineOf(list []atom) (l Line) {
	for _, a := range list {
		last := len(l.pieces) - 1
		if last < 0 || l.pieces[last].mark != a.mark {
			l.pieces = append(l.pieces, piece{mark: a.mark})
			last++
		}
		p := &l.pieces[last]
		p.codes, p.width = append(p.codes, a.codes...), p.width+a.width
		l.width += a.width
	}
	return l
}
