package nats

import (
	"strings"
	"unicode/utf8"

	"weighpost/gateway/record"
	"weighpost/sinks/format"
)

// nobody is the token of entries that are about no balance. A token made of an id never looks like it.
const nobody = "@"

// subjects writes the names under which one site publishes: <prefix>.<site>.<balance>.<kind>.
type subjects struct{ base string }

func newSubjects(prefix, site string) subjects { return subjects{base: prefix + "." + token(site)} }

func (s subjects) entry(e record.Entry) string {
	if e.Balance == "" {
		return s.base + "." + nobody + "." + token(string(e.Kind))
	}
	return s.base + "." + token(e.Balance) + "." + token(string(e.Kind))
}

func (s subjects) checkpoint() string { return s.base + ".checkpoint" }

// token writes an id as one token of a subject: one-to-one, never empty, without dots, wildcards and spaces. It is the same as
// in file names and topics, but that a dot, which parts tokens, is %2E.
func token(id string) string { return strings.ReplaceAll(format.SafeName(id), ".", "%2E") }

// covers says whether a filter of a stream (with * for one token and > for all that follow) takes a subject in.
func covers(filter, subject string) bool {
	f, s := strings.Split(filter, "."), strings.Split(subject, ".")
	for i, t := range f {
		switch {
		case t == ">":
			return len(s) > i
		case i >= len(s) || t != "*" && t != s[i]:
			return false
		}
	}
	return len(f) == len(s)
}

// CheckStreamName says why a text cannot name a stream, or "".
func CheckStreamName(s string) string {
	switch {
	case s == "":
		return "is empty"
	case len(s) > 128:
		return "is too long"
	case strings.ContainsFunc(s, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_')
	}):
		return "holds other characters"
	}
	return ""
}

// CheckPrefix says why a text cannot begin subjects, or "".
func CheckPrefix(s string) string {
	if strings.ContainsAny(s, "*>") {
		return "holds * or >, which stand for other words"
	}
	return checkFilter(s)
}

// checkFilter says why a text is no subject that a stream can take in, or "".
func checkFilter(s string) string {
	switch {
	case s == "":
		return "is empty"
	case len(s) > 200:
		return "is too long"
	case strings.HasPrefix(s, "$"), strings.HasPrefix(s, "_INBOX"):
		return "belongs to the servers themselves"
	case !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return r <= ' ' || r == 0x7f }):
		return "holds spaces or control characters"
	}
	all := strings.Split(s, ".")
	for i, t := range all {
		switch {
		case t == "":
			return "has an empty word"
		case t == ">" && i < len(all)-1:
			return "goes on after >"
		case len(t) > 1 && strings.ContainsAny(t, "*>"):
			return "has * or > within a word"
		}
	}
	return ""
}
