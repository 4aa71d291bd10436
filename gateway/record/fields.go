package record

import "bytes"

// Field gives the bytes of one field's value in an entry's JSON, nil where there is no such field. It passes over what stands before it
// without reading it, and does not look at what follows: much quicker than encoding/json where little of an entry is wanted.
//
// It does not validate. ok is false where the text is no object or ends too early, or where encoding/json might take a name for another
// (an upper-case letter, an escape): no entry that weighpost writes is such, and the caller can then read it whole.
func Field(raw []byte, name string) (value []byte, ok bool) {
	i := blanks(raw, 0)
	if i >= len(raw) || raw[i] != '{' {
		return nil, false
	}
	if i = blanks(raw, i+1); i < len(raw) && raw[i] == '}' {
		return nil, true
	}
	for {
		begin := i
		if i >= len(raw) || raw[i] != '"' {
			return nil, false
		}
		if i = stringEnd(raw, i); i < 0 || !plainName(raw[begin+1:i-1]) {
			return nil, false
		}
		found := string(raw[begin+1:i-1]) == name
		if i = blanks(raw, i); i >= len(raw) || raw[i] != ':' {
			return nil, false
		}
		begin = blanks(raw, i+1)
		end := valueEnd(raw, begin)
		switch {
		case end <= begin:
			return nil, false
		case found:
			return raw[begin:end], true
		}
		i = blanks(raw, end)
		if i >= len(raw) || raw[i] != ',' {
			return nil, i < len(raw) && raw[i] == '}'
		}
		i = blanks(raw, i+1)
	}
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

// blanks gives the first place from i on that is no blank of JSON (RFC 8259, section 2).
func blanks(b []byte, i int) int {
	for i < len(b) && (b[i] == ' ' || b[i] == '\n' || b[i] == '\t' || b[i] == '\r') {
		i++
	}
	return i
}

// stringEnd gives the place after the string that begins at i, or -1.
func stringEnd(b []byte, i int) int {
	for at := i + 1; ; {
		quote := bytes.IndexByte(b[at:], '"')
		if quote < 0 {
			return -1
		}
		quote += at
		escapes := 0
		for b[quote-1-escapes] == '\\' {
			escapes++
		}
		if at = quote + 1; escapes%2 == 0 {
			return at
		}
	}
}

// valueEnd gives the place after the value that begins at i, or -1.
func valueEnd(b []byte, i int) int {
	depth := 0
	for i < len(b) {
		switch b[i] {
		case '"':
			if i = stringEnd(b, i); i < 0 || depth == 0 {
				return i
			}
			continue
		case '{', '[':
			depth++
		case '}', ']':
			if depth == 0 {
				return i // of what the value stands in
			}
			if depth--; depth == 0 {
				return i + 1
			}
		case ',', ' ', '\n', '\t', '\r':
			if depth == 0 {
				return i
			}
		}
		i++
	}
	return -1
}
