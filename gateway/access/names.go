package access

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/secure/precis"
	"golang.org/x/text/unicode/norm"

	"weighpost/gateway/record"
)

const (
	mostID   = 63  // characters
	mostName = 120 // characters
)

// fold is the form in which ids and logins are compared: NFC, case folding (The Unicode Standard, section 3.13), and NFC again,
// since folding may take a text out of it. Two ids with the same fold are the same id.
func fold(text string) string {
	return norm.NFC.String(cases.Fold().String(norm.NFC.String(text)))
}

// CheckID says why a text cannot be the id or the login of a person, or nil. The error continues a sentence that begins with the
// name of the thing. An id stands in entries, paths and lists, so it has letters and digits of one way of writing (RFC 8264,
// IdentifierClass), and of signs only . _ - and @, of which none begins it.
func CheckID(id string) error {
	if id == "" {
		return errors.New("is empty")
	}
	if !utf8.ValidString(id) {
		return errors.New("is not UTF-8 text")
	}
	if n := utf8.RuneCountInString(id); n > mostID {
		return fmt.Errorf("has %d characters: at most %d are allowed", n, mostID)
	}
	for i, r := range id {
		letter := unicode.IsLetter(r) || unicode.IsDigit(r) || i > 0 && unicode.IsMark(r)
		if !letter && (i == 0 || !strings.ContainsRune("._-@", r)) {
			return fmt.Errorf("holds %q: letters, digits and the signs . _ - @ are allowed, and the first is a letter or a digit", r)
		}
	}
	if mixes(id) {
		return errors.New("mixes Latin, Greek and Cyrillic letters, of which some look alike: write it in one of them")
	}
	if same, err := precis.UsernameCasePreserved.String(id); err != nil || same != id { // RFC 8265 section 3.4
		return errors.New("holds characters that look like others or mix ways of writing: write it plainly")
	}
	return nil
}

// checkName says why a text cannot be a printed name, or nil.
func checkName(name string) error {
	if n := utf8.RuneCountInString(name); n > mostName {
		return fmt.Errorf("has %d characters: at most %d are allowed", n, mostName)
	}
	if slices.ContainsFunc(strings.FieldsFunc(name, notOfWord), mixes) {
		return errors.New("mixes Latin, Greek and Cyrillic letters in one word, of which some look alike: write it in one of them")
	}
	return record.CheckContextID(name)
}

func notOfWord(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsMark(r) && !unicode.IsDigit(r) }

// mixes says whether a text has letters of more than one of the alphabets whose letters look like each other's (UTS 39, section
// 5.2, of which this is the part that matters between them): bоss with a Cyrillic о is not boss, and would stand beside it in
// the journal. A word that is all of one alphabet and looks like another's is not found; the entry's id tells them apart.
func mixes(text string) bool {
	n := 0
	for _, alphabet := range []*unicode.RangeTable{unicode.Latin, unicode.Greek, unicode.Cyrillic, unicode.Armenian, unicode.Cherokee} {
		if strings.ContainsFunc(text, func(r rune) bool { return unicode.IsLetter(r) && unicode.Is(alphabet, r) }) {
			n++
		}
	}
	return n > 1
}

// asName makes a printed name of what a directory says, or "" where it can be none.
func asName(text string) string {
	text = strings.Join(strings.Fields(norm.NFC.String(strings.ToValidUTF8(text, ""))), " ")
	if runes := []rune(text); len(runes) > mostName {
		text = strings.TrimSpace(string(runes[:mostName]))
	}
	if checkName(text) != nil {
		return ""
	}
	return text
}

// asID makes an id of a login, or "" where it can be none: in lower case, as it is compared.
func asID(login string) string {
	id := norm.NFC.String(strings.ToLower(norm.NFC.String(login)))
	if CheckID(id) != nil {
		return ""
	}
	return id
}
