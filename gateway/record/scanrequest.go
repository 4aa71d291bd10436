package record

import (
	"errors"
	"fmt"
	"time"
	"unicode/utf8"
)

// ScanRequest is one code that was scanned, or typed, somewhere else than at the balance's own scanner.
type ScanRequest struct {
	Raw string // the code, without what the scanner sends at its end
	// Symbology is the symbology identifier (ISO/IEC 15424: ]C1) where it is known apart from the code; "" where it is not, or stands
	// at the beginning of the code.
	Symbology string
	Typed     bool // by hand: the form of GS1 codes for people, with brackets, is taken too
	Confirm   bool // see ContextRequest
	Request   string

	// Others says that whoever asks may tie weighings to another person than themselves.
	Others bool
	Actor  *Actor
	Where  string
	At     time.Time
}

// mostScanned is how many bytes a scan may have.
const mostScanned = 512

// ParseScanRequest reads the JSON form of a scan:
//
//	{"raw": "10ABC123\u001d17261231", "symbology": "]C1", "typed": false, "confirm": false, "request": "42"}
//
// raw has to be there; unknown names and names that are there twice are refused. The error is a sentence that names the member.
func ParseScanRequest(b []byte) (ScanRequest, error) {
	if len(b) > maxRequestBytes {
		return ScanRequest{}, fmt.Errorf("the request has %d bytes: at most %d are taken", len(b), maxRequestBytes)
	}
	s := scanner{b: b}
	var r ScanRequest
	err := s.members("the request", func(name string) error { return r.member(&s, name) })
	if s.next(); err == nil && s.i < len(b) {
		err = s.wrong("more follows after the end of the request")
	}
	if err == nil {
		err = r.Check()
	}
	if err != nil {
		return ScanRequest{}, err
	}
	return r, nil
}

// Check says in a sentence why the request cannot be taken, or nil.
func (r *ScanRequest) Check() error {
	switch {
	case r.Raw == "":
		return errors.New("raw is missing or empty: it is the code as it was scanned")
	case len(r.Raw) > mostScanned:
		return fmt.Errorf("raw has %d bytes: at most %d are taken", len(r.Raw), mostScanned)
	case !utf8.ValidString(r.Raw):
		return errors.New("raw is not UTF-8 text")
	case r.Symbology != "" && !symbology(r.Symbology):
		return errors.New("symbology is no symbology identifier of three characters, such as ]C1")
	}
	return nil
}

// symbology says whether a text has the form of a symbology identifier (ISO/IEC 15424).
func symbology(s string) bool {
	letter := func(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' }
	return len(s) == 3 && s[0] == ']' && letter(s[1]) && (letter(s[2]) || s[2] >= '0' && s[2] <= '9')
}

func (r *ScanRequest) member(s *scanner, name string) (err error) {
	switch name {
	case "raw":
		r.Raw, err = s.string("raw")
	case "symbology":
		r.Symbology, err = s.string("symbology")
	case "typed":
		r.Typed, err = s.truth("typed")
	case "confirm":
		r.Confirm, err = s.truth("confirm")
	case "request":
		r.Request, err = s.mark()
	default:
		err = s.wrong(fmt.Sprintf("%q is unknown: a scan has raw, symbology, typed, confirm and request", name))
	}
	return err
}

// truth reads true or false.
func (s *scanner) truth(name string) (bool, error) {
	c := s.next()
	if c != 't' && c != 'f' {
		return false, s.wrong(name + " is true or false")
	}
	return c == 't', s.value(1)
}

// mark reads the sender's own mark.
func (s *scanner) mark() (string, error) {
	mark, err := s.string("request")
	if err != nil {
		return "", err
	}
	if mark != "" {
		if err := CheckContextID(mark); err != nil {
			return "", fmt.Errorf("request %w", err)
		}
	}
	if n := utf8.RuneCountInString(mark); n > maxRequestMark {
		return "", fmt.Errorf("request has %d characters: at most %d are taken", n, maxRequestMark)
	}
	return mark, nil
}
