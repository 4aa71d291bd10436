package http

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// AnswerID says where in an answer the server says what it calls an entry.
type AnswerID struct {
	Header  string `yaml:"header" desc:"A header of the answer, such as Location."`
	Pointer string `yaml:"pointer" desc:"A place in the JSON of the answer (RFC 6901), such as /id."`
}

// maxAnswerID is how many bytes such a name may have.
const maxAnswerID = 200

func (a *AnswerID) check(r *strict.Report) {
	if a.Header != "" && a.Pointer != "" {
		r.Fault("names a header and a place in the answer", "header or pointer")
	}
	// RFC 9110 section 5.6.2: a token.
	if strings.ContainsFunc(a.Header, func(c rune) bool { return c <= ' ' || c > '~' || strings.ContainsRune(`"(),/:;<=>?@[\]{}`, c) }) {
		r.At("header").Fault(fmt.Sprintf("%.40q is no name of a header", a.Header), "a name such as Location")
	}
	if a.Pointer != "" {
		if _, ok := steps(a.Pointer); !ok {
			r.At("pointer").Fault(fmt.Sprintf("%.40q is no JSON pointer (RFC 6901)", a.Pointer), "/ and a key, such as /id or /result/0/number")
		}
	}
}

// steps are the reference tokens of a pointer (RFC 6901 sections 3 and 4).
func steps(pointer string) (tokens []string, ok bool) {
	if !strings.HasPrefix(pointer, "/") {
		return nil, false
	}
	for token := range strings.SplitSeq(pointer[1:], "/") {
		plain := strings.NewReplacer("~0", "", "~1", "").Replace(token)
		if strings.Contains(plain, "~") {
			return nil, false
		}
		tokens = append(tokens, strings.ReplaceAll(strings.ReplaceAll(token, "~1", "/"), "~0", "~"))
	}
	return tokens, true
}

// given is what the server calls what it took. An error says why nothing of that can be kept.
func (a *AnswerID) given(answer *http.Response, said []byte) (string, error) {
	text := ""
	switch {
	case a.Header != "":
		text = answer.Header.Get(a.Header)
	case a.Pointer != "":
		var err error
		if text, err = at(said, a.Pointer); err != nil {
			return "", err
		}
	default:
		return "", nil
	}
	switch {
	case text == "":
		return "", fmt.Errorf("the answer has no such name")
	case len(text) > maxAnswerID:
		return "", fmt.Errorf("it has %d bytes: %d are kept, and a part of it would be another name", len(text), maxAnswerID)
	case !utf8.ValidString(text) || strings.ContainsFunc(text, func(c rune) bool { return !unicode.IsPrint(c) }):
		return "", fmt.Errorf("it holds characters that cannot be shown: %s", strconv.QuoteToASCII(text))
	}
	return text, nil
}

// at gives the text or the number at a place in a JSON document, a number digit by digit as it stands there.
func at(doc []byte, pointer string) (string, error) {
	if len(doc) >= maxDrain {
		return "", fmt.Errorf("the answer has more than %d bytes", maxDrain)
	}
	d := json.NewDecoder(bytes.NewReader(doc))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		return "", fmt.Errorf("the answer is no JSON")
	}
	tokens, _ := steps(pointer)
	for _, token := range tokens {
		switch in := v.(type) {
		case map[string]any:
			v = in[token]
		case []any:
			i, err := strconv.Atoi(token)
			if err != nil || i < 0 || i >= len(in) || strconv.Itoa(i) != token {
				return "", fmt.Errorf("the answer has nothing at %s", pointer)
			}
			v = in[i]
		default:
			return "", fmt.Errorf("the answer has nothing at %s", pointer)
		}
	}
	switch one := v.(type) {
	case string:
		return one, nil
	case json.Number:
		return one.String(), nil
	}
	return "", fmt.Errorf("the answer has no text and no number at %s", pointer)
}

// note keeps what the server calls the entries of a request, for Receipts.
func (s *Sink) note(batch []record.Entry, answer *http.Response, said []byte) {
	name, err := s.cfg.AnswerID.given(answer, said)
	if err != nil {
		s.log.Warn("what the server calls an entry is not kept", "entry", batch[0].ID, "why", err)
	}
	if name == "" {
		return
	}
	for _, e := range batch {
		s.receipts = append(s.receipts, record.Answered{Seq: e.Seq, ID: e.ID, Given: name})
	}
}

// Receipts gives what the server calls the entries of the last Deliver: of a batch, each has the name of the batch.
func (s *Sink) Receipts() []record.Answered {
	list := s.receipts
	s.receipts = nil
	return list
}
