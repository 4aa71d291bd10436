package ldap

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"runtime"
	"strings"
	"testing"
	"time"

	ber "github.com/go-asn1-ber/asn1-ber"
	goldap "github.com/go-ldap/ldap/v3"

	"weighpost/gateway/access/ldap/slapd"
	"weighpost/gateway/access/outside"
	"weighpost/parsers/strict"
)

func fakeConfig(t testing.TB, f *fake) Config {
	c := configFor(t, f.url())
	c.Timeout = strict.Duration(2 * time.Second)
	return must(t, c)
}

// TestTheFakeIsADirectory: what the other tests put strange answers into lets ada in when it is left alone.
func TestTheFakeIsADirectory(t *testing.T) {
	f := fakeDirectory(t, honest)
	if found := signIn(t, of(fakeConfig(t, f)), "ada", "x", "in"); found.Immutable != "7b6f" {
		t.Errorf("%+v", found)
	}
}

// instead answers the search for people otherwise.
func instead(answer func(c net.Conn, id int64) bool) func(net.Conn, int64, *ber.Packet) bool {
	return func(c net.Conn, id int64, op *ber.Packet) bool {
		if op.Tag == goldap.ApplicationSearchRequest && op.Children[0].Value == slapd.People {
			return answer(c, id)
		}
		return honest(c, id, op)
	}
}

// TestStrangeAnswers: an answer that a directory should not give lets nobody in, and ends neither the daemon nor its memory.
func TestStrangeAnswers(t *testing.T) {
	t.Parallel() // it mostly waits
	done := func(code int64) *ber.Packet { return result(goldap.ApplicationSearchResultDone, code, "") }
	ada := func(dn string, change map[string][]string) *ber.Packet {
		all := map[string][]string{"entryUUID": {"7b6f"}, "uid": {"ada"}, "cn": {"Ada"}}
		for k, v := range change {
			all[k] = v
		}
		return entryOf(dn, all)
	}
	const dn = "uid=ada,ou=people,dc=seed-bank,dc=example"
	short := ber.Encode(ber.ClassApplication, ber.TypeConstructed, goldap.ApplicationSearchResultDone, nil, "")
	short.AppendChild(ber.NewInteger(ber.ClassUniversal, ber.TypePrimitive, ber.TagEnumerated, 0, ""))
	deep := append(bytes.Repeat([]byte{0x30, 0x80}, 5000), make([]byte, 10000)...)
	for name, c := range map[string]struct {
		want   string
		answer func(net.Conn, int64) bool
	}{
		"entry without a DN": {"away", func(c net.Conn, id int64) bool {
			return send(c, message(id, ada("", nil))) && send(c, message(id, done(0)))
		}},
		"DN that is none": {"away", func(c net.Conn, id int64) bool {
			return send(c, message(id, ada("\x00\xff", nil))) && send(c, message(id, done(0)))
		}},
		"no id": {"away", func(c net.Conn, id int64) bool {
			return send(c, message(id, ada(dn, map[string][]string{"entryUUID": nil}))) && send(c, message(id, done(0)))
		}},
		"two ids": {"away", func(c net.Conn, id int64) bool {
			return send(c, message(id, ada(dn, map[string][]string{"entryUUID": {"a", "b"}}))) && send(c, message(id, done(0)))
		}},
		"an empty id": {"away", func(c net.Conn, id int64) bool {
			return send(c, message(id, ada(dn, map[string][]string{"entryUUID": {""}}))) && send(c, message(id, done(0)))
		}},
		"one entry and sizeLimitExceeded": {"away", func(c net.Conn, id int64) bool {
			return send(c, message(id, ada(dn, nil))) && send(c, message(id, done(4)))
		}},
		"one entry and timeLimitExceeded": {"away", func(c net.Conn, id int64) bool {
			return send(c, message(id, ada(dn, nil))) && send(c, message(id, done(3)))
		}},
		"two entries": {"wrong", func(c net.Conn, id int64) bool {
			return send(c, message(id, ada(dn, nil))) && send(c, message(id, ada("uid=ada,ou=x,"+dn, nil))) && send(c, message(id, done(0)))
		}},
		"many entries": {"wrong", func(c net.Conn, id int64) bool {
			for range 10000 {
				if !send(c, message(id, ada(dn, nil))) {
					return false
				}
			}
			return true
		}},
		"a referral":    {"away", func(c net.Conn, id int64) bool { return send(c, message(id, done(10))) }},
		"busy":          {"away", func(c net.Conn, id int64) bool { return send(c, message(id, done(51))) }},
		"unavailable":   {"away", func(c net.Conn, id int64) bool { return send(c, message(id, done(52))) }},
		"unwilling":     {"away", func(c net.Conn, id int64) bool { return send(c, message(id, done(53))) }},
		"no such base":  {"away", func(c net.Conn, id int64) bool { return send(c, message(id, done(32))) }},
		"end of line":   {"away", func(c net.Conn, id int64) bool { return false }},
		"half a result": {"away", func(c net.Conn, id int64) bool { return send(c, message(id, short)) }},
		"another id":    {"away", func(c net.Conn, id int64) bool { return send(c, message(id+7, done(0))) }},
		"2 GiB":         {"away", func(c net.Conn, id int64) bool { return send(c, []byte{0x30, 0x84, 0x7f, 0xff, 0xff, 0xff, 4}) }},
		"an octet string of 2 GiB": {"away", func(c net.Conn, id int64) bool {
			return send(c, []byte{0x30, 0x84, 0x7f, 0xff, 0xff, 0xff, 2, 1, 1, 4, 0x84, 0x7f, 0xff, 0xff, 0xf0, 'x'})
		}},
		"2^63 bytes": {"away", func(c net.Conn, id int64) bool {
			return send(c, []byte{0x30, 0x88, 0x7f, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff})
		}},
		"5000 levels": {"away", func(c net.Conn, id int64) bool { return send(c, deep) }},
		"nonsense":    {"away", func(c net.Conn, id int64) bool { return send(c, []byte("HTTP/1.1 400 Bad Request\r\n\r\n")) }},
		"a name of half a MiB": {"in", func(c net.Conn, id int64) bool {
			return send(c, message(id, ada(dn, map[string][]string{"cn": {strings.Repeat("x", 1<<19)}}))) && send(c, message(id, done(0)))
		}},
		"a name of two MiB": {"away", func(c net.Conn, id int64) bool {
			return send(c, message(id, ada(dn, map[string][]string{"cn": {strings.Repeat("x", 1<<21)}}))) && send(c, message(id, done(0)))
		}},
		"a name that moves a cursor": {"in", func(c net.Conn, id int64) bool {
			return send(c, message(id, ada(dn, map[string][]string{"cn": {"A\x1b[2J\u202ed\xffa"}}))) && send(c, message(id, done(0)))
		}},
	} {
		t.Run(name, func(t *testing.T) {
			f := fakeDirectory(t, instead(c.answer))
			found := signIn(t, of(fakeConfig(t, f)), "ada", "x", c.want)
			if len([]rune(found.Name)) > maxText || strings.ContainsAny(found.Name, "\x1b\u202e") {
				t.Errorf("the name is %q", found.Name)
			}
		})
	}
}

// TestFlood: a directory that never stops answering is left after a few MiB, and costs no more memory than a few times that.
func TestFlood(t *testing.T) {
	var before, after runtime.MemStats
	member := make([]string, 2000)
	for i := range member {
		member[i] = fmt.Sprintf("cn=group-%d,%s", i, slapd.Groups)
	}
	huge := entryOf("uid=ada,"+slapd.People, map[string][]string{"entryUUID": {"1"}, "memberOf": member})
	sent := 0
	f := fakeDirectory(t, instead(func(c net.Conn, id int64) bool {
		b := message(id+1, huge) // not even the question's own: the library would drop these for ever
		for {
			if !send(c, b) {
				return false
			}
			sent += len(b)
		}
	}))
	c := fakeConfig(t, f)
	c.Timeout = strict.Duration(time.Minute) // it is the amount that ends it
	runtime.ReadMemStats(&before)
	_, err := of(c).Authenticate(context.Background(), "ada", "x")
	runtime.ReadMemStats(&after)
	if kind(err) != "away" || !strings.Contains(err.Error(), "MiB") {
		t.Errorf("%v", err)
	}
	t.Logf("%d KiB were sent, %d KiB allocated in all", sent>>10, (after.TotalAlloc-before.TotalAlloc)>>10)
	if got := (after.TotalAlloc - before.TotalAlloc) >> 20; got > 256 {
		t.Errorf("%d MiB were allocated", got)
	}
}

// TestWhatABindSays holds the way from the directory's words to ours. Codes: RFC 4511 appendix A. Controls:
// draft-behera-ldap-password-policy-11 section 6.2. Texts: as directories write them, from common practice.
func TestWhatABindSays(t *testing.T) {
	policy := func(value ...byte) *ber.Packet { return policyControl(value) }
	says := func(data string) string {
		return "80090308: LdapErr: comment: AcceptSecurityContext error, data " + data + ", v1"
	}
	for _, c := range []struct {
		code    int64
		text    string
		control *ber.Packet
		want    string
	}{
		{0, "", nil, "in"},
		{0, "", policy(0x30, 0), "in"},
		{0, "", policy(0x30, 5, 0xa0, 3, 0x80, 1, 60), "in"},     // expires in a minute
		{0, "", policy(0x30, 5, 0xa0, 3, 0x81, 1, 2), "in"},      // two more times
		{0, "", policy(0x30, 3, 0x81, 1, 2), "refused"},          // changeAfterReset
		{0, "", policy(0x30, 3, 0x81, 1, 1), "locked"},           // accountLocked, and the bind went well
		{49, "", policy(0x30, 3, 0x81, 1, 1), "locked"},          // accountLocked
		{49, "", policy(0x30, 3, 0x81, 1, 0), "refused"},         // passwordExpired
		{49, "", policy(0x30, 0), "wrong"},                       //
		{0, "", policy(0x30, 3, 0x81, 1, 77), "away"},            // no error that there is
		{0, "", policy(0x30, 3, 0x81, 9, 1), "away"},             // cut short
		{0, "", policy(0x30, 0x84, 0x7f, 255, 255, 255), "away"}, // 2 GiB
		{0, "", policy(0x30, 4, 0xa0, 2, 0x80, 0), "in"},         // a warning without a number says nothing
		{0, "", policy(), "away"},
		{0, "", policy([]byte{}...), "away"},
		{49, "", nil, "wrong"}, {49, says("52e"), nil, "wrong"}, {49, says("525"), nil, "wrong"}, {49, says("fff"), nil, "wrong"},
		{49, says("530"), nil, "refused"}, {49, says("531"), nil, "refused"}, {49, says("532"), nil, "refused"}, {49, says("533"), nil, "locked"},
		{49, says("701"), nil, "locked"}, {49, says("773"), nil, "refused"}, {49, says("775"), nil, "locked"},
		{1, "", nil, "away"}, {2, "", nil, "away"}, {3, "", nil, "away"}, {7, "", nil, "away"}, {8, "", nil, "away"}, {10, "", nil, "away"}, {11, "", nil, "away"},
		{13, "", nil, "away"}, {14, "", nil, "away"}, {19, "", nil, "locked"}, {32, "", nil, "wrong"}, {34, "", nil, "wrong"}, {48, "", nil, "wrong"},
		{50, "", nil, "refused"}, {51, "", nil, "away"}, {52, "", nil, "away"}, {53, "", nil, "refused"}, {80, "", nil, "away"}, {118, "", nil, "away"}, {199, "", nil, "away"}, {200, "", nil, "away"}, {1 << 40, "", nil, "away"}, {-1, "", nil, "away"},
	} {
		f := fakeDirectory(t, func(conn net.Conn, id int64, op *ber.Packet) bool {
			if op.Tag == goldap.ApplicationBindRequest && strings.HasPrefix(op.Children[1].Value.(string), "uid=ada") {
				var controls []*ber.Packet
				if c.control != nil {
					controls = append(controls, c.control)
				}
				return send(conn, message(id, result(goldap.ApplicationBindResponse, c.code, c.text), controls...))
			}
			return honest(conn, id, op)
		})
		_, err := of(fakeConfig(t, f)).Authenticate(context.Background(), "ada", "the-secret-itself")
		if got := kind(err); got != c.want {
			t.Errorf("code %d %q %v: %s (%v), want %s", c.code, c.text, c.control != nil, got, err, c.want)
		}
	}
}

// TestTheServiceAccountIsNotThePerson: whatever the directory says to the account that looks people up, it is no word about the
// person's secret.
func TestTheServiceAccountIsNotThePerson(t *testing.T) {
	for _, code := range []int64{49, 53, 19, 48, 32, 50} {
		f := fakeDirectory(t, func(c net.Conn, id int64, op *ber.Packet) bool {
			return send(c, message(id, result(goldap.ApplicationBindResponse, code, "what-the-directory-writes")))
		})
		_, err := of(fakeConfig(t, f)).Authenticate(context.Background(), "ada", "the-secret-itself")
		if kind(err) != "away" || strings.Contains(err.Error(), "what-the-directory-writes") || !strings.Contains(err.Error(), slapd.Service) {
			t.Errorf("code %d: %v", code, err)
		}
	}
	dir := slapd.Start(t, slapd.Options{})
	c := configFor(t, dir.URL())
	t.Setenv("WEIGHPOST_TEST_SECRET", "not-the-service-secret")
	c.Password, _ = strict.SecretFrom("env:WEIGHPOST_TEST_SECRET")
	_, err := of(c).Authenticate(context.Background(), "ada", slapd.Secret)
	if kind(err) != "away" || strings.Contains(err.Error(), "not-the-service-secret") {
		t.Errorf("%v", err)
	}
	c.Password, _ = strict.SecretFrom("env:WEIGHPOST_TEST_NOT_SET")
	signIn(t, of(c), "ada", slapd.Secret, "away")
}

// TestWhatTheLibraryCannotDigest: no answer is known that makes the library panic, but in its own goroutines, where it recovers. If
// one is found it is an outage, and not the end of the daemon.
func TestWhatTheLibraryCannotDigest(t *testing.T) {
	err := ours(guard(context.Background(), Config{}, func(context.Context, Config) error { panic("as a decoder might") }))
	if kind(err) != "away" || !strings.Contains(err.Error(), "cannot be read") {
		t.Errorf("%v", err)
	}
}

// TestInChain: the question that follows groups within groups in the directory itself, as a directory that has the rule
// 1.2.840.113556.1.4.1941 is asked. slapd has not; no real directory with the rule was at hand.
func TestInChain(t *testing.T) {
	f := fakeDirectory(t, honest)
	c := fakeConfig(t, f)
	c.Groups.Nested = inChain
	signIn(t, of(must(t, c)), "ada", "x", "in")
	want := "(&(objectClass=groupOfNames)(|(member:1.2.840.113556.1.4.1941:=uid=ada,ou=people,dc=seed-bank,dc=example)))"
	if asked := f.filters(); len(asked) != 2 || asked[1] != want {
		t.Errorf("asked %q, want %q", asked, want)
	}
	// The same in slapd: it knows the question, finds the rule unknown and says so or finds nothing; it lets nobody into a group.
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	real := configFor(t, dir.URL())
	real.Groups.Nested = inChain
	if found, err := of(real).Authenticate(context.Background(), "ada", slapd.Secret); err == nil && len(found.Groups) != 0 {
		t.Errorf("%+v", found)
	}
}

// TestWhoeverAskedGoesAway: a question whose asker has gone ends at once, and says nothing about the directory.
func TestWhoeverAskedGoesAway(t *testing.T) {
	f := fakeDirectory(t, func(net.Conn, int64, *ber.Packet) bool { return true })
	ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
	defer cancel()
	c := fakeConfig(t, f)
	c.Timeout = strict.Duration(time.Minute)
	began := time.Now()
	_, err := of(c).Authenticate(ctx, "ada", "x")
	var away *outside.Unavailable
	if kind(err) != "away" || time.Since(began) > 10*time.Second {
		t.Errorf("%v %v after %s", away, err, time.Since(began))
	}
}
