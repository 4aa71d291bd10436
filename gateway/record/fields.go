package record

import "errors"

// errFound ends a walk that has what it was for.
var errFound = errors.New("found")

// Field gives the bytes of one field's value in an entry's JSON, nil where there is no such field. It walks over what stands before it
// and does not look at what follows: much quicker than encoding/json where little of an entry is wanted.
//
// ok is false where the text is no object or ends too early, or where encoding/json might take a name for another (an upper-case letter,
// an escape): no entry that weighpost writes is such, and the caller can then read it whole.
func Field(raw []byte, name string) (value []byte, ok bool) {
	s := scanner{b: raw}
	err := s.object(func(found []byte) error {
		if !plainName(found) {
			return s.wrong("a name could be taken for another")
		}
		s.next()
		begin := s.i
		if err := s.value(maxDepth); err != nil {
			return err
		}
		if string(found) != name {
			return nil
		}
		end := s.i
		if c := s.next(); c != ',' && c != '}' {
			return s.wrong("it ends too early") // a number may go on
		}
		value = raw[begin:end]
		return errFound
	})
	return value, err == nil || errors.Is(err, errFound)
}

// plainName says whether a name can stand only for itself.
func plainName(name []byte) bool {
	for _, c := range name {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '_' {
			return false
		}
	}
	return true
}
