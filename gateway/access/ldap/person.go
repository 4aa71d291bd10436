package ldap

import (
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	ber "github.com/go-asn1-ber/asn1-ber"
	goldap "github.com/go-ldap/ldap/v3"
	"golang.org/x/text/unicode/norm"
)

const (
	maxLogin  = 256  // bytes of a login
	maxSecret = 1024 // bytes of a secret
	maxText   = 256  // characters of a printed name
)

// person is what the directory says of somebody.
type person struct {
	dn, id, login, name string
	memberOf            []string
	barred              string // why they may not come in, "" where they may
}

// unfit says why a login is not asked for, "" where it is. What cannot be printed is nobody's login, and some directories, in
// which a text ends at NUL, would take it for another. Nor is a login asked for in one of the many forms that a directory takes
// for the same one (RFC 4518 section 2: wide letters, ligatures, signs that it drops, spaces): each would be a login of its own to
// whoever counts the attempts. Capitals and composed letters are counted as one, and are asked for.
func unfit(login string) string {
	switch {
	case strings.TrimSpace(login) == "":
		return "no login was given"
	case len(login) > maxLogin:
		return fmt.Sprintf("the login has more than %d bytes", maxLogin)
	case !utf8.ValidString(login) || strings.ContainsFunc(login, unprintable):
		return "the login holds what no login can"
	case norm.NFKC.String(login) != norm.NFC.String(login) || strings.Join(strings.Fields(login), " ") != login:
		return "the login is written in a form that the directory would take for another"
	}
	return ""
}

// unprintable finds what stands for nothing, or for nothing that can be seen.
func unprintable(r rune) bool {
	return !unicode.IsPrint(r) || unicode.Is(unicode.Variation_Selector, r) || unicode.Is(unicode.Other_Default_Ignorable_Code_Point, r) || r == '\ufffc'
}

// unfitSecret says why a secret is not sent, "" where it is. A directory takes an empty one for nobody's, and answers that this
// is fine (RFC 4513 sections 5.1.2 and 6.3.1); one that ends at NUL may be empty to it.
func unfitSecret(secret string) string {
	switch {
	case secret == "":
		return "the secret is empty: it is not sent"
	case len(secret) > maxSecret:
		return fmt.Sprintf("the secret has more than %d bytes", maxSecret)
	case strings.ContainsRune(secret, 0):
		return "the secret holds a character that ends it"
	}
	return ""
}

// findLogin looks somebody up by what they typed.
func (l *link) findLogin(login string) (person, error) {
	filter := strings.ReplaceAll(l.cfg.Users.Filter, placeholder, goldap.EscapeFilter(login))
	return l.find(l.cfg.Users.Base, goldap.ScopeWholeSubtree, filter, login)
}

// findID looks somebody up by what never changes.
func (l *link) findID(id string) (person, error) {
	raw, err := rawID(l.cfg.Users.ID, id)
	if err != nil {
		return person{}, wrong(err.Error())
	}
	return l.find(l.cfg.Users.Base, goldap.ScopeWholeSubtree, "("+l.cfg.Users.ID+"="+goldap.EscapeFilter(raw)+")", "")
}

// findOwn reads the entry of the person who has bound.
func (l *link) findOwn(dn, login string) (person, error) {
	return l.find(dn, goldap.ScopeBaseObject, "(objectClass=*)", login)
}

// find asks for one entry, and takes no other number of them.
func (l *link) find(base string, scope int, filter, login string) (person, error) {
	entries, err := l.search(base, scope, filter, 2, l.cfg.wanted()...)
	switch {
	case len(entries) > 1:
		return person{}, wrong("the directory has more than one entry for that login, and none of them is taken")
	case err != nil && code(err) == goldap.LDAPResultNoSuchObject && scope != goldap.ScopeBaseObject:
		return person{}, fmt.Errorf("the directory has no %s, where people should be", base)
	case err != nil:
		return person{}, fmt.Errorf("no whole answer about the person: %w", plain(err))
	case len(entries) == 0:
		return person{}, wrong("the directory has nobody with that login")
	}
	return l.cfg.personOf(entries[0], login, time.Now())
}

// wanted are the attributes that are asked for, and no others: a photo stays where it is.
func (c Config) wanted() []string {
	list := []string{c.Users.ID, c.Users.Login, c.Users.Name}
	if c.Groups.Nested == memberOf {
		list = append(list, "memberOf")
	}
	for _, m := range c.Users.Barred {
		list = append(list, m.Attribute)
	}
	return list
}

// personOf reads an entry. login is what was typed, "" where nothing was.
func (c Config) personOf(e *goldap.Entry, login string, now time.Time) (person, error) {
	p := person{dn: e.DN, memberOf: e.GetEqualFoldAttributeValues("memberOf")}
	if dn, err := parseDN(e.DN); err != nil || len(dn.RDNs) == 0 {
		// A bind with an empty DN is nobody's, and may succeed with any secret.
		return person{}, errors.New("the directory gives an entry without a DN that can be used")
	}
	ids := e.GetEqualFoldRawAttributeValues(c.Users.ID)
	if len(ids) != 1 {
		return person{}, fmt.Errorf("%.200s has %d values of %s where there must be one: without it nobody can tell whether the login is still the same person's",
			e.DN, len(ids), c.Users.ID)
	}
	id, err := idText(c.Users.ID, ids[0])
	if err != nil {
		return person{}, fmt.Errorf("%.200s: %w", e.DN, err)
	}
	p.id = id
	p.login = login
	for i, v := range e.GetEqualFoldAttributeValues(c.Users.Login) {
		if unfit(v) == "" && (i == 0 || strings.EqualFold(v, login)) {
			p.login = v
		}
	}
	p.name = p.login
	for _, v := range e.GetEqualFoldAttributeValues(c.Users.Name) {
		if name := printed(v); name != "" {
			p.name = name
			break
		}
	}
	for _, m := range c.Users.Barred {
		if why := m.bars(e.GetEqualFoldAttributeValues(m.Attribute), now); why != "" {
			p.barred = why
			break
		}
	}
	return p, nil
}

// printed is a name without what cannot be printed, and not too long.
func printed(s string) string {
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "�"))
	s = strings.Join(strings.Fields(s), " ")
	if r := []rune(s); len(r) > maxText {
		s = string(r[:maxText])
	}
	return s
}

// idText writes the value of the attribute that never changes as text. objectGUID has 16 bytes, of which the first three
// numbers are written from their end (the form that is in common use for it); of any other, text stays text and bytes are hex:….
// The inverse is rawID.
func idText(attribute string, raw []byte) (string, error) {
	if strings.EqualFold(attribute, "objectGUID") {
		if len(raw) != 16 {
			return "", fmt.Errorf("its objectGUID has %d bytes and not 16", len(raw))
		}
		return fmt.Sprintf("%x-%x-%x-%x-%x", swapped(raw[0:4]), swapped(raw[4:6]), swapped(raw[6:8]), raw[8:10], raw[10:16]), nil
	}
	if len(raw) == 0 || len(raw) > maxText {
		return "", fmt.Errorf("its %s has %d bytes", attribute, len(raw))
	}
	if s := string(raw); utf8.Valid(raw) && !strings.ContainsFunc(s, unprintable) && !strings.HasPrefix(s, "hex:") {
		return s, nil
	}
	return "hex:" + hex.EncodeToString(raw), nil
}

// rawID is the inverse of idText.
func rawID(attribute, text string) (string, error) {
	if strings.EqualFold(attribute, "objectGUID") {
		b, err := hex.DecodeString(strings.ReplaceAll(text, "-", ""))
		if err != nil || len(b) != 16 || len(text) != 36 {
			return "", fmt.Errorf("%.60q is no objectGUID", text)
		}
		return string(swapped(b[0:4])) + string(swapped(b[4:6])) + string(swapped(b[6:8])) + string(b[8:]), nil
	}
	if digits, ok := strings.CutPrefix(text, "hex:"); ok {
		b, err := hex.DecodeString(digits)
		if err != nil || len(b) == 0 {
			return "", fmt.Errorf("%.60q is no %s", text, attribute)
		}
		return string(b), nil
	}
	if text == "" || len(text) > maxText {
		return "", fmt.Errorf("%.60q is no %s", text, attribute)
	}
	return text, nil
}

func swapped(b []byte) []byte {
	out := make([]byte, len(b))
	for i := range b {
		out[len(b)-1-i] = b[i]
	}
	return out
}

// bars says why the values of the attribute keep somebody out, "" where they do not. What cannot be read keeps them out.
func (m Marker) bars(values []string, now time.Time) string {
	for _, v := range values {
		switch {
		case len(m.Is) > 0:
			for _, is := range m.Is {
				if strings.EqualFold(strings.TrimSpace(v), is) {
					return fmt.Sprintf("the directory says of the account: %s is %s", m.Attribute, is)
				}
			}
		case m.Bits != 0:
			n, err := strconv.ParseInt(strings.TrimSpace(v), 10, 64)
			if err != nil {
				return fmt.Sprintf("the attribute %s of the account is no number", m.Attribute)
			}
			if n&m.Bits != 0 {
				return fmt.Sprintf("the directory says of the account: %s has the bit %d set", m.Attribute, n&m.Bits)
			}
		case m.Passed != "":
			end, never, err := m.end(v)
			if err != nil {
				return fmt.Sprintf("the attribute %s of the account is no time", m.Attribute)
			}
			if !never && !end.After(now) {
				return fmt.Sprintf("the directory says of the account: it ended on %s (%s)", end.UTC().Format("2006-01-02"), m.Attribute)
			}
		default:
			return fmt.Sprintf("the directory says of the account: it has a value of %s", m.Attribute)
		}
	}
	return ""
}

// between1601And1970 is the time between the two epochs, in seconds: 369 years of which 89 were leap years.
const between1601And1970 = (369*365 + 89) * 86400

// end reads a time at which an account ends.
func (m Marker) end(v string) (end time.Time, never bool, err error) {
	v = strings.TrimSpace(v)
	if m.Passed == byTime {
		end, err = generalizedTime(v)
		return end, false, err
	}
	n, err := strconv.ParseInt(v, 10, 64)
	if err != nil {
		return time.Time{}, false, err
	}
	if m.Passed == byDays {
		// shadowExpire (RFC 2307): a negative number means never, as passwd's files have it.
		return time.Unix(min(n, math.MaxInt32)*86400, 0), n < 0, nil
	}
	if n == 0 || n == math.MaxInt64 {
		return time.Time{}, true, nil
	}
	return time.Unix(n/1e7-between1601And1970, 0), false, nil
}

// generalizedTime reads 20261129120000Z and the like (RFC 4517 section 3.3.13).
func generalizedTime(v string) (time.Time, error) {
	if len(v) < len("2006010215Z") || len(v) > 40 {
		return time.Time{}, errors.New("no generalized time")
	}
	return ber.ParseGeneralizedTime([]byte(v))
}
