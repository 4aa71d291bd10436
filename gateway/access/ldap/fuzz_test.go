package ldap

import (
	"bytes"
	"context"
	"net"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	goldap "github.com/go-ldap/ldap/v3"

	"weighpost/gateway/access/ldap/slapd"
	"weighpost/parsers/strict"
)

// FuzzID holds that an id that is written as text is read back to the same bytes, that two ids are never written the same, and that
// nothing in it disturbs a list or a log.
func FuzzID(f *testing.F) {
	f.Add([]byte("5b4c2d1e-0000-4000-8000-000000000000"), []byte("hex:00"))
	f.Add([]byte("0123456789abcdef"), []byte{0, 0xff, '*', '(', ')', '\\', 0, 0, 0, 0, 0, 0, 0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, a, b []byte) {
		for _, attribute := range []string{"entryUUID", "objectGUID"} {
			first, err := idText(attribute, a)
			if err != nil {
				continue
			}
			if back, err := rawID(attribute, first); err != nil || back != string(a) {
				t.Fatalf("%s %x is written %q and read %x, %v", attribute, a, first, back, err)
			}
			if !utf8.ValidString(first) || strings.ContainsFunc(first, unprintable) {
				t.Fatalf("%x is written %q", a, first)
			}
			if second, err := idText(attribute, b); err == nil && first == second && !bytes.Equal(a, b) {
				t.Fatalf("%x and %x are both %q", a, b, first)
			}
		}
		_, _ = rawID("objectGUID", string(a))
		_, _ = rawID("entryUUID", string(a))
	})
}

// FuzzEntry holds that whatever an entry's attributes hold, reading it neither panics nor lets through a login, a name or an id that
// cannot be shown, and that a marker that cannot be read keeps its person out.
func FuzzEntry(f *testing.F) {
	f.Add("uid=ada,dc=x", "id", "ada", "Ada", "20261129120000Z")
	f.Add("uid=\\2a,dc=x", "\xff", "*)(uid=*", "\x1b[2J", "9223372036854775807")
	f.Add("", "", "", "", "-1")
	now := time.Date(2026, 11, 29, 12, 0, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, dn, id, login, name, marker string) {
		e := goldap.NewEntry(dn, map[string][]string{"entryUUID": {id}, "uid": {login}, "cn": {name}, "m": {marker}})
		for _, m := range []Marker{{Attribute: "m", Passed: byTime}, {Attribute: "m", Passed: byDays}, {Attribute: "m", Passed: byTicks}, {Attribute: "m", Bits: 2}} {
			c := Config{Users: Users{Barred: []Marker{m}}}.filled()
			p, err := c.personOf(e, "typed", now)
			if err != nil {
				continue
			}
			if p.dn == "" || p.id == "" || unfit(p.login) != "" || p.name == "" || strings.ContainsFunc(p.name, unprintable) && !strings.ContainsFunc(name, unprintable) {
				t.Fatalf("%+v", p)
			}
			if strings.IndexFunc(marker, func(r rune) bool { return r >= '0' && r <= '9' }) < 0 && p.barred == "" {
				t.Fatalf("%q cannot be read and keeps nobody out", marker)
			}
		}
		_ = sameDN(dn)
	})
}

// FuzzAnswer holds that whatever comes back for a bind, it ends in one of the three errors, or in leave to come in where it says so,
// and never in a panic. The bytes are an answer, or, after a first byte that is even, the value of a password policy's control.
func FuzzAnswer(f *testing.F) {
	f.Add([]byte{1, 0x30, 12, 2, 1, 1, 0x61, 7, 10, 1, 0, 4, 0, 4, 0})
	f.Add([]byte{1, 0x30, 0x84, 0x7f, 0xff, 0xff, 0xff})
	f.Add([]byte{0, 0x30, 3, 0x81, 1, 1})
	f.Add([]byte{0, 0x30, 5, 0xa0, 3, 0x80, 1, 60})
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) == 0 || len(b) > 1<<12 {
			return
		}
		answer := b[1:]
		if b[0]%2 == 0 {
			answer = withPolicy(answer)
		}
		near, far := net.Pipe()
		go func() {
			defer far.Close()
			_ = far.SetDeadline(time.Now().Add(5 * time.Second))
			request := make([]byte, 1<<12)
			if _, err := far.Read(request); err == nil {
				_, _ = far.Write(answer)
			}
		}()
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		l := &link{cfg: Config{Timeout: strict.Duration(5 * time.Second)}, raw: &limited{Conn: near}, ctx: ctx, sick: true, stop: func() bool { return true }}
		l.raw.left.Store(maxAnswers)
		if err := l.begin(false, nil); err != nil {
			t.Fatal(err)
		}
		defer l.close()
		err := ours(guard(ctx, l.cfg, func(context.Context, Config) error { return verdict(l.bind("uid=ada,"+slapd.People, "x", true)) }))
		if got := kind(err); strings.HasPrefix(got, "an error") || err != nil && len(err.Error()) > 2000 || err != nil && strings.Contains(err.Error(), "panic") {
			t.Fatalf("%x: %s", answer, got)
		}
	})
}

// withPolicy is a bind's answer that went well, with the value of a password policy's control.
func withPolicy(value []byte) []byte {
	return message(1, result(goldap.ApplicationBindResponse, 0, ""), policyControl(value))
}
