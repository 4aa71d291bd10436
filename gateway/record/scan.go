package record

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"unicode/utf8"
)

// maxDepth is how deep the values of an entry may nest. Entries of ours need 4.
const maxDepth = 64

// scanner walks over JSON text (RFC 8259) once, from front to back, and copies nothing.
type scanner struct {
	b []byte
	i int
}

func (s *scanner) wrong(what string) error { return fmt.Errorf("byte %d: %s", s.i, what) }

// next skips white space and gives the byte after it, or 0 at the end. It does not consume that byte. There is no white space
// in what we write, and this much fits into its callers.
func (s *scanner) next() byte {
	if s.i < len(s.b) && s.b[s.i] > ' ' {
		return s.b[s.i]
	}
	return s.afterSpace()
}

func (s *scanner) afterSpace() byte {
	for ; s.i < len(s.b); s.i++ {
		switch s.b[s.i] {
		case ' ', '\t', '\r', '\n':
		default:
			return s.b[s.i]
		}
	}
	return 0
}

// take consumes the byte c after white space, if it is there.
func (s *scanner) take(c byte) bool {
	if s.i < len(s.b) && s.b[s.i] == c {
		s.i++
		return true
	}
	return s.takeAfterSpace(c)
}

func (s *scanner) takeAfterSpace(c byte) bool {
	if s.afterSpace() != c || s.i >= len(s.b) {
		return false
	}
	s.i++
	return true
}

// object walks over an object. each is called with the name of each member as it stands between its quotes, and has to
// consume the member's value.
func (s *scanner) object(each func(name []byte) error) error { return s.membersOf(each, 0) }

// membersOf walks over an object. Without each its values may be any, and nest as deep as depth says.
func (s *scanner) membersOf(each func(name []byte) error, depth int) error {
	if !s.take('{') {
		return s.wrong("an object should begin here")
	}
	if s.take('}') {
		return nil
	}
	for {
		if s.next() != '"' {
			return s.wrong("the name of a member should stand here")
		}
		name, err := s.text()
		if err != nil {
			return err
		}
		if !s.take(':') {
			return s.wrong("a colon should stand here")
		}
		if each != nil {
			err = each(name)
		} else {
			err = s.value(depth)
		}
		if err != nil {
			return err
		}
		if s.take('}') {
			return nil
		}
		if !s.take(',') {
			return s.wrong("a comma or the end of the object should stand here")
		}
	}
}

// array walks over an array.
func (s *scanner) array(depth int) error {
	s.i++
	if s.take(']') {
		return nil
	}
	for {
		if err := s.value(depth); err != nil {
			return err
		}
		if s.take(']') {
			return nil
		}
		if !s.take(',') {
			return s.wrong("a comma or the end of the array should stand here")
		}
	}
}

// value walks over any value. depth is how many may still nest.
func (s *scanner) value(depth int) error {
	if depth == 0 {
		return s.wrong("values nest too deep")
	}
	switch c := s.next(); {
	case c == '"':
		_, err := s.text()
		return err
	case c == '{':
		return s.membersOf(nil, depth-1)
	case c == '[':
		return s.array(depth - 1)
	case c == '-' || c >= '0' && c <= '9':
		return s.number()
	case c == 't':
		return s.word("true")
	case c == 'f':
		return s.word("false")
	case c == 'n':
		return s.word("null")
	}
	return s.wrong("a value should stand here")
}

func (s *scanner) word(w string) error {
	if len(s.b)-s.i < len(w) || string(s.b[s.i:s.i+len(w)]) != w {
		return s.wrong("a value should stand here")
	}
	s.i += len(w)
	return nil
}

// text walks over a string and gives what stands between its quotes, escapes and all.
func (s *scanner) text() ([]byte, error) {
	s.i++
	start := s.i
	for {
		rest := s.b[s.i:]
		n := plain(rest)
		for n < len(rest) && !special[rest[n]] {
			n++
		}
		s.i += n
		switch {
		case n == len(rest):
			return nil, s.wrong("a text has no end")
		case rest[n] == '"':
			s.i++
			return s.b[start : s.i-1], nil
		case rest[n] != '\\':
			return nil, s.wrong("a control character stands in a text")
		}
		if err := s.escape(); err != nil {
			return nil, err
		}
	}
}

// plain says how many bytes of b, in whole eights, hold no special one for sure. Eight are looked at in one go: a byte of x is
// zero, or less than n, where the high bit of that byte of (x - n in each byte) &^ x is set, and perhaps of some that follow.
func plain(b []byte) (n int) {
	const each, high = 0x0101010101010101, 0x8080808080808080
	for ; len(b)-n >= 8; n += 8 {
		x := binary.LittleEndian.Uint64(b[n:])
		quote, escape := x^each*'"', x^each*'\\'
		if ((x-each*' ')&^x|(quote-each)&^quote|(escape-each)&^escape)&high != 0 {
			return n
		}
	}
	return n
}

// special marks the bytes that end a text, begin an escape or may not stand in a text.
var special = func() (t [256]bool) {
	for c := range ' ' {
		t[c] = true
	}
	t['"'], t['\\'] = true, true
	return t
}()

func (s *scanner) escape() error {
	s.i++
	if s.i >= len(s.b) {
		return s.wrong("a text has no end")
	}
	switch s.b[s.i] {
	case '"', '\\', '/', 'b', 'f', 'n', 'r', 't':
		s.i++
		return nil
	case 'u':
		s.i++
		for range 4 {
			if s.i >= len(s.b) || !isHex(s.b[s.i]) {
				return s.wrong("four hexadecimal digits should stand here")
			}
			s.i++
		}
		return nil
	}
	return s.wrong("there is no such escape")
}

func isHex(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'f' || c >= 'A' && c <= 'F'
}

// number walks over a number.
func (s *scanner) number() error {
	if s.b[s.i] == '-' {
		s.i++
	}
	if s.i < len(s.b) && s.b[s.i] == '0' {
		s.i++
	} else if err := s.digits(); err != nil {
		return err
	}
	if s.i < len(s.b) && s.b[s.i] == '.' {
		s.i++
		if err := s.digits(); err != nil {
			return err
		}
	}
	if s.i < len(s.b) && (s.b[s.i] == 'e' || s.b[s.i] == 'E') {
		s.i++
		if s.i < len(s.b) && (s.b[s.i] == '+' || s.b[s.i] == '-') {
			s.i++
		}
		return s.digits()
	}
	return nil
}

func (s *scanner) digits() error {
	start := s.i
	for s.i < len(s.b) && s.b[s.i] >= '0' && s.b[s.i] <= '9' {
		s.i++
	}
	if s.i == start {
		return s.wrong("a digit should stand here")
	}
	return nil
}

// unquote gives the text that stands between quotes. Almost always the two are the same.
func unquote(inner []byte) (string, error) {
	for _, c := range inner {
		if c == '\\' || c >= utf8.RuneSelf {
			var out string
			err := json.Unmarshal(append(append([]byte{'"'}, inner...), '"'), &out)
			return out, err
		}
	}
	return string(inner), nil
}
