package record

import (
	"bytes"
	"unicode/utf8"
)

// EachText calls each for every text in an entry's exact bytes, in order, with the names of the members that lead to it,
// outermost first and as they are written; elements of an array have the path of the array. Numbers, true, false and null
// are no texts. Neither path nor text may be kept: they are overwritten. It stops with an error at the first byte that is
// no JSON; each has then been called for what stands before.
func EachText(raw []byte, each func(path [][]byte, text []byte)) error {
	w := textWalk{scanner: scanner{b: raw}, each: each}
	return w.value(maxDepth)
}

type textWalk struct {
	scanner
	path [][]byte
	each func(path [][]byte, text []byte)
}

func (w *textWalk) value(depth int) error {
	switch c := w.next(); {
	case c == '"':
		text, err := w.text()
		if err != nil {
			return err
		}
		if bytes.IndexByte(text, '\\') >= 0 || !utf8.Valid(text) {
			plain, err := unquote(text)
			if err != nil {
				return w.wrong("a text cannot be read")
			}
			text = []byte(plain)
		}
		w.each(w.path, text)
		return nil
	case depth == 0 && (c == '{' || c == '['):
		return w.wrong("values nest too deep")
	case c == '{':
		return w.object(func(name []byte) error {
			w.path = append(w.path, name)
			err := w.value(depth - 1)
			w.path = w.path[:len(w.path)-1]
			return err
		})
	case c == '[':
		return w.list(depth - 1)
	}
	return w.scanner.value(1)
}

// list walks over an array.
func (w *textWalk) list(depth int) error {
	w.take('[')
	if w.take(']') {
		return nil
	}
	for {
		if err := w.value(depth); err != nil {
			return err
		}
		if w.take(']') {
			return nil
		}
		if !w.take(',') {
			return w.wrong("a comma or the end of the array should stand here")
		}
	}
}
